"""`lipmark formulas`: the published insertion depths for one patient."""

from __future__ import annotations

import argparse

from annotate.commands.arguments import add_choice, age, number
from measure.errors import MeasureError
from measure.insertion_depth import DepthAdvice, Route, brought_to, formulas_for
from measure.patient import Patient, Sex

EXAMPLES = """\
example:
  lipmark formulas --age 58 --sex female --height 163 --above-carina 4

The formulas aim at different heights above the carina and are read at different places (teeth, lip, nostril).
With --above-carina all that state their aim are brought to the same one. docs/depth-formulas.md has the sources.
A depth is a start, not a confirmation: look at the film.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark formulas`."""
    parser.add_argument("--age", type=age, required=True, metavar="AGE", help="64 (years), 18m, 6w or 10d")
    add_choice(parser, "--sex", Sex)
    parser.add_argument("--height", type=number, metavar="CM", help="body height")
    parser.add_argument("--weight", type=number, metavar="KG", help="for the newborn's formula")
    parser.add_argument("--nasal-tragus", type=number, metavar="CM", help="nasal septum to tragus, newborns")
    parser.add_argument("--tube-size", type=number, metavar="MM", help="inside diameter")
    add_choice(parser, "--route", Route, default=Route.ORAL, explain="default oral")
    parser.add_argument(
        "--above-carina", type=number, metavar="CM", help="bring all to this height, in the patient"
    )


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Print one formula a row."""
    try:
        patient = Patient(args.age, args.sex, args.height)
        found = formulas_for(patient, args.route, args.tube_size, args.weight, args.nasal_tragus)
        if args.above_carina is not None:
            found = tuple(brought_to(advice, args.above_carina) for advice in found)
    except MeasureError as error:
        parser.error(str(error))
    if not found:
        parser.error("no formula applies with what is given; add --height, --sex, --weight or --tube-size")
    print(f"{'depth':>8}  {'above carina':>12}  read at, formula, source")
    for advice in found:
        print(_row(advice))
    return 0


def _row(advice: DepthAdvice) -> str:
    aim = "not stated" if advice.aims_at_cm is None else f"{advice.aims_at_cm:g} cm"
    formula = advice.formula
    return f"{advice.depth_cm:>5.1f} cm  {aim:>12}  {formula.reference.value}; {formula.wording}; {formula.source}"
