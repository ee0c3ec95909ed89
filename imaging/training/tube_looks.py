"""Width, contrast and sharpness of a tube's radio-opaque line on a film, real or drawn: numbers to compare."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Film = NDArray[np.float32]

_FIRST_MM, _LAST_MM = 10.0, 50.0
"""The part of the line that is measured, above the tip."""
_REACH_MM = 10.0
"""How far aside of the tip the line is looked for."""
_RIDGE_SD_MM = 0.8
_BEND_COST = 0.02
"""Width of the filter that finds the line, and what a step aside costs it; ours."""
_FLANK_MM = 4.0
_STEP_MM = 0.1


@dataclass(frozen=True, slots=True)
class LineLook:
    """How a line looks.

    Parameters
    ----------
    width_mm : float
        Of its bright ridge at half its height.
    contrast : float
        Height of the ridge over the lower of both flanks, the film's range (0.2 to 99.8 %) being 1.
    sharpness_per_mm : float
        Steepest slope of the ridge over its height.
    """

    width_mm: float
    contrast: float
    sharpness_per_mm: float


def look_of_line(film: Film, tip: tuple[float, float], px_per_mm: float) -> LineLook | None:
    """Measure the line above a tip.

    Parameters
    ----------
    film : ndarray of float32, shape (rows, columns)
        Bright = dense.
    tip : (x, y)
        In pixels.
    px_per_mm : float

    Returns
    -------
    LineLook or None
        None where too little of the film lies above the tip, or nothing rises above its flanks.
    """
    import cv2

    low, high = np.percentile(film, [0.2, 99.8])
    scaled = np.asarray((film - low) / max(high - low, 1e-6), np.float32)
    x, y = tip
    first, last = round(y - _LAST_MM * px_per_mm), round(y - _FIRST_MM * px_per_mm)
    reach, flank = round(_REACH_MM * px_per_mm), round(_FLANK_MM * px_per_mm)
    left = round(x) - reach
    if first < 0 or left - flank < 0 or left + 2 * reach + flank >= film.shape[1] or last - first < 20:
        return None
    sd = _RIDGE_SD_MM * px_per_mm
    ridge = -cv2.Sobel(cv2.GaussianBlur(scaled, (0, 0), sd), cv2.CV_32F, 2, 0, ksize=5) * sd**2
    path = _brightest_path(ridge[first:last, left : left + 2 * reach + 1]) + left
    at = np.arange(-_FLANK_MM, _FLANK_MM + _STEP_MM / 2.0, _STEP_MM)
    columns = path[:, None] + at[None] * px_per_mm
    rows = np.broadcast_to(np.arange(first, last)[:, None], columns.shape)
    straight = cv2.remap(scaled, columns.astype(np.float32), rows.astype(np.float32), cv2.INTER_CUBIC)
    return _of_profile(np.median(straight, axis=0), at)


def _brightest_path(ridge: Film) -> NDArray[np.float64]:
    """A column for every row, steps of at most one, where most of the ridge lies together."""
    score = np.zeros(ridge.shape[1])
    moves = np.zeros(ridge.shape, np.int8)
    for k, row in enumerate(ridge):
        padded = np.pad(score, 1, constant_values=-np.inf)
        options = np.stack([padded[:-2] - _BEND_COST, padded[1:-1], padded[2:] - _BEND_COST])
        moves[k] = options.argmax(0) - 1
        score = options.max(0) + row
    at = int(score.argmax())
    path = np.zeros(len(ridge))
    for k in range(len(ridge) - 1, -1, -1):
        path[k] = at
        at = min(max(at + int(moves[k, at]), 0), ridge.shape[1] - 1)
    return np.convolve(np.pad(path, 3, mode="edge"), np.ones(7) / 7.0, mode="valid")


def _of_profile(profile: NDArray[np.floating], at: NDArray[np.float64]) -> LineLook | None:
    near = np.flatnonzero(np.abs(at) <= 1.0)
    top = int(near[profile[near].argmax()])
    base = max(float(profile[:top].min(initial=np.inf)), float(profile[top + 1 :].min(initial=np.inf)))
    height = float(profile[top]) - base
    if not np.isfinite(height) or height <= 1e-3:
        return None
    above = profile > base + height / 2.0
    left = top - int(np.argmin(above[top::-1]))
    right = top + int(np.argmin(above[top:]))
    slope = np.abs(np.gradient(profile, at))[max(left - 5, 0) : right + 6].max()
    return LineLook((right - left - 1) * float(at[1] - at[0]), height, float(slope) / height)
