"""The spine on the networks' map of vertebrae: how large a vertebra is on the film, and which one lies where.

The map shows the middles of the bodies, some missing, some doubled. A comb of the usual spine, in which each
vertebra is a little taller than the one above, is laid on it in every size and place that a film can have; what the
map shows at its teeth and not between them, the level at which carinas lie, and T1 where a map names it, weigh them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.landmarks import VERTEBRAE
from measure.spine import CARINA_LEVEL, PITCH_MM, SHORTER_PER_LEVEL

Band = NDArray[np.float32]
Floats = NDArray[np.float64]

LONG_SIDE_MM = 400.0
LONG_SIDE_SPREAD = 0.15
"""How far films' true sizes lie about that (`measure.rough_scale.LONG_SIDE_MM`), as a share."""

EVIDENCE = 3.0
"""How much a tooth of the comb that the map shows in full counts, in natural logarithms; fitted on synthetic films
(docs/model-card.md)."""

ASIDE_CELLS = 3
"""How far a body's middle may lie beside the spine's smooth line."""

LEAST_SHOWN, FEWEST_CELLS = 0.15, 20
"""Cells of the map that count for the spine's line, and the fewest that make one (ours)."""

SIZES = np.linspace(math.log(0.62), math.log(1.6), 60)
"""Sizes of the comb that are tried, as logarithms of the usual one."""


@dataclass(frozen=True, slots=True)
class Spine:
    """What is held of the spine.

    Parameters
    ----------
    sizes, rows : ndarray, shape (n,), (m,)
        Pitch at T6's middle in cells, and T6's row in cells, that were weighed.
    weights : ndarray, shape (n, m)
        Probability of each pair.
    line : Polynomial
        Column of the spine, in cells, by row.
    shown : float
        How much of the likeliest comb the map shows, 0 to 1.
    """

    sizes: Floats
    rows: Floats
    weights: Floats
    line: np.polynomial.Polynomial
    shown: float

    def pitch_cells(self, row: float) -> tuple[float, float]:
        """A vertebra with its disc at a row: mean and standard deviation."""
        pitch = self.sizes[:, None] * _stretch(self.levels(row) - CARINA_LEVEL.value)
        return _moments(pitch, self.weights)

    def level(self, row: float) -> tuple[float, float]:
        """The level at a row, as a place in `VERTEBRAE`: mean and standard deviation."""
        return _moments(self.levels(row), self.weights)

    def levels(self, row: float) -> Floats:
        """The level at a row for each pair of size and place, shape (n, m)."""
        away = (row - self.rows[None, :]) / self.sizes[:, None]
        bend = SHORTER_PER_LEVEL / 2.0
        return CARINA_LEVEL.value + (np.sqrt(np.maximum(1.0 + 4.0 * bend * away, 0.01)) - 1.0) / (2.0 * bend)


def _stretch(levels_below_t6: Floats) -> Floats:
    return np.maximum(1.0 + SHORTER_PER_LEVEL * levels_below_t6, 0.3)


def _moments(values: Floats, weights: Floats) -> tuple[float, float]:
    mean = float((values * weights).sum())
    return mean, math.sqrt(max(float((weights * (values - mean) ** 2).sum()), 0.0))


def find_spine(
    vertebrae: Band, rows_on_film: tuple[int, int], carina: tuple[float, float] | None, t1: Band | None = None
) -> Spine | None:
    """Lay the comb on a map; None where it shows no spine.

    Parameters
    ----------
    vertebrae : ndarray, shape (cells, cells)
        Middles of the bodies, 0 to 1, on the whole film.
    rows_on_film : (int, int)
        First and last row of cells that the film has.
    carina : (row, sd) or None
        In cells.
    t1 : ndarray, shape (cells, cells), optional
        The middle of T1, 0 to 1.
    """
    line = _line(vertebrae)
    if line is None:
        return None
    profile = _profile(vertebrae, line)
    cell_mm = LONG_SIDE_MM / len(vertebrae)
    usual = PITCH_MM.value / cell_mm
    sizes = usual * np.exp(SIZES)
    rows = np.arange(0.0, len(vertebrae), 0.5)
    score, shown = _scores(profile, sizes, rows, rows_on_film)
    spread = math.hypot(PITCH_MM.sd / PITCH_MM.value, LONG_SIDE_SPREAD)
    log = EVIDENCE * score - 0.5 * (SIZES[:, None] / spread) ** 2
    if carina is not None:
        row, sd = carina
        away = (row - rows[None, :]) / sizes[:, None]
        log = log - 0.5 * away**2 / (CARINA_LEVEL.sd**2 + (sd / sizes[:, None]) ** 2)
    if t1 is not None:
        log = log + _by_t1(_profile(t1, line), sizes, rows, rows_on_film)
    weights = np.exp(log - log.max())
    best = np.unravel_index(int(log.argmax()), log.shape)
    return Spine(sizes, rows, weights / weights.sum(), line, float(shown[best]))


def _line(band: Band) -> np.polynomial.Polynomial | None:
    """The spine's column by row: a parabola through what the map shows, strays left out."""
    rows, columns = np.nonzero(band > LEAST_SHOWN)
    if len(rows) < FEWEST_CELLS or np.ptp(rows) < len(band) / 5.0:
        return None
    weights = band[rows, columns].astype(np.float64)
    line = np.polynomial.Polynomial.fit(rows, columns, 1, w=weights)
    for degree, reach in ((1, 12.0), (2, 6.0), (2, 4.0)):
        near = np.abs(columns - line(rows)) <= reach
        if near.sum() < FEWEST_CELLS:
            return None
        line = np.polynomial.Polynomial.fit(rows[near], columns[near], degree, w=weights[near])
    return line


def _profile(band: Band, line: np.polynomial.Polynomial) -> Floats:
    """What a map shows along the line, by row."""
    rows = np.arange(len(band))
    middle = np.rint(line(rows)).astype(int)
    reach = np.arange(-ASIDE_CELLS, ASIDE_CELLS + 1)
    columns = np.clip(middle[:, None] + reach, 0, band.shape[1] - 1)
    return np.asarray(band[rows[:, None], columns].max(axis=1), np.float64)


def _scores(profile: Floats, sizes: Floats, rows: Floats, rows_on_film: tuple[int, int]) -> tuple[Floats, Floats]:
    """For each size and place what the map shows at the teeth less what it shows between them; and the mean of the
    first.
    """
    below = np.arange(len(VERTEBRAE)) - CARINA_LEVEL.value
    teeth = below + SHORTER_PER_LEVEL / 2.0 * below**2
    half = 0.5 * _stretch(below)
    first, last = rows_on_film
    at = rows[None, :, None] + sizes[:, None, None] * teeth
    off = sizes[:, None, None] * half
    inside = (at >= first) & (at <= last)

    def shown(places: Floats) -> Floats:
        return np.interp(places, np.arange(len(profile)), profile, left=0.0, right=0.0)

    tooth = shown(at)
    gain = (tooth - 0.5 * (shown(at - off) + shown(at + off))) * inside
    count = np.maximum(inside.sum(axis=2), 1)
    return gain.sum(axis=2), (tooth * inside).sum(axis=2) / count


def _by_t1(profile: Floats, sizes: Floats, rows: Floats, rows_on_film: tuple[int, int]) -> Floats:
    """How the map of T1 weighs each size and place: what it shows where T1 then lies."""
    below = VERTEBRAE.index("T1") - CARINA_LEVEL.value
    at = rows[None, :] + sizes[:, None] * (below + SHORTER_PER_LEVEL / 2.0 * below**2)
    shown = np.interp(at, np.arange(len(profile)), profile, left=0.0, right=0.0)
    first, last = rows_on_film
    return np.where((at >= first) & (at <= last), np.log(shown + T1_FLOOR), np.log(T1_FLOOR + 1.0 - profile.max()))


T1_FLOOR = 0.05
"""What the map of T1 is held to show anywhere (ours): it can be wrong."""
