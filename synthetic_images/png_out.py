"""A film as a PNG of 16 bits: no header, no spacing, as teaching collections have them."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from synthetic_images.detector import GREY_LEVELS
from synthetic_images.film import SyntheticFilm

FULL_SCALE = 65535 // (GREY_LEVELS - 1)


def write_png(film: SyntheticFilm, path: Path) -> Path:
    """Write the film as a grey PNG of 16 bits; the same film gives the same bytes.

    Returns
    -------
    Path
        The file written.
    """
    from PIL import Image

    Image.fromarray(film.pixels * np.uint16(FULL_SCALE)).save(path, format="PNG")
    return path
