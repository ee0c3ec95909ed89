"""Words of the command line turned into values: points, marks, objects of known length."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import TypeVar

from measure.errors import MeasureError
from measure.landmarks import POINTS_PER_MARK, Mark, Point

T = TypeVar("T")


def as_argument(parse: Callable[[str], T]) -> Callable[[str], T]:
    """A parser of the measure room, its complaint worded by argparse."""

    def argument(text: str) -> T:
        try:
            return parse(text)
        except MeasureError as error:
            raise argparse.ArgumentTypeError(str(error)) from error

    return argument


def add_overwrite(parser: argparse._ActionsContainer) -> None:
    """The option that lets files be replaced."""
    parser.add_argument("--overwrite", action="store_true", help="replace files that are there")


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
