import argparse

import pytest

from annotate.words.typed import age_years, pixel_mm


@pytest.mark.parametrize(
    ("text", "years"), [("64", 64.0), ("64y", 64.0), ("18m", 1.5), ("10d", 10 / 365.25), ("6W", 42 / 365.25)]
)
def test_age(text, years):
    assert age_years(text) == pytest.approx(years)


@pytest.mark.parametrize("text", ["", "old", "-3", "4 months"])
def test_an_age_that_is_none_says_what_is_expected(text):
    with pytest.raises(argparse.ArgumentTypeError, match="18m"):
        age_years(text)


def test_pixel():
    assert pixel_mm("0.14") == 0.14
    assert pixel_mm("0.2,0.14") == (0.2, 0.14)
