"""What people type, on the command line or in the form, turned into values.

A decimal comma is taken like a decimal point. Every parser raises `MeasureError`, which says what was found and
what was expected.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime

from measure.errors import MeasureError
from measure.landmarks import ABSENT, VERTEBRAE, Point

MONTHS_PER_YEAR = 12.0
WEEKS_PER_YEAR = 365.25 / 7.0
DAYS_PER_YEAR = 365.25
SCALES = (0.5, 4.0)
"""Beyond these nothing is left to be read, or to be seen (ours)."""

AGE_UNITS = {"": 1.0, "y": 1.0, "m": MONTHS_PER_YEAR, "w": WEEKS_PER_YEAR, "d": DAYS_PER_YEAR}


def number(text: str) -> float:
    """A number, "22.5" or "22,5"; no thousands' signs."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise MeasureError(f"{text!r} found, a number expected, for instance 22.5.")
    return value


def share(text: str) -> float:
    """A number from 0 to 1."""
    value = number(text)
    if not 0.0 <= value <= 1.0:
        raise MeasureError(f"{text!r} found, a number from 0 to 1 expected, for instance 0.3.")
    return value


def scale(text: str) -> float:
    """How large type and controls are, over the usual."""
    value = number(text)
    if not SCALES[0] <= value <= SCALES[1]:
        raise MeasureError(
            f"{text!r} found, a number from {SCALES[0]:g} to {SCALES[1]:g} expected, for instance 1.5."
        )
    return value


def whole(text: str) -> int:
    """A whole number."""
    if not re.fullmatch(r"[+-]?\d+", text.strip()):
        raise MeasureError(f"{text!r} found, a whole number expected.")
    return int(text)


def count(text: str) -> int:
    """A whole number from 1."""
    value = int(text) if re.fullmatch(r"\d+", text.strip()) else 0
    if value < 1:
        raise MeasureError(f"{text!r} found, a whole number from 1 expected.")
    return value


def time(text: str) -> datetime:
    """A day or time, UTC where it does not say otherwise."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise MeasureError(
            f"{text!r} found, a day or time expected, for instance 2026-11-25 or 2026-11-25T07:30."
        ) from None
    return found.replace(tzinfo=UTC) if found.tzinfo is None else found


def age_years(text: str) -> float:
    """Age from "64", "64y", "18m", "6w" or "10d"."""
    found = re.fullmatch(r"(\d+(?:[.,]\d+)?)([ymwd]?)", text.strip().lower())
    if found is None:
        raise MeasureError(f"{text!r} found, an age expected: 64 (years), 18m (months), 6w (weeks) or 10d (days).")
    return number(found.group(1)) / AGE_UNITS[found.group(2)]


def point(text: str) -> Point:
    """Row and column of the upright film from "ROW,COL", or from "ROW;COL" where the numbers have commas."""
    try:
        row, column = _numbers(text)
    except ValueError:  # MeasureError is one
        raise MeasureError(f"{text!r} found, ROW,COL in pixels expected, for instance 812,1040.5.") from None
    return row, column


def pixel_mm(text: str) -> float | tuple[float, float]:
    """One spacing from "MM", or those of rows and columns from "ROW_MM,COL_MM" or "ROW_MM;COL_MM".

    "0,143" is one number: no pixel is 0 mm high. "1,2" could be one number or two and is refused.
    """
    if re.fullmatch(r"\s*0,\d+\s*", text):
        return number(text)
    if re.fullmatch(r"\s*\d+,\d+\s*", text):
        one, two = text.strip().replace(",", "."), text.strip().replace(",", ";")
        raise MeasureError(f"{text!r} found, which is one number or two; write {one} or {two}.")
    try:
        found = _numbers(text)
    except MeasureError:
        found = []
    match found:
        case [both]:
            return both
        case [row, column]:
            return row, column
    raise MeasureError(f"{text!r} found, MM or ROW_MM,COL_MM expected, for instance 0.143.")


def mandible(text: str) -> str | float:
    """Where the mandible's lower border is: a row of the film, the vertebra it lies over, or absent."""
    word = text.strip()
    if word.lower() == ABSENT:
        return ABSENT
    if word.upper() in VERTEBRAE:
        return word.upper()
    try:
        return number(word)
    except MeasureError:
        raise MeasureError(
            f"mandible: {text!r} found; a row of the film in pixels, a vertebra from {VERTEBRAE[0]} to "
            f"{VERTEBRAE[-1]}, or {ABSENT} expected."
        ) from None


def _numbers(text: str) -> list[float]:
    """Numbers between semicolons, which may have decimal commas; without a semicolon, between commas."""
    return [number(part) for part in text.split(";" if ";" in text else ",")]
