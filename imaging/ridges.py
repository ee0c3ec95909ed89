"""Filters and paths for thin bright lines and broad dark columns, as small functions on arrays.

A response is a correlation with a pattern, so it does not depend on a film's brightness or contrast.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Pattern:
    """A small picture to look for, and how much each of its pixels counts.

    Parameters
    ----------
    shades, weight : ndarray of float32, shape (n, n) with odd n
    """

    shades: Image
    weight: Image


def level(image: Image, sigma_px: float) -> Image:
    """Return the image less its surroundings, over the contrast of its surroundings; both Gaussian."""
    import cv2

    detail = image - cv2.GaussianBlur(image, (0, 0), sigma_px)
    contrast = np.sqrt(cv2.GaussianBlur(detail * detail, (0, 0), 2.0 * sigma_px))
    return np.asarray(detail / (contrast + 0.01), np.float32)


def correlate(image: Image, pattern: Pattern) -> Image:
    """Return the weighted correlation coefficient (-1 to 1) of a pattern with every place of an image."""
    import cv2

    def around(values: Image, kernel: Image) -> Image:
        return np.asarray(cv2.filter2D(values, cv2.CV_32F, kernel, borderType=cv2.BORDER_REPLICATE))

    weight = pattern.weight / pattern.weight.sum()
    shades = pattern.shades - (weight * pattern.shades).sum()
    spread = float(np.sqrt((weight * shades**2).sum()))
    mean = around(image, weight)
    variance = around(image * image, weight) - mean * mean
    # A floor: where the film is flat, the correlation of what little is left means nothing.
    return np.asarray(around(image, weight * shades) / (spread * np.sqrt(np.maximum(variance, 1e-3))))


def best_correlation(image: Image, patterns: Iterable[Pattern]) -> Image:
    """Return, at every place, the correlation of the pattern that fits best there."""
    best = np.full(image.shape, -1.0, np.float32)
    for pattern in patterns:
        np.maximum(best, correlate(image, pattern), out=best)
    return best


def grid(radius_px: float) -> tuple[Image, Image]:
    """Rows and columns of a square pattern, from its middle."""
    reach = np.arange(-int(radius_px), int(radius_px) + 1, dtype=np.float32)
    rows, columns = np.meshgrid(reach, reach, indexing="ij")
    return rows, columns


def turned(rows: Image, columns: Image, degrees: float) -> tuple[Image, Image]:
    """Return the distance along and across a line through the middle, `degrees` off the vertical."""
    angle = np.deg2rad(degrees)
    along = rows * np.cos(angle) - columns * np.sin(angle)
    across = columns * np.cos(angle) + rows * np.sin(angle)
    return np.asarray(along, np.float32), np.asarray(across, np.float32)


def bright_lines(image: Image, width_px: float, length_px: float) -> Image:
    """Return how far a thin bright line, at most 30 degrees off the vertical, stands out of its surroundings.

    The second derivative of a Gaussian across the line, a Gaussian along it; in units of the root mean square
    response within 20 `width_px` around.
    """
    import cv2

    detail = image - cv2.GaussianBlur(image, (0, 0), 3.0 * width_px)
    best = np.full(image.shape, -np.inf, np.float32)
    for degrees in range(-30, 31, 10):
        along, across = turned(*grid(3.0 * length_px), degrees)
        across, along = across / width_px, along / length_px
        kernel = (1.0 - across**2) * np.exp(-0.5 * (across**2 + along**2))
        kernel -= kernel.mean()
        np.maximum(best, cv2.filter2D(detail, cv2.CV_32F, kernel, borderType=cv2.BORDER_REPLICATE), out=best)
    usual = np.sqrt(cv2.GaussianBlur(best * best, (0, 0), 20.0 * width_px))
    return np.asarray(best / (usual + 1e-4), np.float32)


def heaviest_path(gain: Image, bend_cost: float, *, anywhere: bool) -> tuple[NDArray[np.intp], float]:
    """Find the downward path that collects most gain, one pixel a row, at most one column sideways a row.

    Parameters
    ----------
    gain : ndarray, shape (rows, columns)
        What each pixel adds; negative where the path had better not be.
    bend_cost : float
        Taken off for each step sideways.
    anywhere : bool
        True: the path starts and ends where it collects most. False: it runs from the first row to the last.

    Returns
    -------
    path : ndarray of int, shape (n, 2)
        Row and column, from the top down.
    total : float
        What it collected.
    """
    rows, columns = gain.shape
    total = np.zeros((rows, columns), np.float32)
    step = np.zeros((rows, columns), np.int8)
    start = np.zeros((rows, columns), np.bool_)
    so_far = np.zeros(columns, np.float32)
    for row in range(rows):
        walled = np.pad(so_far, 1, constant_values=-np.inf)
        ways = np.stack([walled[1:-1], walled[:-2] - bend_cost, walled[2:] - bend_cost])
        choice = ways.argmax(axis=0)
        before = ways.max(axis=0)
        start[row] = (before <= 0.0) if anywhere else (row == 0)
        so_far = np.where(start[row], 0.0, before) + gain[row]
        step[row] = np.choose(choice, [0, -1, 1])
        total[row] = so_far
    row = int(total.max(axis=1).argmax()) if anywhere else rows - 1
    column = int(total[row].argmax())
    collected = float(total[row, column])
    path = [(row, column)]
    while not start[row, column] and row > 0:
        row, column = row - 1, column + int(step[row, column])
        path.append((row, column))
    return np.array(path[::-1], dtype=np.intp), collected
