"""The airway as a ruler in cm above the carina, and the stretch of it where the tip should lie."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from imaging.film import Film
from measure.accepted_range import AcceptedRange
from measure.distance import film_per_measured
from measure.reading import Reading
from measure.spacing import Spacing

RULER_CM = 10
TELLS_DIRECTION_CM = 3.0
"""A tip lower than this does not tell where the trachea comes from: the ruler then stands upright (ours)."""

ZONE_HALF_WIDTH_CM = 1.2
ZONE_POINTS = 20

Position = tuple[float, float]
Places = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Ruler:
    """Points on the airway at whole centimetres above the carina, and the path between."""

    rows: tuple[float, ...]
    columns: tuple[float, ...]
    heights_cm: tuple[float, ...]

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
    carina, inputs = reading.landmarks.carina, reading.inputs
    spacing = inputs.spacing if film.spacing is None and rough and inputs is not None else film.spacing
    if spacing is None or carina is None or reading.distance is None:
        return None
    cm = 0.1 * film_per_measured(spacing.plane, film.magnification).value
    path = [carina, *reversed([p for p in reading.landmarks.airway_path if p.row < carina.row])]
    tip = reading.landmarks.tip
    if len(path) == 1 and tip is not None and reading.distance.vertical_on_film.value > TELLS_DIRECTION_CM:
        path.append(tip)
    rows, columns = [p.row for p in path], [p.column for p in path]
    if len(path) == 1:
        rows, columns = [*rows, carina.row - 1.0], [*columns, carina.column]
    heights = list(_heights_cm(rows, columns, spacing, cm))
    if heights[-1] < RULER_CM:
        beyond = (RULER_CM - heights[-2]) / (heights[-1] - heights[-2])
        rows[-1] = rows[-2] + beyond * (rows[-1] - rows[-2])
        columns[-1] = columns[-2] + beyond * (columns[-1] - columns[-2])
        heights[-1] = float(RULER_CM)
    return Ruler(tuple(rows), tuple(columns), tuple(heights))


def _heights_cm(rows: Sequence[float], columns: Sequence[float], spacing: Spacing, cm: float) -> Iterator[float]:
    height = 0.0
    yield height
    for i in range(1, len(rows)):
        down = (rows[i] - rows[i - 1]) * spacing.row_mm
        across = (columns[i] - columns[i - 1]) * spacing.column_mm
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
    aside = np.array([0.0, ZONE_HALF_WIDTH_CM * math.hypot(down * pixel_aspect, across)])
    return Zone(middle - aside, middle, middle + aside)
