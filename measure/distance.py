"""How far the tip lies above the carina, with the error that the marks and the spacing bring in.

All lengths are signed: positive where the tip lies above the carina, negative where it lies below.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.estimate import Estimate, uniform
from measure.landmarks import Landmark
from measure.magnification import Magnification
from measure.spacing import Plane, Spacing

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Heights:
    """The tip's height above the carina, measured in three ways, in cm.

    Parameters
    ----------
    along : Estimate
        Along the tracheal axis: its path where that is marked, else up the film.
    straight : Estimate
        From point to point.
    vertical : Estimate
        Down the film.
    aside : Estimate
        How far the tip lies beside that axis.
    follows_path : bool
        True where `along` was measured on a marked path.
    """

    along: Estimate
    straight: Estimate
    vertical: Estimate
    aside: Estimate
    follows_path: bool

    def times(self, factor: Estimate) -> Heights:
        """All lengths, each multiplied by an independent factor."""
        return Heights(
            self.along.times(factor),
            self.straight.times(factor),
            self.vertical.times(factor),
            self.aside.times(factor),
            self.follows_path,
        )


def heights_at_spacing(
    tip: Landmark, carina: Landmark, spacing: Spacing, airway_path: tuple[Landmark, ...] = ()
) -> Heights:
    """Heights of the tip above the carina in the plane where the spacing holds.

    Parameters
    ----------
    tip, carina : Landmark
        The two points.
    spacing : Spacing
        Its relative standard deviation goes into every height.
    airway_path : tuple of Landmark
        Points on the tracheal midline, top down; the carina is its end and need not be repeated.

    Notes
    -----
    First order in the marks' standard deviations. Errors of the path's points are left out: they move the
    path sideways, which changes its length to second order only.
    """
    tip_mm, carina_mm = _position_mm(tip, spacing), _position_mm(carina, spacing)
    down, across = np.array([1.0, 0.0]), np.array([0.0, 1.0])
    vertical = _with_marks(float(carina_mm[0] - tip_mm[0]), tip, carina, down, down, spacing)
    straight = _straight(tip_mm, carina_mm, vertical, tip, carina, spacing)
    path = [_position_mm(point, spacing) for point in airway_path if point.row < carina.row]
    aside = _with_marks(abs(float(carina_mm[1] - tip_mm[1])), tip, carina, across, across, spacing)
    along = vertical
    if path and vertical.value > 0.0:
        length, away, at_tip, at_carina = _along([*path, carina_mm], tip_mm)
        along = _with_marks(length, tip, carina, at_tip, at_carina, spacing)
        aside = Estimate(away, aside.sd)
    scale = Estimate(0.1, 0.1 * spacing.relative_sd)
    return Heights(
        along.times(scale), straight.times(scale), vertical.times(scale), aside.times(scale), along is not vertical
    )


def film_per_measured(plane: Plane, magnification: Magnification) -> Estimate:
    """Length on the detector plane for a length measured where the spacing holds.

    Where that plane is not known, anything from no correction to the whole magnification is held possible.
    """
    match plane:
        case Plane.DETECTOR:
            return Estimate(1.0)
        case Plane.PATIENT:
            return magnification.factor
        case Plane.UNKNOWN:
            return uniform(1.0, magnification.factor.high)


def patient_per_measured(plane: Plane, magnification: Magnification) -> Estimate:
    """Length at the trachea's depth, parallel to the detector, for a length measured where the spacing holds."""
    match plane:
        case Plane.DETECTOR:
            return Estimate(1.0).over(magnification.factor)
        case Plane.PATIENT:
            return Estimate(1.0)
        case Plane.UNKNOWN:
            return Estimate(1.0).over(uniform(1.0, magnification.factor.high))


def distance_mm(a: Landmark, b: Landmark, spacing: Spacing) -> Estimate:
    """Straight distance between two points in the plane where the spacing holds."""
    gap = _position_mm(b, spacing) - _position_mm(a, spacing)
    length = float(np.hypot(*gap))
    direction = gap / length if length > 0.0 else np.array([0.0, 1.0])
    measured = _with_marks(length, a, b, direction, direction, spacing)
    return measured.times(Estimate(1.0, spacing.relative_sd))


def _position_mm(point: Landmark, spacing: Spacing) -> Vector:
    return np.array([point.row * spacing.row_mm, point.column * spacing.column_mm])


def _with_marks(
    length_mm: float, a: Landmark, b: Landmark, along_a: Vector, along_b: Vector, spacing: Spacing
) -> Estimate:
    """A length in mm with the standard deviation of its two ends along the given unit directions."""
    pixel = np.array([spacing.row_mm, spacing.column_mm])
    sd_a, sd_b = a.sd_px * np.hypot(*(along_a * pixel)), b.sd_px * np.hypot(*(along_b * pixel))
    return Estimate(length_mm, math.hypot(sd_a, sd_b))


def _straight(
    tip_mm: Vector, carina_mm: Vector, vertical: Estimate, tip: Landmark, carina: Landmark, spacing: Spacing
) -> Estimate:
    """Signed straight distance; where the sign itself is in doubt, that doubt widens it."""
    gap = carina_mm - tip_mm
    length = float(np.hypot(*gap))
    direction = gap / length if length > 0.0 else np.array([1.0, 0.0])
    measured = _with_marks(length, tip, carina, direction, direction, spacing)
    below = vertical.probability_below(Estimate(0.0))
    sign_sd = 2.0 * length * math.sqrt(below * (1.0 - below))
    return Estimate(math.copysign(length, vertical.value), math.hypot(measured.sd, sign_sd))


def _along(path: list[Vector], tip_mm: Vector) -> tuple[float, float, Vector, Vector]:
    """Arc length from the tip's foot on the path to the path's end, the tip's way to it, the directions at both
    ends.

    Above its first point the path is continued straight.
    """
    points = np.array(path)
    steps = np.diff(points, axis=0)
    keep = np.hypot(steps[:, 0], steps[:, 1]) > 0.0
    starts, steps = points[:-1][keep], steps[keep]
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    directions = steps / lengths[:, None]
    along = np.einsum("ij,ij->i", tip_mm - starts, directions)
    lowest = np.zeros_like(along)
    lowest[0] = -np.inf
    foot = np.clip(along, lowest, lengths)
    away = np.hypot(*(starts + foot[:, None] * directions - tip_mm).T)
    nearest = int(np.argmin(away))
    remaining = float(lengths[nearest:].sum() - foot[nearest])
    return remaining, float(away[nearest]), directions[nearest], directions[-1]
