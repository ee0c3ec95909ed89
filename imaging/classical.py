"""Tip and carina by filters and paths: no learning, every step to be looked at.

The film is brought to 512 pixels along its longer side. Where it looks like an upright frontal chest film, the
trachea is tracked as a dark column from the top down, the carina is the dark fork that fits best at its lower end,
and the tip is the lower end of the bright line that runs in the trachea. Lengths in mm are nominal: a chest film's
longer side is taken as 400 mm. Numbers without a source are ours.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
from numpy.typing import NDArray

from imaging.chest_pattern import ChestFit, upright_chest
from imaging.film import Film
from imaging.ridges import (
    Image,
    Pattern,
    best_correlation,
    bright_lines,
    correlate,
    grid,
    heaviest_path,
    level,
    turned,
)
from measure.landmarks import Landmark, Landmarks, Source

SIDE_PX = 512
FILM_MM = 400.0
PX_PER_MM = SIDE_PX / FILM_MM
SMALLEST_SIDE_PX = 200
"""Below, a radio-opaque line (1 to 2 mm) is narrower than a pixel."""

LEAST_CONTRAST = 0.02
"""Standard deviation of the pixels below which a film is blank."""

PATH_STEP_MM = 10.0

Rows = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Found:
    """A place on the working image, with its standard deviation there and the probability of being right."""

    row: float
    column: float
    sd_px: float
    confidence: float


@dataclass(frozen=True)
class WorkingFilm:
    """The film at the size the method works at.

    Parameters
    ----------
    image : ndarray of float32, shape (rows, columns)
        Square pixels, `SIDE_PX` along the longer side.
    row_scale, column_scale : float
        Pixels of the film per working pixel.
    """

    image: Image
    row_scale: float
    column_scale: float

    @property
    def central(self) -> slice:
        """Columns in which trachea and carina are looked for."""
        return slice(self.image.shape[1] // 4, self.image.shape[1] - self.image.shape[1] // 4)

    @cached_property
    def upper(self) -> Image:
        """The part in which everything is looked for: all columns of the upper two thirds."""
        return self.image[: 2 * self.image.shape[0] // 3]

    def on_film(self, row: float, column: float) -> tuple[float, float]:
        """Row and column on the film of a place on the working image."""
        return (row + 0.5) * self.row_scale - 0.5, (column + 0.5) * self.column_scale - 0.5

    def landmark(self, found: Found, note: str) -> Landmark:
        """A found place as a proposed landmark on the film."""
        row, column = self.on_film(found.row, found.column)
        sd_px = found.sd_px * math.sqrt(self.row_scale * self.column_scale)
        return Landmark(row, column, sd_px, Source.PROPOSED, round(found.confidence, 3), note)


def working_film(film: Film) -> WorkingFilm:
    """Shrink (or enlarge) the film to the working size, with square pixels."""
    import cv2

    rows, columns = film.shape
    scale = SIDE_PX / max(rows * film.pixel_aspect, columns)
    height, width = max(1, round(rows * film.pixel_aspect * scale)), max(1, round(columns * scale))
    pixels = np.ascontiguousarray(film.pixels, np.float32)
    image = cv2.resize(pixels, (width, height), interpolation=cv2.INTER_AREA)
    return WorkingFilm(np.asarray(image), rows / height, columns / width)


def look_at_whole(film: Film, working: WorkingFilm) -> ChestFit | str:
    """Find the chest on the film; a reason where the film is not fit to be searched."""
    rows, columns = film.shape
    if min(rows, columns) < SMALLEST_SIDE_PX:
        return f"the film has {rows} x {columns} pixels; at least {SMALLEST_SIDE_PX} each way are needed"
    if float(working.image.std()) < LEAST_CONTRAST:
        return "the film is blank"
    return upright_chest(working.image) or "it does not look like an upright frontal chest film"


def find_landmarks(film: Film) -> tuple[Landmarks, tuple[str, ...]]:
    """Find tip, carina and airway path; a sentence for each that is missing."""
    working = working_film(film)
    chest = look_at_whole(film, working)
    if isinstance(chest, str):
        return Landmarks(), tuple(f"The {name} was not looked for: {chest}." for name in ("tip", "carina"))
    trachea = track_trachea(working, chest)
    carina = find_carina(working, chest, trachea)
    tip = find_tip(film, working, trachea, carina)
    mark = working.landmark
    landmarks = Landmarks(
        tip=None if tip is None else mark(tip, "lower end of a bright line in the trachea"),
        carina=mark(carina, "dark fork below the air column"),
        airway_path=tuple(mark(found, "middle of the air column") for found in _path_above(carina, trachea)),
    )
    return landmarks, () if tip is not None else ("The tip was not found: no line of a tube ends in the airway.",)


def _path_above(carina: Found, trachea: Rows) -> Iterator[Found]:
    """Places every 10 mm down the trachea's middle; the last 20 mm, where the column widens, are left out."""
    for row in np.arange(PATH_STEP_MM * PX_PER_MM, carina.row - 20.0 * PX_PER_MM, PATH_STEP_MM * PX_PER_MM):
        yield Found(float(row), float(trachea[int(row)]), 3.0 * PX_PER_MM, carina.confidence)


# --- the air column ---------------------------------------------------------------------------------------------


@cache
def _columns() -> tuple[tuple[Pattern, Pattern], ...]:
    """Short pieces of a dark column with its brighter border on either side.

    The widths span adults' tracheas (docs/measurement.md).
    """
    return tuple(
        (_half_column(width * PX_PER_MM, tilt, -1.0), _half_column(width * PX_PER_MM, tilt, 1.0))
        for width in (12.0, 16.0, 20.0)
        for tilt in (-10.0, 0.0, 10.0)
    )


def _half_column(width: float, tilt: float, side: float) -> Pattern:
    along, across = turned(*grid(1.4 * width), tilt)
    inside = np.abs(across) < width / 2.0
    border = (side * across > 0.0) & (side * across < 1.1 * width)
    near = (inside | border) & (np.abs(along) < 12.5 * PX_PER_MM)
    return Pattern(-inside.astype(np.float32), near.astype(np.float32))


def _darkness(image: Image) -> Image:
    """Correlation with a dark column, on the side where it fits less: the neck's edge has but one border."""
    best = np.full(image.shape, -1.0, np.float32)
    for left, right in _columns():
        np.maximum(best, np.minimum(correlate(image, left), correlate(image, right)), out=best)
    return best


def track_trachea(working: WorkingFilm, chest: ChestFit) -> Rows:
    """Follow the darkest column down the middle of the chest.

    Returns
    -------
    columns : ndarray, shape (rows of `working.upper`,)
        The trachea's middle in every row; below 38 % of the film it goes on straight.
    """
    import cv2

    height, width = working.image.shape
    top, bottom = round(0.02 * height), round(0.38 * height)
    part = level(working.image[: bottom + 40], 8.0 * PX_PER_MM)[:, working.central]
    dark = _darkness(part)[top:bottom]
    aside = (np.arange(working.central.start, working.central.stop) / width - chest.midline) / 0.07
    path, _ = heaviest_path(np.asarray(dark - 0.05 * aside**2, np.float32), 0.15, anywhere=False)
    smooth = cv2.GaussianBlur(path[:, 1].astype(np.float64)[:, None], (0, 0), 8.0 * PX_PER_MM)[:, 0]
    whole = np.pad(smooth, (top, len(working.upper) - bottom), mode="edge")
    return np.asarray(whole + working.central.start, np.float64)


# --- the fork ---------------------------------------------------------------------------------------------------


@cache
def _forks() -> tuple[Pattern, ...]:
    """Dark forks; the right main bronchus (left on the film) is the steeper one.

    The angles to the midline cover the published subcarinal angle of 78 +/- 20 degrees (docs/measurement.md).
    """
    return tuple(
        _fork(width * PX_PER_MM, right, left)
        for width in (13.0, 17.0, 21.0)
        for right in (25.0, 38.0, 52.0)
        for left in (35.0, 50.0)
    )


def _fork(width: float, right_deg: float, left_deg: float) -> Pattern:
    """Trachea above, two bronchi below; the carina is the middle of the pattern."""
    import cv2

    rows, columns = grid(2.6 * width)
    air = (rows < 0) & (np.abs(columns) < width / 2.0)
    for side, degrees in ((-1.0, right_deg), (1.0, left_deg)):
        along, outwards = turned(rows, side * columns, -degrees)
        bronchus = (outwards > 0.0) & (outwards < 0.75 * width) & (along > -0.4 * width) & (along < 2.2 * width)
        air |= bronchus & (side * columns > -0.2 * width)
    filled = air.astype(np.float32)
    near = (cv2.GaussianBlur(filled, (0, 0), 0.35 * width) > 0.12) & (np.hypot(rows, columns) < 2.5 * width)
    return Pattern(np.asarray(-cv2.GaussianBlur(filled, (0, 0), 1.5), np.float32), near.astype(np.float32))


SCORE_TEMPERATURE = 0.04
"""How fast a worse fit becomes less likely."""

FORK_ABOVE_CARINA_MM = 2.5
"""The fork pattern fits best above the true carina: by 1.5 mm on the projected CT (tests/outside), by about 4 mm
on open films marked by hand, by 10 mm on synthetic films; the middle of these."""


def find_carina(working: WorkingFilm, chest: ChestFit, trachea: Rows) -> Found:
    """Find the dark fork that fits best near the trachea's lower end.

    The fit, less what it costs to lie aside of the trachea and off the height to be expected, is taken
    as the logarithm of a probability; its spread gives the standard deviation. Its share within 10 mm, less where
    even the best fit is poor, becomes the confidence by a line between what synthetic films (less sure than right)
    and open films (about as sure as right) ask for.
    """
    height, _ = working.image.shape
    top, bottom = round(0.15 * height), round(0.58 * height)
    part = level(working.upper, 12.0 * PX_PER_MM)[:, working.central]
    fit = best_correlation(part, _forks())[top:bottom]
    rows = np.arange(top, bottom)[:, None].astype(np.float64)
    columns = np.arange(working.central.start, working.central.stop)[None, :].astype(np.float64)
    aside_mm = (columns - trachea[top:bottom, None]) / PX_PER_MM
    off_height = (rows / height - chest.carina_height) / 0.065
    score = fit - 0.075 * (aside_mm / 6.0) ** 2 - 0.075 * off_height**2
    row, column = np.unravel_index(int(score.argmax()), score.shape)
    likely = np.exp((score - score.max()) / SCORE_TEMPERATURE)
    likely /= likely.sum()
    square = (rows - rows[row]) ** 2 + (columns - columns[0, column]) ** 2
    within = float(likely[square <= (10.0 * PX_PER_MM) ** 2].sum())
    near = np.where(square <= (25.0 * PX_PER_MM) ** 2, likely, 0.0)
    sd = math.sqrt(float((near * square).sum() / near.sum()) / 2.0)
    evidence = within * _rises(float(fit[row, column]), 0.5, 0.05)
    confidence = _rises(1.0 + 0.35 * math.log((evidence + 1e-6) / (1.0 - evidence + 1e-6)), 0.0, 1.0)
    carina_row = float(rows[row, 0]) + FORK_ABOVE_CARINA_MM * PX_PER_MM
    return Found(carina_row, float(columns[0, column]), sd, confidence)


def _rises(value: float, middle: float, width: float) -> float:
    """Logistic curve."""
    return 1.0 / (1.0 + math.exp(-(value - middle) / width))


# --- the tube's line --------------------------------------------------------------------------------------------

LINE_WIDTH_PX = 1.3
LINE_LENGTH_PX = 5.0
DEEPEST_BELOW_CARINA_MM = 25.0
"""A line that goes on further below the carina is a stomach tube or a lead."""


SHORTEST_LINE_MM = 25.0
TIP_FROM_LINE_MM = (2.0, -4.0)
"""From the line's end to the tip, down and to the right of the film.

The line runs in the left wall or in front and the bevel faces left (common practice), so that the most distal
point lies lower and further to the patient's right. Less than half of what a tube of 10 to 11 mm with a bevel of
45 degrees and the line at the very left would give: the line may run elsewhere.
"""

TIP_FLOOR_MM = 4.0
"""Where the line's end is known, the tip still varies by this much on synthetic films: bevel, roll, line."""


@dataclass(frozen=True, slots=True)
class Line:
    """A bright line down the trachea: rows and columns of its course, from the top down."""

    path: NDArray[np.intp]

    @property
    def end(self) -> tuple[int, int]:
        """Row and column of its lower end."""
        return int(self.path[-1, 0]), int(self.path[-1, 1])

    @property
    def length_mm(self) -> float:
        """From the top down."""
        return float(self.path[-1, 0] - self.path[0, 0]) / PX_PER_MM


def lines_in_trachea(working: WorkingFilm, trachea: Rows, carina_row: float) -> Iterator[Line]:
    """Yield bright lines in the trachea, the longest and brightest first."""
    standing_out = bright_lines(working.upper, LINE_WIDTH_PX, LINE_LENGTH_PX)
    lowest = min(len(working.upper), round(carina_row + 2.0 * DEEPEST_BELOW_CARINA_MM * PX_PER_MM))
    aside_mm = (np.arange(working.image.shape[1])[None, :] - trachea[:lowest, None]) / PX_PER_MM
    gain = np.clip(standing_out[:lowest], -1.0, 4.0) - 1.0 - 0.5 * (aside_mm / 8.0) ** 2
    for _ in range(4):
        path, total = heaviest_path(np.asarray(gain, np.float32), 0.15, anywhere=True)
        if total <= 0.0:
            return
        yield Line(path)
        for shift in range(-2, 3):
            gain[path[:, 0], np.clip(path[:, 1] + shift, 0, gain.shape[1] - 1)] = -3.0


def find_tip(film: Film, working: WorkingFilm, trachea: Rows, carina: Found) -> Found | None:
    """Find the lower end of the tube's line; None where no line ends in the airway."""
    lowest = carina.row + DEEPEST_BELOW_CARINA_MM * PX_PER_MM
    # The first that will do, not the surest:
    # with four chances, false tubes on open films rise from 10 to 35 of 186.
    for line in lines_in_trachea(working, trachea, carina.row):
        if line.end[0] <= lowest and line.length_mm >= SHORTEST_LINE_MM:
            return _sharpened(film, working, line, trachea, carina)
    return None


STEP_MM = 0.25
ABOVE_MM, BELOW_MM = 20.0, 12.0


def _sharpened(film: Film, working: WorkingFilm, line: Line, trachea: Rows, carina: Found) -> Found:
    """Place the line's end on the film itself, where the line's contrast drops."""
    contrast, places = _contrast_along(film, working, line)
    steps = np.arange(len(contrast))
    margin = round(4.0 / STEP_MM)
    inside = steps[margin:-margin]
    above = np.cumsum(contrast)[inside - 1] / inside
    below = np.cumsum(contrast[::-1])[::-1][inside] / (len(contrast) - inside)
    # The least-squares step: the best place to cut the profile into two means.
    explained = np.where(
        above > below, inside * (len(contrast) - inside) / len(contrast) * (above - below) ** 2, 0.0
    )
    best = int(explained.argmax())
    noise = (float(((contrast - contrast.mean()) ** 2).sum()) - float(explained[best])) / len(contrast) + 1e-9
    # Neighbouring samples repeat each other over about a line's width.
    likely = np.exp((explained - explained[best]) / (2.0 * noise * 1.5 / STEP_MM))
    likely /= likely.sum()
    sd_mm = STEP_MM * math.sqrt(float((likely * (inside - inside[best]) ** 2).sum()))
    row, column = (places[inside[best]] + PX_PER_MM * np.array(TIP_FROM_LINE_MM)).tolist()
    confidence = _tip_confidence(
        drop=float(above[best] - below[best]) / math.sqrt(noise),
        rest=float(below[best] / (above[best] + 1e-4)),
        aside_mm=abs(float(np.interp(row, np.arange(len(trachea)), trachea)) - column) / PX_PER_MM,
        above_carina_mm=(carina.row - row) / PX_PER_MM,
    )
    return Found(row, column, PX_PER_MM * math.hypot(sd_mm, TIP_FLOOR_MM), confidence)


def _tip_confidence(*, drop: float, rest: float, aside_mm: float, above_carina_mm: float) -> float:
    """Probability that the end of a line is the tip of a tube, to within 10 mm.

    Parameters
    ----------
    drop : float
        Loss of contrast at the end, over the unsteadiness of the contrast.
    rest : float
        Contrast beyond the end as a share of that above.
    aside_mm, above_carina_mm : float
        Place relative to trachea and carina.

    Notes
    -----
    A logistic regression on 123 lines of synthetic and 90 of open films.
    """
    height = abs(above_carina_mm - 40.0) / 40.0
    evidence = 1.02 * min(drop, 4.0) - 1.14 * min(max(rest, -0.5), 1.0) - 0.166 * aside_mm - 1.85 * height - 1.23
    return _rises(evidence, 0.0, 1.0)


def _contrast_along(film: Film, working: WorkingFilm, line: Line) -> tuple[Rows, Rows]:
    """Return the line's contrast against both sides, on the full film, beyond its end too; and where."""
    import cv2

    last = line.path[-round(15.0 * PX_PER_MM) :].astype(np.float64)
    slope, _ = np.polyfit(last[:, 0], last[:, 1], 1)
    foot = last[-len(last) // 2 :].mean(axis=0)
    along = np.arange(-ABOVE_MM, BELOW_MM, STEP_MM) * PX_PER_MM / math.hypot(1.0, slope)
    rows = last[-1, 0] + along
    columns = foot[1] + slope * (rows - foot[0])
    across = np.arange(-5.0, 5.01, STEP_MM)
    sampled_rows = (rows[:, None] + 0.0 * across + 0.5) * working.row_scale - 0.5
    sampled_columns = (columns[:, None] + across * PX_PER_MM + 0.5) * working.column_scale - 0.5
    strip = cv2.remap(
        np.ascontiguousarray(film.pixels, np.float32),
        sampled_columns.astype(np.float32),
        sampled_rows.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    width = round(1.0 / STEP_MM)
    inner = cv2.blur(strip, (2 * width - 1, 1))
    sides = (np.roll(inner, 2 * width, axis=1) + np.roll(inner, -2 * width, axis=1)) / 2.0
    profile = (inner - sides)[:, 3 * width : -3 * width]
    upper = profile[: round(ABOVE_MM * 0.8 / STEP_MM)]
    column = int(upper.mean(axis=0).argmax())
    shift = across[3 * width : -3 * width][column] * PX_PER_MM
    return profile[:, column].astype(np.float64), np.column_stack([rows, columns + shift])
