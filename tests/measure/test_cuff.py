"""Cuff pressures against the units' definitions, and the limits with their sources."""

import math

import pytest
import scipy.constants

from measure.cuff import (
    PASCAL_PER_UNIT,
    CuffFinding,
    CuffPressure,
    PressureUnit,
    convert_pressure,
    cuff_against_trachea,
    pressure_flag,
    tube_against_trachea,
)
from measure.errors import MeasureError
from measure.estimate import Estimate


def test_units_against_their_definitions() -> None:
    """Conventional density x standard gravity x height; scipy.constants for gravity and mmHg.

    scipy's mmHg is the torr (101 325 Pa / 760), which is smaller than the millimetre of mercury by 1 in 7 million.
    """
    water, mercury = 1000.0, 13595.1
    assert PASCAL_PER_UNIT[PressureUnit.CMH2O] == pytest.approx(water * scipy.constants.g * 0.01, rel=1e-12)
    assert PASCAL_PER_UNIT[PressureUnit.MMHG] == pytest.approx(scipy.constants.mmHg, rel=2e-7)
    assert PASCAL_PER_UNIT[PressureUnit.MMHG] == pytest.approx(mercury * scipy.constants.g * 0.001, rel=1e-10)
    assert PASCAL_PER_UNIT[PressureUnit.HPA] == scipy.constants.hecto
    assert PASCAL_PER_UNIT[PressureUnit.KPA] == scipy.constants.kilo


def test_thirty_centimetres_of_water_in_other_units() -> None:
    """30 cmH2O = 2941.995 Pa, so 22.07 mmHg (2941.995 / 133.322 = 22.067), 2.942 kPa, 29.42 hPa."""
    pressure = CuffPressure(30.0)
    assert pressure.to(PressureUnit.MMHG) == pytest.approx(22.067, abs=0.0005)
    assert pressure.to(PressureUnit.KPA) == pytest.approx(2.941995)
    assert pressure.to(PressureUnit.HPA) == pytest.approx(29.41995)


@pytest.mark.parametrize("unit", list(PressureUnit))
def test_there_and_back(unit: PressureUnit) -> None:
    back = convert_pressure(convert_pressure(25.0, PressureUnit.CMH2O, unit), unit, PressureUnit.CMH2O)
    assert back == pytest.approx(25.0, rel=1e-14)


@pytest.mark.parametrize(
    ("text", "cmh2o"),
    [
        ("25", 25.0),
        ("25 cmH2O", 25.0),
        (" 25cmh2o ", 25.0),
        ("25 cm H2O", 25.0),
        ("25 cm[H2O]", 25.0),
        ("25 cmH₂O", 25.0),
        ("2.4 kPa", 2400.0 / 98.0665),
        ("2,4 kPa", 2400.0 / 98.0665),
        ("22 mmHg", 22.0 * 133.322387415 / 98.0665),
        ("25 hPa", 2500.0 / 98.0665),
        ("25 mbar", 2500.0 / 98.0665),
    ],
)
def test_parse(text: str, cmh2o: float) -> None:
    assert CuffPressure.parse(text).cmh2o == pytest.approx(cmh2o)


@pytest.mark.parametrize(
    "text", ["", "kPa", "25 psi", "twenty", "25 kPa kPa", "nan", "1e3", "25 cmH2O 3", "2.4.1 kPa"]
)
def test_parse_refuses_what_is_no_pressure(text: str) -> None:
    with pytest.raises(MeasureError, match="a number and a unit"):
        CuffPressure.parse(text)


@pytest.mark.parametrize("text", ["-5 cmH2O", "25 kPa", "2500"])
def test_parse_refuses_what_no_manometer_shows(text: str) -> None:
    with pytest.raises(MeasureError, match="check the unit"):
        CuffPressure.parse(text)


@pytest.mark.parametrize("value", [math.nan, math.inf, -0.1])
def test_pressure_is_finite_and_not_negative(value: float) -> None:
    with pytest.raises(MeasureError):
        CuffPressure(value)


@pytest.mark.parametrize(
    ("cmh2o", "finding"),
    [
        (0.0, CuffFinding.PRESSURE_LOW),
        (19.9, CuffFinding.PRESSURE_LOW),
        (20.0, None),
        (25.0, None),
        (30.0, None),
        (30.04, None),
        (30.1, CuffFinding.PRESSURE_HIGH),
        (50.0, CuffFinding.PRESSURE_HIGH),
        (50.1, CuffFinding.PRESSURE_VERY_HIGH),
        (120.0, CuffFinding.PRESSURE_VERY_HIGH),
    ],
)
def test_pressure_limits(cmh2o: float, finding: CuffFinding | None) -> None:
    """20 to 30 cmH2O recommended; mucosal flow at risk above 30 and stopped above 50 (common practice)."""
    flag = pressure_flag(CuffPressure(cmh2o))
    assert (flag and flag.finding) == finding
    if flag is not None:
        assert f"{cmh2o:g} cmH2O" in flag.message
        assert flag.source == "common practice"


@pytest.mark.parametrize(("cuff", "flagged"), [(20.0, False), (27.0, False), (27.5, True), (36.0, True)])
def test_cuff_width_is_flagged_above_one_and_a_half(cuff: float, flagged: bool) -> None:
    check = cuff_against_trachea(Estimate(cuff, 0.5), Estimate(18.0, 0.5))
    assert check.ratio.value == pytest.approx(cuff / 18.0)
    assert check.ratio.sd == pytest.approx(cuff / 18.0 * math.hypot(0.5 / cuff, 0.5 / 18.0))
    assert (check.flag is not None) is flagged


@pytest.mark.parametrize(
    ("outside", "finding"),
    [
        (8.0, CuffFinding.TUBE_NARROW),
        (9.0, None),
        (11.0, None),
        (12.0, None),
        (13.0, CuffFinding.TUBE_WIDE),
        (18.0, CuffFinding.WIDTHS_CONTRADICT),
    ],
)
def test_tube_against_an_18_mm_trachea(outside: float, finding: CuffFinding | None) -> None:
    flag = tube_against_trachea(Estimate(outside), Estimate(18.0)).flag
    assert (flag and flag.finding) == finding


@pytest.mark.parametrize(("width", "trachea"), [(0.0, 18.0), (20.0, 0.0), (-3.0, 18.0)])
def test_widths_must_be_positive(width: float, trachea: float) -> None:
    for check in (cuff_against_trachea, tube_against_trachea):
        with pytest.raises(MeasureError, match="two positive widths"):
            check(Estimate(width), Estimate(trachea))
