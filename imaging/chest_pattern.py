"""Whether a picture looks like an upright frontal chest film at all."""

from __future__ import annotations

from functools import cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]

SIDE_PX = 64
APEX, BASE, OUTER, INNER = 0.12, 0.66, 0.36, 0.08
"""The lungs' upper and lower end, half the chest's and half the mediastinum's width: shares of the film (ours)."""


@cache
def _pattern() -> tuple[Image, Image]:
    """Two dark lungs, narrow at the top, in a bright body; and the weight of each pixel."""
    import cv2

    down, across = (np.mgrid[:SIDE_PX, :SIDE_PX].astype(np.float32) + 0.5) / SIDE_PX
    aside = np.abs(across - 0.5)
    depth = np.clip((down - APEX) / (BASE - APEX), 0.0, 1.0)
    lungs = (down > APEX) & (down < BASE) & (aside > INNER) & (aside < OUTER * np.sqrt(depth))
    shades = -cv2.GaussianBlur(lungs.astype(np.float32), (0, 0), 2.0)
    # Above the shoulders and outside the arms films differ too much.
    body = (aside < 0.40) & (down > 0.03) & (down < 0.97) & ((down > 0.3) | (aside < 0.2 + 0.6 * down))
    weight = body.astype(np.float32) / body.sum()
    return np.asarray(shades - (weight * shades).sum(), np.float32), np.asarray(weight, np.float32)


def _likeness(image: Image) -> float:
    """How well the pattern fits at the best of a few sizes and places, -1 to 1."""
    import cv2

    shades, weight = _pattern()
    small = cv2.GaussianBlur(cv2.resize(image, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA), (0, 0), 1.5)
    middle, best = SIDE_PX / 2.0, -1.0
    for size, down, across in product((0.7, 0.8, 0.9, 1.0, 1.1), range(-9, 13, 3), (-4, 0, 4)):
        window = np.array([[size, 0.0, middle * (1.0 - size) + across], [0.0, size, middle * (1.0 - size) + down]])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        part = cv2.warpAffine(small, window, small.shape, flags=flags, borderMode=cv2.BORDER_REPLICATE)
        part -= (weight * part).sum()
        scale = (weight * part**2).sum() * (weight * shades**2).sum()
        best = max(best, float((weight * part * shades).sum() / np.sqrt(scale + 1e-9)))
    return best


def stands_upright(image: Image) -> bool:
    """Whether two dark lungs in a bright body fit the film better as it stands than turned by any quarter turns.

    Parameters
    ----------
    image : ndarray of float32, shape (rows, columns)
        Bright = dense.
    """
    upright, *turned = (_likeness(np.ascontiguousarray(np.rot90(image, turns))) for turns in range(4))
    return upright > max(turned)
