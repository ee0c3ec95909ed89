"""Two films of one patient laid over each other, and a point of the mediastinum carried from one to the other.

Lungs, tubes and exposure change from film to film; spine, ribs and clavicles do not. Both films are brought to a
nominal scale and to bands of detail as wide as bones; the part round the point is looked for on the other film at
several sizes and turns, and fitted by an affine map. With breath and posture the mediastinum rises and sinks
against the bones: how far is seen in detail as wide as the aortic arch and the hila.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray

from imaging.film import Film
from measure.rough_scale import NOMINAL_SIDE_MM

BONE_MM = (1.5, 8.0)
"""Standard deviations between which detail is kept: ribs and vertebrae are 10 to 25 mm high (ours)."""

EVEN_MM = 20.0
"""Neighbourhood in which the contrast is made even: a white lung weighs no more than a black one (ours)."""

ABOVE_MM, BELOW_MM, ASIDE_MM = 110.0, 60.0, 95.0
"""The part round the point that is looked for: the spine with the upper ribs (ours)."""

COARSE = 0.5
SCALES = (0.82, 0.88, 0.94, 1.0, 1.06, 1.13, 1.2)
TURNS_DEG = (-9.0, -4.5, 0.0, 4.5, 9.0)
"""What is tried before the fit: films of one patient differ so much in distance, cut and tilt (ours)."""

FURTHEST_REFINED_MM = 10.0
"""A refinement that takes the point further than this has slipped (ours)."""

SMALLEST_MM = 60
"""A film narrower than this holds no part to look for (ours)."""

LEAST_SHARE = 0.6
"""Share of the part that must lie on both films (ours)."""

SOFT_MM, SOFT_EVEN_MM = (3.0, 30.0), 50.0
SOFT_ABOVE_MM, SOFT_BELOW_MM, SOFT_ASIDE_MM = 40, 60, 70
"""Detail and part round the point that show how the mediastinum lies: aortic arch, hila, its edges
(docs/model-card.md)."""

ACROSS_SD_MM, ALONG_SD_MM = 5.0, 15.0
FURTHEST_ACROSS_MM, FURTHEST_ALONG_MM = 12, 30
"""How far the mediastinum moves against the bones (ours)."""

SHARPNESS = 100.0
"""Fall of a place's log chance with the correlation there (docs/model-card.md)."""

Picture = NDArray[np.float32]
Point = tuple[float, float]
"""x and y."""
Matrix = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fit:
    """How one film lies on another.

    Parameters
    ----------
    matrix : ndarray, shape (2, 3)
        Takes (x, y, 1) of the earlier film to today's, in nominal mm from the middle of the first pixel.
    likeness : float
        Correlation of the bones round the point, -1 to 1.
    """

    matrix: Matrix
    likeness: float

    def carried(self, at: Point) -> Point:
        """Where a point (x, y) of the earlier film lies on today's."""
        x, y = self.matrix @ np.array([*at, 1.0])
        return float(x), float(y)


def bones(film: Film) -> Picture:
    """Detail as wide as bones, its contrast made even; one pixel a nominal mm."""
    return _detail(film, BONE_MM, EVEN_MM)


def soft_parts(film: Film) -> Picture:
    """Detail as wide as the parts of the mediastinum, its contrast made even; one pixel a nominal mm."""
    return _detail(film, SOFT_MM, SOFT_EVEN_MM)


def _detail(film: Film, widths_mm: tuple[float, float], even_mm: float) -> Picture:
    rows, columns = film.shape
    tall = rows * film.pixel_aspect
    scale = NOMINAL_SIDE_MM / max(tall, columns)
    size = max(round(columns * scale), 1), max(round(tall * scale), 1)
    small = cv2.resize(film.pixels, size, interpolation=cv2.INTER_AREA)
    fine, broad = (cv2.GaussianBlur(small, (0, 0), sd) for sd in widths_mm)
    detail = fine - broad
    spread = np.sqrt(cv2.GaussianBlur(detail * detail, (0, 0), even_mm))
    return np.asarray(np.clip(detail / (spread + 1e-3 * float(spread.max()) + 1e-6), -3.0, 3.0), np.float32)


def fit(earlier: Picture, today: Picture, at: Point) -> Fit | None:
    """Lay the part of the earlier film round a point over today's; None where too little of it is shared."""
    if min(*earlier.shape, *today.shape) < SMALLEST_MM:
        return None
    best = max(_coarse(earlier, today, at), key=lambda found: found[0], default=None)
    if best is None:
        return None
    matrix = _refined(earlier, today, at, best[1])
    likeness = _likeness(earlier, today, at, matrix)
    return Fit(matrix, likeness)


def moved(by_bones: Fit, earlier: Picture, today: Picture, at: Point) -> Fit:
    """The fit of the bones, moved by what the soft parts round a point have moved against them.

    Parameters
    ----------
    by_bones : Fit
        Of the two films.
    earlier, today : ndarray
        Their soft parts.
    at : (float, float)
        Of the earlier film.
    """
    x, y = at[0] - SOFT_ASIDE_MM, at[1] - SOFT_ABOVE_MM
    wide, high = 2 * SOFT_ASIDE_MM + 1, SOFT_ABOVE_MM + SOFT_BELOW_MM + 1
    across, along = FURTHEST_ACROSS_MM, FURTHEST_ALONG_MM
    part = _window(earlier, np.eye(3)[:2], (x, y), (wide, high))
    field = _window(today, by_bones.matrix, (x - across, y - along), (wide + 2 * across, high + 2 * along))
    scores = cv2.matchTemplate(field, part, cv2.TM_CCOEFF_NORMED)
    dy, dx = np.mgrid[-along : along + 1, -across : across + 1]
    chances = SHARPNESS * scores - (dx / ACROSS_SD_MM) ** 2 / 2.0 - (dy / ALONG_SD_MM) ** 2 / 2.0
    chances = np.exp(chances - chances.max())
    move = np.array([(chances * dx).sum(), (chances * dy).sum()]) / chances.sum()
    matrix = by_bones.matrix.copy()
    matrix[:, 2] += matrix[:, :2] @ move
    return replace(by_bones, matrix=matrix)


def _window(picture: Picture, matrix: Matrix, corner: Point, size: tuple[int, int]) -> Picture:
    """What a map puts into a window of the first film; its edge goes on beyond the picture."""
    there = matrix @ np.array([[1.0, 0.0, corner[0]], [0.0, 1.0, corner[1]], [0.0, 0.0, 1.0]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    window = cv2.warpAffine(picture, there, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(window, np.float32)


def _box(at: Point, shape: tuple[int, int]) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of the part round a point, within the picture."""
    x, y = at
    left, right = max(round(x - ASIDE_MM), 0), min(round(x + ASIDE_MM), shape[1])
    return left, max(round(y - ABOVE_MM), 0), right, min(round(y + BELOW_MM), shape[0])


def _coarse(earlier: Picture, today: Picture, at: Point) -> Iterator[tuple[float, Matrix]]:
    """The best place for each size and turn, with its likeness."""
    left, top, right, bottom = _box(at, earlier.shape)
    part = cv2.resize(earlier[top:bottom, left:right], None, fx=COARSE, fy=COARSE, interpolation=cv2.INTER_AREA)
    margin = round(0.2 * ABOVE_MM * COARSE)
    field = cv2.resize(today, None, fx=COARSE, fy=COARSE, interpolation=cv2.INTER_AREA)
    field = cv2.copyMakeBorder(field, margin, margin, margin, margin, cv2.BORDER_CONSTANT, value=0.0)
    height, width = part.shape
    for scale, turn in product(SCALES, TURNS_DEG):
        wide, high = round(width * scale), round(height * scale)
        matrix = cv2.getRotationMatrix2D(((width - 1) / 2.0, (height - 1) / 2.0), turn, scale)
        matrix[:, 2] += ((wide - width) / 2.0, (high - height) / 2.0)
        if wide > field.shape[1] or high > field.shape[0]:
            continue
        turned = cv2.warpAffine(part, matrix, (wide, high))
        mask = cv2.warpAffine(np.ones_like(part), matrix, (wide, high))
        scores = cv2.matchTemplate(field, turned, cv2.TM_CCORR_NORMED, mask=mask)
        _, score, _, (x, y) = cv2.minMaxLoc(scores)
        whole = np.eye(3)
        whole[:2] = matrix
        whole[:2, 2] += (x - margin, y - margin)
        into = np.diag([COARSE, COARSE, 1.0]) @ np.array([[1.0, 0.0, -left], [0.0, 1.0, -top], [0.0, 0.0, 1.0]])
        yield float(score), (np.diag([1.0 / COARSE, 1.0 / COARSE, 1.0]) @ whole @ into)[:2]


def _mask(earlier: Picture, at: Point) -> NDArray[np.uint8]:
    left, top, right, bottom = _box(at, earlier.shape)
    mask = np.zeros(earlier.shape, np.uint8)
    mask[top:bottom, left:right] = 255
    return mask


def _refined(earlier: Picture, today: Picture, at: Point, matrix: Matrix) -> Matrix:
    """An affine map near the one found; that one where no better is found."""
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-4)
    start = matrix.astype(np.float32)
    try:
        _, better = cv2.findTransformECC(
            earlier, today, start.copy(), cv2.MOTION_AFFINE, stop, _mask(earlier, at), 5
        )
    except cv2.error:
        return matrix
    moved = np.array([*at, 1.0]) @ (better - matrix).T
    if np.hypot(*moved) > FURTHEST_REFINED_MM or not 0.6 < float(np.linalg.det(better[:, :2])) < 1.7:
        return matrix
    return np.asarray(better, np.float64)


def _laid_over(earlier: Picture, today: Picture, matrix: Matrix) -> tuple[Picture, Picture]:
    """Today's picture in the earlier one's place, and where it has pixels."""
    size = earlier.shape[1], earlier.shape[0]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    there = cv2.warpAffine(today, matrix, size, flags=flags)
    known = cv2.warpAffine(np.ones_like(today), matrix, size, flags=flags)
    return np.asarray(there, np.float32), np.asarray(known, np.float32)


def _likeness(earlier: Picture, today: Picture, at: Point, matrix: Matrix) -> float:
    there, known = _laid_over(earlier, today, matrix)
    part = (_mask(earlier, at) > 0) & (known > 0.5)
    if part.sum() < LEAST_SHARE * (_mask(earlier, at) > 0).sum():
        return 0.0
    one, other = earlier[part], there[part]
    if not (one.std() and other.std()):
        return 0.0
    return float(np.corrcoef(one, other)[0, 1])
