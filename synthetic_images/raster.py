"""The few image operations that films need, typed: cv2 is loaded when first used."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synthetic_images.projection import Map

SMALLEST_BLUR_PX = 0.2
"""A narrower blur changes nothing that a pixel can show."""


def blur(image: Map, sigma_px: float, zero_outside: bool = False) -> Map:
    """Gaussian blur; the border is mirrored, or taken as zero."""
    import cv2

    if sigma_px < SMALLEST_BLUR_PX:
        return image
    border = cv2.BORDER_CONSTANT if zero_outside else cv2.BORDER_REFLECT_101
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma_px, borderType=border), dtype=np.float32)


def enlarged(image: Map, rows: int, columns: int, smooth: bool = False) -> Map:
    """Interpolate an image to a larger size, linearly or by cubics."""
    import cv2

    how = cv2.INTER_CUBIC if smooth else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(image, (columns, rows), interpolation=how), dtype=np.float32)


def reduced(image: Map, rows: int, columns: int) -> Map:
    """Average an image down to a smaller size."""
    import cv2

    return np.asarray(cv2.resize(image, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.float32)


def remapped(image: Map, rows: Map, columns: Map) -> Map:
    """An image read at other places, linearly; beyond its edge the edge's value."""
    import cv2

    return np.asarray(
        cv2.remap(image, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32
    )


def polygon(outline_px: NDArray[np.float64], rows: int, columns: int) -> Map:
    """A filled polygon, 0 to 1 with a smooth edge.

    Parameters
    ----------
    outline_px : ndarray, shape (n, 2)
        Corners as (row, column).
    """
    import cv2

    mask = np.zeros((rows, columns), np.uint8)
    corners = np.round(outline_px[:, ::-1] * 16.0).astype(np.int32)
    cv2.fillPoly(mask, [corners], 255, cv2.LINE_AA, 4)
    return np.asarray(mask, dtype=np.float32) / np.float32(255.0)
