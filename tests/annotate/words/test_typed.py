import pytest

from annotate.words.typed import age_years, mandible, number, pixel_mm, point
from measure.errors import MeasureError


@pytest.mark.parametrize(
    ("text", "years"),
    [("64", 64.0), ("64y", 64.0), ("18m", 1.5), ("10d", 10 / 365.25), ("6W", 42 / 365.25), ("1,5", 1.5)],
)
def test_age(text, years):
    assert age_years(text) == pytest.approx(years)


@pytest.mark.parametrize("text", ["", "old", "-3", "4 months"])
def test_an_age_that_is_none_says_what_is_expected(text):
    with pytest.raises(MeasureError, match="18m"):
        age_years(text)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("0.14", 0.14),
        ("0,143", 0.143),
        ("0.2,0.14", (0.2, 0.14)),
        ("0,2;0,14", (0.2, 0.14)),
        ("0.2;0.14", (0.2, 0.14)),
    ],
)
def test_pixel(text, mm):
    assert pixel_mm(text) == mm


@pytest.mark.parametrize("text", ["", "a", "1,2", "0,2,0,14", "0.1,0.2,0.3"])
def test_a_pixel_that_is_none_or_could_be_two_things(text):
    with pytest.raises(MeasureError, match="found"):
        pixel_mm(text)


@pytest.mark.parametrize(
    ("text", "at"),
    [
        ("812,1040.5", (812.0, 1040.5)),
        ("812,5", (812.0, 5.0)),
        ("812;1040", (812.0, 1040.0)),
        ("812,5;1040,25", (812.5, 1040.25)),
    ],
)
def test_point(text, at):
    assert point(text) == at


@pytest.mark.parametrize("text", ["812", "812,", "a,b", "1,2,3", "nan,1"])
def test_a_point_that_is_none(text):
    with pytest.raises(MeasureError, match="ROW,COL"):
        point(text)


@pytest.mark.parametrize(("text", "value"), [("22.5", 22.5), ("22,5", 22.5), ("-1", -1.0)])
def test_number(text, value):
    assert number(text) == value


@pytest.mark.parametrize("text", ["", "1.040,5", "1,2,3", "inf", "nan", "22 cm"])
def test_a_number_that_is_none(text):
    with pytest.raises(MeasureError, match="a number expected"):
        number(text)


def test_mandible():
    assert (mandible("c6"), mandible("Absent"), mandible("120,5")) == ("C6", "absent", 120.5)
