"""What people type, on the command line or in the form, turned into values."""

from __future__ import annotations

import argparse
import re

from measure.case import ABSENT
from measure.errors import MeasureError
from measure.landmarks import VERTEBRAE

MONTHS_PER_YEAR = 12.0
WEEKS_PER_YEAR = 365.25 / 7.0
DAYS_PER_YEAR = 365.25
AGE_UNITS = {"": 1.0, "y": 1.0, "m": MONTHS_PER_YEAR, "w": WEEKS_PER_YEAR, "d": DAYS_PER_YEAR}


def age_years(text: str) -> float:
    """Age from "64", "64y", "18m", "6w" or "10d"."""
    found = re.fullmatch(r"(\d+(?:\.\d+)?)([ymwd]?)", text.strip().lower())
    if found is None:
        raise argparse.ArgumentTypeError(
            f"{text!r} found, an age expected: 64 (years), 18m (months), 6w (weeks) or 10d (days)"
        )
    return float(found.group(1)) / AGE_UNITS[found.group(2)]


def pixel_mm(text: str) -> float | tuple[float, float]:
    """One spacing from "MM", or those of rows and columns from "ROW_MM,COL_MM"."""
    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        values = []
    if len(values) not in (1, 2):
        raise argparse.ArgumentTypeError(f"{text!r} found, MM or ROW_MM,COL_MM expected, for instance 0.143")
    return values[0] if len(values) == 1 else (values[0], values[1])


def mandible(text: str) -> str | float:
    """Where the mandible's lower border is: a row of the film, the vertebra it lies over, or absent.

    Raises
    ------
    MeasureError
        Where it is none of these.
    """
    word = text.strip()
    if word.lower() == ABSENT:
        return ABSENT
    if word.upper() in VERTEBRAE:
        return word.upper()
    try:
        return float(word)
    except ValueError:
        raise MeasureError(
            f"mandible: {text!r} found; a row of the film in pixels, a vertebra from {VERTEBRAE[0]} to "
            f"{VERTEBRAE[-1]}, or {ABSENT} expected."
        ) from None
