"""Words of the command line turned into values.

The parsers themselves live in `annotate.words.typed` and in the rooms; they raise `MeasureError`, which is worded
for argparse here and nowhere else.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from enum import StrEnum
from typing import TypeVar

from annotate.words import typed
from measure.accepted_range import DEFAULT_RANGE, RANGE_NAMES, parse_range
from measure.choice import chosen
from measure.cuff import CuffPressure
from measure.errors import MeasureError
from measure.landmarks import Mark

T = TypeVar("T")
Kind = TypeVar("Kind", bound=StrEnum)


def as_argument(parse: Callable[[str], T]) -> Callable[[str], T]:
    """A parser that raises MeasureError, its complaint worded by argparse."""

    def argument(text: str) -> T:
        try:
            return parse(text)
        except MeasureError as error:
            raise argparse.ArgumentTypeError(str(error)) from error

    return argument


age = as_argument(typed.age_years)
cuff_pressure = as_argument(CuffPressure.parse)
mandible = as_argument(typed.mandible)
number = as_argument(typed.number)
pixel_mm = as_argument(typed.pixel_mm)
point = as_argument(typed.point)
share = as_argument(typed.share)
time = as_argument(typed.time)
whole = as_argument(typed.whole)
count = as_argument(typed.count)


def add_choice(
    group: argparse._ActionsContainer,
    option: str,
    kind: type[Kind],
    *,
    default: Kind | None = None,
    only: Sequence[Kind] = (),
    explain: str | None = None,
) -> None:
    """Add an option that takes one word of a closed set, or of a part of it."""
    choices = tuple(only) or tuple(kind)
    group.add_argument(
        option,
        type=as_argument(lambda word: chosen(kind, word, among=choices)),
        default=default,
        metavar="{" + ",".join(choices) + "}",
        help=explain,
    )


def add_range(group: argparse._ActionsContainer) -> None:
    """Add --range."""
    group.add_argument(
        "--range",
        type=as_argument(parse_range),
        default=DEFAULT_RANGE,
        metavar="RANGE",
        help=f"{', '.join(RANGE_NAMES)}, or your own as LOW-HIGH in cm; default {DEFAULT_RANGE}",
    )


def add_scale(group: argparse._ActionsContainer) -> None:
    """Add --scale."""
    group.add_argument(
        "--scale",
        type=as_argument(typed.scale),
        metavar="FACTOR",
        help="size of type and controls, 1 as on a laptop; default: grows with the screen",
    )


def add_overwrite(parser: argparse._ActionsContainer) -> None:
    """Add --overwrite."""
    parser.add_argument("--overwrite", action="store_true", help="replace files that are there")


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
        from imaging.case import checked_mark

        name, *words = values if isinstance(values, list) else [str(values)]
        try:
            mark = checked_mark(name, [typed.point(word) for word in words])
        except MeasureError as error:
            raise argparse.ArgumentError(self, str(error)) from error
        marks: list[Mark] = list(getattr(namespace, self.dest) or [])
        setattr(namespace, self.dest, [*marks, mark])


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
        length, *ends = values if isinstance(values, list) else []
        try:
            known = typed.number(length), tuple(typed.point(end) for end in ends)
        except MeasureError as error:
            raise argparse.ArgumentError(self, f"{error} MM ROW,COL ROW,COL expected.") from error
        setattr(namespace, self.dest, known)
