"""`lipmark audit plan`: how many films an audit needs."""

from __future__ import annotations

import argparse
import math

from annotate.commands.arguments import number
from measure.errors import MeasureError
from measure.statistics.interval import CONFIDENCE
from measure.statistics.sample_size import POWER, SIGNIFICANCE, design_effect, films_for_change, films_for_margin

EXAMPLES = """\
examples:
  lipmark audit plan --rate 0.155 --margin 0.03
      films for an interval of no more than 3 points either side, where 15.5 % are expected
  lipmark audit plan --rate 0.155 --to 0.08
      films before and as many after, to see the rate fall from 15.5 to 8 %
  lipmark audit plan --rate 0.155 --to 0.08 --films-per-patient 4 --alike 0.3 --answered 0.85
      the same where patients have four films each, which are alike, and 85 % of films can be answered

Shares are written 0.155, not 15.5. docs/audit-report.md names the formulas.
"""

CAUTION = "  An estimate: rate, likeness and share answered are guesses until the audit is done."


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark audit plan`."""
    parser.add_argument("--rate", type=number, required=True, metavar="P", help="share expected (now)")
    wanted = parser.add_mutually_exclusive_group(required=True)
    wanted.add_argument("--margin", type=number, metavar="X", help="half the interval's width that is allowed")
    wanted.add_argument("--to", type=number, metavar="P2", help="share after a change that should be seen")
    parser.add_argument(
        "--confidence",
        type=number,
        default=CONFIDENCE,
        metavar="C",
        help=f"of the interval; default {CONFIDENCE:g}",
    )
    parser.add_argument(
        "--power", type=number, default=POWER, metavar="B", help=f"chance to see the change; default {POWER:g}"
    )
    parser.add_argument(
        "--significance",
        type=number,
        default=SIGNIFICANCE,
        metavar="A",
        help=f"chance to see one that is none; default {SIGNIFICANCE:g}",
    )
    parser.add_argument(
        "--films-per-patient", type=number, default=1.0, metavar="M", help="mean number of films; default 1"
    )
    parser.add_argument(
        "--alike",
        type=number,
        default=0.0,
        metavar="ICC",
        help="how alike they are, 0 to 1; default 0: not",
    )
    parser.add_argument(
        "--answered", type=number, default=1.0, metavar="S", help="share of films that can be answered; default 1"
    )


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Print the number of films and what it rests on."""
    if not 0.0 < args.answered <= 1.0:
        parser.error(f"--answered: {args.answered:g} found, a share above 0 and up to 1 expected")
    try:
        factor = design_effect(args.films_per_patient, args.alike) / args.answered
        lines = _for_margin(args, factor) if args.to is None else _for_change(args, factor)
    except MeasureError as error:
        parser.error(str(error))
    print("\n".join((*lines, CAUTION)))
    return 0


def _for_margin(args: argparse.Namespace, factor: float) -> list[str]:
    films = films_for_margin(args.rate, args.margin, args.confidence)
    return [
        f"{_all(films, factor)} films",
        f"  for a rate of about {args.rate:.1%} within {args.margin:.1%} either side",
        f"  ({args.confidence:.0%} interval, Wilson)",
        *_multiplied(films, factor),
    ]


def _for_change(args: argparse.Namespace, factor: float) -> list[str]:
    films, chi = (
        films_for_change(args.rate, args.to, power=args.power, significance=args.significance, exact_test=exact)
        for exact in (True, False)
    )
    return [
        f"{_all(films, factor)} films before and {_all(films, factor)} after",
        f"  to see a rate move from {args.rate:.1%} to {args.to:.1%}, with a chance of {args.power:.0%},",
        f"  by Fisher's test at {args.significance:g}, two-sided (chi-squared test: {_all(chi, factor)} each)",
        *_multiplied(films, factor),
    ]


def _all(films: int, factor: float) -> int:
    return math.ceil(films * factor - 1e-9)


def _multiplied(films: int, factor: float) -> list[str]:
    if factor == 1.0:
        return ["  if every film counts: one a patient, all answered"]
    return [f"  {films} if every film counted, times {factor:.2f} for films that are alike or not answered"]
