"""The airway as a ruler in cm above the carina, and the stretch of it where the tip should lie."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from imaging.film import Film
from measure.accepted_range import AcceptedRange
from measure.distance import film_per_measured
from measure.landmarks import Landmark
from measure.reading import Reading
from measure.spacing import Spacing
from measure.turning import turned_landmark, turned_landmarks, turned_shape, turned_spacing

RULER_CM = 10
TELLS_DIRECTION_CM = 3.0
"""A tip lower than this does not tell where the trachea comes from: the ruler then stands upright (ours)."""

ZONE_HALF_WIDTH_CM = 1.2
ZONE_POINTS = 20

Position = tuple[float, float]
Places = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Ruler:
    """Points on the airway at whole centimetres above the carina, and the path between; of a film as it lies."""

    rows: tuple[float, ...]
    columns: tuple[float, ...]
    heights_cm: tuple[float, ...]
    on_its_side: bool = False

    def at(self, height_cm: float) -> Position:
        """Row and column at a height above the carina."""
        row = float(np.interp(height_cm, self.heights_cm, self.rows))
        return row, float(np.interp(height_cm, self.heights_cm, self.columns))


@dataclass(frozen=True, slots=True)
class Zone:
    """Where the tip should lie: a band's sides and middle, each (ZONE_POINTS, 2), row and column."""

    left: Places
    middle: Places
    right: Places


def airway_ruler(film: Film, reading: Reading, rough: bool = False) -> Ruler | None:
    """The airway upwards from the carina, in cm on the film; None where there is nothing to measure along.

    Parameters
    ----------
    film : Film
    reading : Reading
    rough : bool
        Whether a rough scale from anatomy is enough; who draws such a ruler calls it rough.
    """
    if reading.inputs is None or reading.distance is None:
        return None
    spacing = reading.inputs.spacing if film.spacing is None and rough else film.spacing
    turns, shape = reading.inputs.quarter_turns, film.shape
    marks = turned_landmarks(reading.landmarks, shape, turns)
    if spacing is None or marks.carina is None:
        return None
    cm = 0.1 * film_per_measured(spacing.plane, film.magnification).value
    path = [marks.carina, *reversed([p for p in marks.airway_path if p.row < marks.carina.row])]
    if len(path) == 1 and marks.tip and reading.distance.vertical_on_film.value > TELLS_DIRECTION_CM:
        path.append(marks.tip)
    if len(path) == 1:
        path.append(replace(marks.carina, row=marks.carina.row - 1.0))
    heights = list(_heights_cm(path, turned_spacing(spacing, turns), cm))
    if heights[-1] < RULER_CM:
        beyond = (RULER_CM - heights[-2]) / (heights[-1] - heights[-2])
        last, before = path[-1], path[-2]
        path[-1] = replace(
            last,
            row=before.row + beyond * (last.row - before.row),
            column=before.column + beyond * (last.column - before.column),
        )
        heights[-1] = float(RULER_CM)
    there = [turned_landmark(point, turned_shape(shape, turns), -turns) for point in path]
    return Ruler(
        tuple(point.row for point in there),
        tuple(point.column for point in there),
        tuple(heights),
        on_its_side=turns % 2 == 1,
    )


def _heights_cm(path: Sequence[Landmark], spacing: Spacing, cm: float) -> Iterator[float]:
    height = 0.0
    yield height
    for one, other in pairwise(path):
        down = (other.row - one.row) * spacing.row_mm
        across = (other.column - one.column) * spacing.column_mm
        height += cm * math.hypot(down, across)
        yield height


def accepted_zone(ruler: Ruler, accepted: AcceptedRange, pixel_aspect: float) -> Zone:
    """The accepted range as a band round the ruler.

    Parameters
    ----------
    ruler : Ruler
        Along the airway.
    accepted : AcceptedRange
        What the Reading was held against.
    pixel_aspect : float
        Row spacing over column spacing.
    """
    low, high = max(accepted.low_cm.value, 0.0), min(accepted.high_cm.value, float(RULER_CM))
    middle = np.array([ruler.at(height) for height in np.linspace(low, high, ZONE_POINTS)])
    down, across = np.subtract(ruler.at(1.0), ruler.at(0.0))
    half_px = ZONE_HALF_WIDTH_CM * math.hypot(down * pixel_aspect, across)
    aside = np.array([half_px / pixel_aspect, 0.0] if ruler.on_its_side else [0.0, half_px])
    return Zone(middle - aside, middle, middle + aside)
