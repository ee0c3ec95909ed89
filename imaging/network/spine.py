"""The spine on the networks' map of vertebrae: how large a vertebra is on the film, and which one lies where.

The map shows the middles of the bodies, some missing, some doubled. A comb of the usual spine, in which each
vertebra is a little taller than the one above, is laid on it in every size and place that a film can have. What
weighs it is what the map shows at its teeth and not between them, the level at which carinas lie, and where T1 is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from imaging.film import Film
from imaging.network.lines import Band, Grid
from imaging.network.places import find_peak
from measure.estimate import Estimate
from measure.landmarks import VERTEBRAE, Landmark, Source, SpineSeen
from measure.rough_scale import LONG_SIDE_MM, NOMINAL_SIDE_MM
from measure.spine import CARINA_LEVEL, PITCH_MM, SHORTER_PER_LEVEL

Floats = NDArray[np.float64]

LONG_SIDE_SPREAD = LONG_SIDE_MM.sd / LONG_SIDE_MM.value
"""How far films' true sizes lie about the nominal one, as a share."""

EVIDENCE = 2.0
"""How much a tooth of the comb that the map shows in full counts, in natural logarithms; fitted on synthetic films
(docs/model-card.md)."""

BRIGHT, FAINTEST = 90.0, 0.02
"""A map counts relative to this percentile of what it shows along the spine, and to no less than the second:
networks show bodies more faintly or strongly by how long they have learnt (ours)."""

ASIDE_CELLS = 3
"""How far a body's middle may lie beside the spine's smooth line."""

LEAST_SHOWN, FEWEST_CELLS = 0.15, 20
"""Cells of the map that count for the spine's line, and the fewest that make one (ours)."""

T1_FLOOR = 0.05
"""How likely T1 is held to be anywhere, whatever is seen (ours): that can be wrong."""

SURE_OF_PITCH = 0.1
"""The spine counts as seen where its vertebrae's height has no wider relative standard deviation (ours); that of
the comb before it meets the map is 0.17."""

OWN_SHAPE = 0.035
"""By how much a spine's vertebrae differ in height from the comb's, as a share: what remains on maps drawn from
the truth of synthetic films (docs/model-card.md)."""

NAMED = VERTEBRAE[VERTEBRAE.index("C5") : VERTEBRAE.index("T4") + 1]
"""Vertebrae that the mandible lies over, and their neighbours: what is told by name."""

NAMED_FROM = 0.5
"""A vertebra is told where its name is likelier right than wrong (ours)."""

SHOWN_FROM, PLACED_FROM, ABSENT_BELOW = 0.8, 0.5, 0.2
"""The mandible is told where it is in view with the first probability and within 10 nominal mm of its place with
the second, and absent where it is in view with no more than the third (ours). Absence is told only where T1 is in
view: who cannot see T1 must not say that."""

MANDIBLE_SD_MM = 4.0
"""Standard deviation of the border's row (ours)."""

T1_BLUR_CELLS = 1.5
"""The whereabouts of T1 are blurred by so much (standard deviation) before it weighs the comb's places (ours)."""

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
    """

    sizes: Floats
    rows: Floats
    weights: Floats
    line: np.polynomial.Polynomial

    def pitch_cells(self, row: float) -> tuple[float, float]:
        """A vertebra with its disc at a row: mean and standard deviation."""
        pitch = self.sizes[:, None] * _stretch(self.levels(row) - CARINA_LEVEL.value)
        return _moments(pitch, self.weights)

    def level(self, row: float) -> tuple[float, float]:
        """The level at a row, as a place in `VERTEBRAE`: mean and standard deviation."""
        return _moments(self.levels(row), self.weights)

    @property
    def likeliest_row(self) -> float:
        """T6's middle."""
        return _moments(np.broadcast_to(self.rows, self.weights.shape), self.weights)[0]

    def place_of(self, level: int) -> tuple[float, float, float]:
        """Row of a vertebra's middle: mean and standard deviation in cells, and the probability of its name."""
        below = level - CARINA_LEVEL.value
        places = self.rows + self.sizes[:, None] * (below + SHORTER_PER_LEVEL / 2.0 * below**2)
        row, sd = _moments(places, self.weights)
        return row, sd, float(self.weights[np.abs(self.levels(row) - level) < 0.5].sum())

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
    vertebrae: Band,
    rows_on_film: tuple[int, int],
    carina: tuple[float, float] | None,
    t1: Whereabouts,
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
    t1 : Whereabouts
        Of T1's middle.
    """
    line = _line(vertebrae)
    if line is None:
        return None
    profile = _profile(vertebrae, line)
    profile = profile / max(float(np.percentile(profile, BRIGHT)), FAINTEST)
    cell_mm = NOMINAL_SIDE_MM / len(vertebrae)
    usual = PITCH_MM.value / cell_mm
    sizes = usual * np.exp(SIZES)
    rows = np.arange(0.0, len(vertebrae), 0.5)
    score = _scores(profile, sizes, rows, rows_on_film)
    spread = math.hypot(PITCH_MM.sd / PITCH_MM.value, LONG_SIDE_SPREAD)
    log = EVIDENCE * score - 0.5 * (SIZES[:, None] / spread) ** 2
    if carina is not None:
        row, sd = carina
        away = (row - rows[None, :]) / sizes[:, None]
        log = log - 0.5 * away**2 / (CARINA_LEVEL.sd**2 + (sd / sizes[:, None]) ** 2)
    log = log + _by_t1(t1, sizes, rows, rows_on_film)
    weights = np.exp(log - log.max())
    return Spine(sizes, rows, weights / weights.sum(), line)


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


def _scores(profile: Floats, sizes: Floats, rows: Floats, rows_on_film: tuple[int, int]) -> Floats:
    """For each size and place what the map shows at the teeth less what it shows between them."""
    below = np.arange(len(VERTEBRAE), dtype=np.float64) - CARINA_LEVEL.value
    teeth = below + SHORTER_PER_LEVEL / 2.0 * below**2
    half = 0.5 * _stretch(below)
    first, last = rows_on_film
    at = rows[None, :, None] + sizes[:, None, None] * teeth
    off = sizes[:, None, None] * half
    inside = (at >= first) & (at <= last)

    def shown(places: Floats) -> Floats:
        return np.interp(places, np.arange(len(profile)), profile, left=0.0, right=0.0)

    gain = (shown(at) - 0.5 * (shown(at - off) + shown(at + off))) * inside
    return np.asarray(gain.sum(axis=2))


def _by_t1(t1: Whereabouts, sizes: Floats, rows: Floats, rows_on_film: tuple[int, int]) -> Floats:
    """How T1's whereabouts weigh each size and place: against a T1 anywhere on the film, or beyond it."""
    below = VERTEBRAE.index("T1") - CARINA_LEVEL.value
    at = rows[None, :] + sizes[:, None] * (below + SHORTER_PER_LEVEL / 2.0 * below**2)
    first, last = rows_on_film
    away = np.arange(-5.0, 6.0)
    blur = np.exp(-0.5 * (away / T1_BLUR_CELLS) ** 2)
    by_row = np.convolve(t1.share.sum(1), blur / blur.sum(), "same") * (last - first + 1)
    there = t1.in_view * np.interp(at, np.arange(len(by_row)), by_row, left=0.0, right=0.0)
    inside = (at >= first) & (at <= last)
    return np.asarray(np.log(T1_FLOOR + (1.0 - T1_FLOOR) * np.where(inside, there, 1.0 - t1.in_view)))


@dataclass(frozen=True, eq=False, slots=True)
class Whereabouts:
    """A bone on the whole film.

    Parameters
    ----------
    share : ndarray, shape (cells, cells)
        Probability of each cell, if it is in view.
    in_view : float
        Probability that it is.
    """

    share: Band
    in_view: float


@dataclass(frozen=True, eq=False, slots=True)
class Bones:
    """What the networks show of spine and jaw on the whole film.

    Parameters
    ----------
    vertebrae : ndarray, shape (cells, cells)
        Middles of the bodies C3 to L1, 0 to 1.
    mandible, t1 : Whereabouts
        Of the lowest point of the mandible's lower border, and of T1's middle.
    grid : Grid
        Where the cells lie on the film.
    """

    vertebrae: Band
    mandible: Whereabouts
    t1: Whereabouts
    grid: Grid


def spine_seen(bones: Bones, film: Film, carina: Landmark | None) -> SpineSeen | None:
    """What is told of spine and jaw; None where the map shows no spine.

    Parameters
    ----------
    film : Film
        Upright.
    carina : Landmark or None
        As proposed on this film.
    """
    grid, aspect = bones.grid, film.pixel_aspect

    def cell_of(row: float) -> float:
        return grid.inward(0.0, (row + 0.5) * aspect - 0.5)[1]

    first, last = math.ceil(cell_of(-0.5)), math.floor(cell_of(film.shape[0] - 0.5))
    rows_per_cell = grid.cell_px / aspect
    at = None if carina is None else (cell_of(carina.row), carina.sd_px * aspect / grid.cell_px)
    spine = find_spine(bones.vertebrae, (first, last), at, bones.t1)
    if spine is None:
        return None
    pitch, sd = spine.pitch_cells(float(spine.likeliest_row) if at is None else at[0])
    if sd / pitch > SURE_OF_PITCH:
        return None

    def landmark(row: float, column: float, sd_cells: float, confidence: float) -> Landmark:
        x, y = grid.outward(column, row)
        return Landmark((y + 0.5) / aspect - 0.5, x, sd_cells * grid.cell_px, Source.PROPOSED, confidence)

    named = {}
    for name in NAMED:
        row, spread, confidence = spine.place_of(VERTEBRAE.index(name))
        if first <= row <= last and confidence >= NAMED_FROM:
            named[name] = landmark(row, float(spine.line(row)), spread, confidence)
    seen_pitch = Estimate(pitch * rows_per_cell, math.hypot(sd, OWN_SHAPE * pitch) * rows_per_cell)
    cell_mm = NOMINAL_SIDE_MM / len(bones.vertebrae)
    peak = find_peak(bones.mandible.share, 1.0 / cell_mm, 1)
    if bones.mandible.in_view >= SHOWN_FROM and peak.mass >= PLACED_FROM:
        column, row = peak.place
        level, level_sd = spine.level(row)
        row_sd = math.hypot(MANDIBLE_SD_MM, peak.spread_mm) / cell_mm
        border = landmark(row, column, row_sd, bones.mandible.in_view * peak.mass)
        over = Estimate(level, math.hypot(level_sd, row_sd / pitch))
        return SpineSeen(seen_pitch, named, border, over)
    reaches = float(spine.weights[spine.levels(float(first)) < VERTEBRAE.index("C7") - 0.5].sum())
    told = bones.mandible.in_view <= ABSENT_BELOW and bones.t1.in_view >= SHOWN_FROM
    absent = reaches * (1.0 - bones.mandible.in_view) * bones.t1.in_view if told else 0.0
    return SpineSeen(seen_pitch, named, mandible_absent=absent)
