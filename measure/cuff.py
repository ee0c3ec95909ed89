"""The cuff: its pressure in any unit, and widths of cuff and tube against the trachea's."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from measure.errors import MeasureError
from measure.estimate import Estimate


class PressureUnit(StrEnum):
    """Units that cuff manometers are marked in."""

    CMH2O = "cmH2O"
    MMHG = "mmHg"
    KPA = "kPa"
    HPA = "hPa"


PASCAL_PER_UNIT = MappingProxyType(
    {
        PressureUnit.CMH2O: 98.0665,
        PressureUnit.MMHG: 133.322387415,
        PressureUnit.KPA: 1000.0,
        PressureUnit.HPA: 100.0,
    }
)
"""Definitions: conventional centimetre of water (1000 kg/m3 x 9.80665 m/s2 x 1 cm) and millimetre of mercury
(13 595.1 kg/m3 x 9.80665 m/s2 x 1 mm)."""

LOWEST_CMH2O = 20.0
HIGHEST_CMH2O = 30.0
"""Recommended range of the cuff pressure. Source: common practice."""

FLOW_STOPS_CMH2O = 50.0
"""Above it mucosal blood flow is taken to stop. Source: common practice."""

LARGEST_READING_CMH2O = 200.0
"""No manometer for cuffs reads higher; ours: a larger number is in another unit than stated."""

SHOWN_DECIMALS = 1
"""Pressures are shown and judged to 0.1 cmH2O, so that 22.1 mmHg is 30.0 cmH2O and not above it; ours."""

CUFF_WIDTH_RATIO = 1.5
"""Cuff over tracheal width quoted as a risk. Source: memory; flagged, not graded."""

TUBE_WIDTH_SHARE = (1.0 / 2.0, 2.0 / 3.0)
"""Tube over tracheal width usually taught as fitting. Source: memory; flagged, not graded."""

_UNIT_SPELLINGS = MappingProxyType(
    {
        "": PressureUnit.CMH2O,
        "cmh2o": PressureUnit.CMH2O,
        "mmhg": PressureUnit.MMHG,
        "kpa": PressureUnit.KPA,
        "hpa": PressureUnit.HPA,
        "mbar": PressureUnit.HPA,
    }
)
_PRESSURE = re.compile(r"([+-]?\d+(?:[.,]\d+)?)\s*(.*)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class CuffPressure:
    """A measured cuff pressure.

    Parameters
    ----------
    cmh2o : float
        Pressure in conventional centimetres of water.

    Raises
    ------
    MeasureError
        Where no cuff manometer can show it.
    """

    cmh2o: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.cmh2o) and 0.0 <= self.cmh2o <= LARGEST_READING_CMH2O):
            raise MeasureError(
                f"cuff pressure: {self.cmh2o:g} cmH2O found, 0 to {LARGEST_READING_CMH2O:g} expected; "
                "check the unit (cmH2O, mmHg, kPa, hPa)."
            )

    @classmethod
    def of(cls, value: float, unit: PressureUnit) -> CuffPressure:
        """A pressure from a value in any unit."""
        return cls(convert_pressure(value, unit, PressureUnit.CMH2O))

    @classmethod
    def parse(cls, text: str) -> CuffPressure:
        """A pressure from words such as "25", "25 cmH2O" or "2.4 kPa"; cmH2O where no unit is given.

        Raises
        ------
        MeasureError
            Where the words are not a number with a known unit, or the pressure is not believable.
        """
        found = _PRESSURE.fullmatch(text.strip())
        spelling = re.sub(r"[\s\[\]]", "", found.group(2)).replace("₂", "2").lower() if found else ""
        if found is None or spelling not in _UNIT_SPELLINGS:
            raise MeasureError(
                f"cuff pressure: {text!r} found, a number and a unit expected "
                "(cmH2O, mmHg, kPa or hPa), for instance '25 cmH2O'."
            )
        return cls.of(float(found.group(1).replace(",", ".")), _UNIT_SPELLINGS[spelling])

    def to(self, unit: PressureUnit) -> float:
        """The same pressure in another unit."""
        return convert_pressure(self.cmh2o, PressureUnit.CMH2O, unit)


def convert_pressure(value: float, unit: PressureUnit, to: PressureUnit) -> float:
    """A pressure in another unit, by the units' definitions (`PASCAL_PER_UNIT`)."""
    return value * PASCAL_PER_UNIT[unit] / PASCAL_PER_UNIT[to]


class CuffFinding(StrEnum):
    """What can be remarkable about a cuff's pressure, or about widths against the trachea's."""

    PRESSURE_LOW = "cuff pressure low"
    PRESSURE_HIGH = "cuff pressure high"
    PRESSURE_VERY_HIGH = "cuff pressure very high"
    CUFF_WIDE = "cuff wide for the trachea"
    TUBE_WIDE = "tube wide for the trachea"
    TUBE_NARROW = "tube narrow for the trachea"
    WIDTHS_CONTRADICT = "tube wider than the trachea"


@dataclass(frozen=True, slots=True)
class CuffFlag:
    """One remarkable thing, in plain words, and the source of the limit."""

    finding: CuffFinding
    message: str
    source: str


@dataclass(frozen=True, slots=True)
class WidthCheck:
    """A width over the tracheal width, and a flag where it is remarkable."""

    ratio: Estimate
    flag: CuffFlag | None


def pressure_flag(pressure: CuffPressure) -> CuffFlag | None:
    """The gravest flag on a cuff pressure, or None between 20 and 30 cmH2O, both included.

    Source: common practice.
    """
    shown = round(pressure.cmh2o, SHOWN_DECIMALS)
    said = f"Cuff pressure {shown:g} cmH2O"
    practice = "common practice"
    if shown > FLOW_STOPS_CMH2O:
        words = (
            f"{said} is above {FLOW_STOPS_CMH2O:g}: blood flow in the tracheal mucosa is likely stopped; "
            "lower it now."
        )
        return CuffFlag(CuffFinding.PRESSURE_VERY_HIGH, words, practice)
    if shown > HIGHEST_CMH2O:
        words = f"{said} is above {HIGHEST_CMH2O:g}: blood flow in the tracheal mucosa is at risk; lower it."
        return CuffFlag(CuffFinding.PRESSURE_HIGH, words, practice)
    if shown < LOWEST_CMH2O:
        words = f"{said} is below {LOWEST_CMH2O:g}: the cuff may leak and let secretions past; check it."
        return CuffFlag(CuffFinding.PRESSURE_LOW, words, practice)
    return None


def _ratio(name: str, width_mm: Estimate, trachea_mm: Estimate) -> Estimate:
    if not (width_mm.value > 0.0 and trachea_mm.value > 0.0):
        raise MeasureError(
            f"widths: {name} {width_mm.value:g} mm and trachea {trachea_mm.value:g} mm found, "
            "two positive widths expected; mark both borders of each at the same level."
        )
    return width_mm.over(trachea_mm)


def cuff_against_trachea(cuff_width_mm: Estimate, trachea_width_mm: Estimate) -> WidthCheck:
    """Width of the inflated cuff over the width of the trachea, both in mm in the same plane.

    Flagged above 1.5 (memory: flagged, not graded).

    Raises
    ------
    MeasureError
        Where a width is not positive.
    """
    ratio = _ratio("cuff", cuff_width_mm, trachea_width_mm)
    if ratio.value <= CUFF_WIDTH_RATIO:
        return WidthCheck(ratio, None)
    words = (
        f"The cuff is {ratio.value:.1f} times as wide as the trachea (above {CUFF_WIDTH_RATIO:g}): "
        "it may be over-inflated; measure its pressure."
    )
    return WidthCheck(ratio, CuffFlag(CuffFinding.CUFF_WIDE, words, "memory"))


def tube_against_trachea(tube_outside_mm: Estimate, trachea_width_mm: Estimate) -> WidthCheck:
    """Outside diameter of the tube over the width of the trachea, both in mm in the patient.

    Flagged below a half and above two thirds (memory: flagged, not graded), and as a contradiction from 1
    upwards: a tube cannot be wider than the trachea that it lies in.

    Raises
    ------
    MeasureError
        Where a width is not positive.
    """
    ratio = _ratio("tube", tube_outside_mm, trachea_width_mm)
    low, high = TUBE_WIDTH_SHARE
    said = f"The tube's outside diameter is {ratio.value:.2f} of the tracheal width"
    if ratio.value >= 1.0:
        words = f"{said}: not possible; check the marked borders, the spacing and the tube's diameter."
        return WidthCheck(ratio, CuffFlag(CuffFinding.WIDTHS_CONTRADICT, words, "geometry"))
    if ratio.value > high:
        words = f"{said}, above two thirds: the tube may be large for this trachea."
        return WidthCheck(ratio, CuffFlag(CuffFinding.TUBE_WIDE, words, "memory"))
    if ratio.value < low:
        words = f"{said}, below a half: the tube may be small for this trachea."
        return WidthCheck(ratio, CuffFlag(CuffFinding.TUBE_NARROW, words, "memory"))
    return WidthCheck(ratio, None)
