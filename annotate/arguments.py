"""Words of the command line turned into values: points, ages, marks, tubes."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable
from typing import TypeVar

from measure.errors import MeasureError
from measure.landmarks import VERTEBRAE

T = TypeVar("T")

MONTHS_PER_YEAR = 12.0
WEEKS_PER_YEAR = 365.25 / 7.0
DAYS_PER_YEAR = 365.25
AGE_UNITS = {"": 1.0, "y": 1.0, "m": MONTHS_PER_YEAR, "w": WEEKS_PER_YEAR, "d": DAYS_PER_YEAR}

POINTS_PER_MARK: dict[str, tuple[int, int | None]] = {
    "airway": (1, None),
    "arch": (1, 1),
    "cords": (1, 1),
    "cuff-lower": (1, 1),
    "cuff-upper": (1, 1),
    "cuff-walls": (2, 2),
    "mandible": (1, 1),
    "trachea-walls": (2, 2),
    "tube-walls": (2, 2),
    **dict.fromkeys(VERTEBRAE, (1, 1)),
}
"""Names that --mark takes, and how few and how many points each has."""

Point = tuple[float, float]
Mark = tuple[str, tuple[Point, ...]]


def as_argument(parse: Callable[[str], T]) -> Callable[[str], T]:
    """A parser of the measure room, its complaint worded by argparse."""

    def argument(text: str) -> T:
        try:
            return parse(text)
        except MeasureError as error:
            raise argparse.ArgumentTypeError(str(error)) from error

    return argument


def point(text: str) -> Point:
    """Row and column of the upright film from "ROW,COL"."""
    parts = text.split(",")
    try:
        row, column = (float(part) for part in parts)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text!r} found, ROW,COL in pixels expected, for instance 812,1040.5"
        ) from None
    return row, column


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


class MarkAction(argparse.Action):
    """Collects --mark NAME ROW,COL [ROW,COL ...]."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: object,
        option_string: str | None = None,
    ) -> None:
        """Check the name and the number of points, and append."""
        name, *words = values if isinstance(values, list) else [str(values)]
        if name not in POINTS_PER_MARK:
            parser.error(f"{option_string}: {name!r} found, one of {', '.join(POINTS_PER_MARK)} expected")
        fewest, most = POINTS_PER_MARK[name]
        if len(words) < fewest or (most is not None and len(words) > most):
            wanted = str(fewest) if most == fewest else f"{fewest} or more"
            parser.error(f"{option_string} {name}: {len(words)} points found, {wanted} expected as ROW,COL")
        try:
            points = tuple(point(word) for word in words)
        except argparse.ArgumentTypeError as error:
            parser.error(f"{option_string} {name}: {error}")
        marks: list[Mark] = list(getattr(namespace, self.dest) or [])
        setattr(namespace, self.dest, [*marks, (name, points)])


class KnownObjectAction(argparse.Action):
    """Reads --known-object MM ROW,COL ROW,COL."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: object,
        option_string: str | None = None,
    ) -> None:
        """Keep the length in mm and the two ends."""
        words = values if isinstance(values, list) else []
        try:
            length_mm, ends = float(words[0]), (point(words[1]), point(words[2]))
        except (ValueError, argparse.ArgumentTypeError) as error:
            parser.error(f"{option_string}: {error}; MM ROW,COL ROW,COL expected")
        setattr(namespace, self.dest, (length_mm, ends))
