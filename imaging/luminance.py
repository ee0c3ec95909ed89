"""A coloured picture becomes grey."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

LUMINANCE = (0.299, 0.587, 0.114)
"""Grey from red, green, blue: ITU-R BT.601, as PS3.3 C.7.6.3.1.2 has it for YBR_FULL, and Pillow and OpenCV."""

ROWS_AT_A_TIME = 256
"""Few enough that the numbers between need no room beside a large picture."""


def brightness(colour: NDArray[np.integer[Any]]) -> NDArray[np.integer[Any]]:
    """Return a picture's brightness in its own type.

    Parameters
    ----------
    colour : ndarray of integers, shape (rows, columns, 3 or more)
        Red, green, blue; what comes after is left out.
    """
    grey = np.empty(colour.shape[:2], colour.dtype)
    weights = np.array(LUMINANCE, np.float32)
    for start in range(0, colour.shape[0], ROWS_AT_A_TIME):
        rows = slice(start, start + ROWS_AT_A_TIME)
        grey[rows] = np.rint(colour[rows, :, :3].astype(np.float32) @ weights)
    return grey
