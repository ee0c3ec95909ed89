"""The tube as an object: its size, its outside diameter, and where its cuff begins."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from measure.errors import MeasureError
from measure.estimate import Estimate, uniform

SIZE_LIMITS_MM = (2.0, 11.0)
"""Smallest and largest inside diameter made. Source: common practice."""

MEASURED_SIZE_MM = 8.0
WALL_MM = (1.14, 2.37)
BEVEL_ANGLE_DEG = (39.0, 56.0)
BEVEL_TO_CUFF_MM = (15.4, 24.4)
CUFF_LENGTH_MM = (29.7, 45.3)
"""Smallest and largest measured on cuffed tubes of size 8.

Wall thickness; angle of the bevel (taken as the angle to the tube's long axis, as ISO 5361 defines it:
memory); from the bevel's proximal end to the cuff; length of the cuff.
Source: Cuffed tracheal tubes, physical and behavioural characteristics, PubMed 7198412 (seen).
"""

PRINTED_DIAMETER_SD_MM = 0.1
"""Standard deviation of the outside diameter printed on a tube; ours: it is printed to 0.1 mm."""

THICKEST_WALL_MM = 3.0
"""No tube's wall is thicker, armoured ones included; ours."""

OUTSIDE_DIAMETER_LIMITS_MM = (SIZE_LIMITS_MM[0], SIZE_LIMITS_MM[1] + 2.0 * THICKEST_WALL_MM)
"""Smallest and largest outside diameter that is believed; follows from the two limits above."""

LONGEST_CUFF_EDGE_CM = 15.0
"""A user's own distance from tip to cuff edge is not believed above this; ours."""


class TubeKind(StrEnum):
    """Kinds of tube that a film may show in the airway."""

    SINGLE_LUMEN = "single-lumen"
    REINFORCED = "reinforced"
    DOUBLE_LUMEN = "double-lumen"
    TRACHEOSTOMY = "tracheostomy"


@dataclass(frozen=True, slots=True)
class Tube:
    """A tracheal tube; None where not known.

    Parameters
    ----------
    size_mm : float
        Inside diameter, the number printed large on the tube.
    outside_diameter_mm : float
        Outside diameter as printed on the tube.
    cuff_upper_from_tip_cm : Estimate
        The user's own distance from the tip to the cuff's upper edge; takes the place of the estimate.
    kind : TubeKind
        Single-lumen unless told otherwise.

    Raises
    ------
    MeasureError
        Where a value is not believable, or the two diameters contradict each other.
    """

    size_mm: float | None = None
    outside_diameter_mm: float | None = None
    cuff_upper_from_tip_cm: Estimate | None = None
    kind: TubeKind = TubeKind.SINGLE_LUMEN

    def __post_init__(self) -> None:
        _check_within("tube size", self.size_mm, SIZE_LIMITS_MM, "mm")
        _check_within("tube outside diameter", self.outside_diameter_mm, OUTSIDE_DIAMETER_LIMITS_MM, "mm")
        _check_wall(self.size_mm, self.outside_diameter_mm)
        if self.cuff_upper_from_tip_cm is not None:
            own = self.cuff_upper_from_tip_cm
            _check_within("cuff's upper edge above the tip", own.value, (0.0, LONGEST_CUFF_EDGE_CM), "cm")


def _check_within(name: str, value: float | None, limits: tuple[float, float], unit: str) -> None:
    if value is None:
        return
    low, high = limits
    if not (math.isfinite(value) and low <= value <= high):
        raise MeasureError(
            f"{name}: {value:g} {unit} found, {low:.1f} to {high:.1f} {unit} expected; "
            "read it from the tube, or leave it out."
        )


def _check_wall(size_mm: float | None, outside_mm: float | None) -> None:
    if size_mm is None or outside_mm is None:
        return
    if not size_mm < outside_mm <= size_mm + 2.0 * THICKEST_WALL_MM:
        raise MeasureError(
            f"tube: size {size_mm:g} mm with outside diameter {outside_mm:g} mm found, an outside diameter "
            f"above {size_mm:g} and up to {size_mm + 2.0 * THICKEST_WALL_MM:g} mm expected; "
            "read both from the tube."
        )


def _outside_per_size() -> Estimate:
    """Outside over inside diameter: size 8 with its measured walls, in the same proportion at all sizes."""
    low, high = (1.0 + 2.0 * wall / MEASURED_SIZE_MM for wall in WALL_MM)
    return uniform(low, high)


def outside_diameter_estimate_mm(tube: Tube) -> Estimate | None:
    """Outside diameter: as printed on the tube, else from the size, else None.

    From the size: size + 2 walls, the wall anywhere between the thinnest and thickest measured at size 8
    (1.14 to 2.37 mm), in proportion to the size at others (ours). At size 8 that is 10.3 to 12.7 mm, in
    keeping with the difference of up to 2 mm between makes.

    Sources: PubMed 7198412; Ezri T et al. Anesth Analg 2004; Gupta & Gupta Korean J Anesthesiol 2019;72(1)
    (seen).
    """
    if tube.outside_diameter_mm is not None:
        return Estimate(tube.outside_diameter_mm, PRINTED_DIAMETER_SD_MM)
    if tube.size_mm is None:
        return None
    return Estimate(tube.size_mm).times(_outside_per_size())


def _size_mm(tube: Tube) -> Estimate | None:
    if tube.size_mm is not None:
        return Estimate(tube.size_mm)
    if tube.outside_diameter_mm is None:
        return None
    return Estimate(tube.outside_diameter_mm, PRINTED_DIAMETER_SD_MM).over(_outside_per_size())


def _bevel_length_per_diameter() -> Estimate:
    """Mean and standard deviation of the cotangent of a uniform bevel angle, in closed form."""
    low, high = (math.radians(angle) for angle in BEVEL_ANGLE_DEG)
    mean = math.log(math.sin(high) / math.sin(low)) / (high - low)
    mean_square = (1.0 / math.tan(low) - 1.0 / math.tan(high)) / (high - low) - 1.0
    return Estimate(mean, math.sqrt(mean_square - mean**2))


def cuff_upper_edge_from_tip_cm(tube: Tube) -> Estimate | None:
    """Distance from the tip to the cuff's upper edge, along the tube; None where nothing about it is known.

    The user's own value where given. Else the bevel's length (outside diameter x cotangent of its angle),
    plus bevel's end to cuff, plus the cuff's length; each anywhere between the extremes measured at size 8
    and independent of the others. The last two are in proportion to the size at other sizes (ours); where
    only the outside diameter is known, the size follows from it with the spread of the wall.

    Source: PubMed 7198412 (seen).
    """
    if tube.cuff_upper_from_tip_cm is not None:
        return tube.cuff_upper_from_tip_cm
    outside_mm, size_mm = outside_diameter_estimate_mm(tube), _size_mm(tube)
    if outside_mm is None or size_mm is None:
        return None
    bevel_mm = outside_mm.times(_bevel_length_per_diameter())
    shaft_at_8_mm = uniform(*BEVEL_TO_CUFF_MM).plus(uniform(*CUFF_LENGTH_MM))
    share = Estimate(size_mm.value / MEASURED_SIZE_MM, size_mm.sd / MEASURED_SIZE_MM)
    total_mm = bevel_mm.plus(shaft_at_8_mm.times(share))
    return Estimate(total_mm.value / 10.0, total_mm.sd / 10.0)
