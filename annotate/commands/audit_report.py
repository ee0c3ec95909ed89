"""`lipmark audit report`: one page and a CSV of every figure, from the results of an audit."""

from __future__ import annotations

import argparse
from pathlib import Path

from annotate.audit.errors import AuditError
from annotate.audit.report import FIGURES, PAGE, write_report
from annotate.audit.report_films import Period, Readings
from annotate.audit.report_suppression import LEAST
from annotate.commands.arguments import add_choice, add_overwrite, count
from annotate.writing import OutputError

EXAMPLES = f"""\
examples:
  lipmark audit report results
      writes results/report.html and results/figures.csv
  lipmark audit report results --suppress --out for-the-meeting
      counts from 1 to {LEAST - 1} are hidden, and those that would give them away by subtraction
  lipmark audit report results --baseline 6 --period month
      the chart's centre line and limits come from the first six months; later ones are held against them

The page needs no network and prints on A4. It names no patient and no film, but it tells units, shifts and grades
as they stand in the results: mind whom you show small numbers. docs/audit-report.md explains every figure.
Supports a clinician's judgement and does not replace it; local protocol decides.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark audit report`."""
    parser.add_argument("results", metavar="DIR", help="what `lipmark audit run --out DIR` has written")
    parser.add_argument("--out", type=Path, metavar="DIR", help=f"where {PAGE} and {FIGURES} go; default into DIR")
    add_choice(
        parser,
        "--readings",
        Readings,
        default=Readings.BEST,
        explain="which reading of a film counts; default best: by hand before mixed before proposed",
    )
    add_choice(parser, "--period", Period, default=Period.MONTH, explain="a point of the chart; default month")
    parser.add_argument(
        "--baseline", type=count, metavar="N", help="centre line from the first N periods; default from all"
    )
    parser.add_argument(
        "--suppress",
        type=count,
        nargs="?",
        const=LEAST,
        metavar="N",
        help=f"hide counts from 1 to N - 1 and what gives them away; N is {LEAST} where not given",
    )
    parser.add_argument("--title", help="heading of the page")
    add_overwrite(parser)


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Write the page and the CSV, and say where they lie."""
    from annotate.audit.report_page import Wishes
    from annotate.audit.report_words import TITLE

    if args.out is None and "://" in args.results:
        parser.error(f"{args.results} is no folder of this machine; give --out DIR for the page.")
    wishes = Wishes(args.suppress, args.baseline, args.title or TITLE)
    try:
        films, page = write_report(
            args.results,
            args.out or Path(args.results),
            wishes,
            counted=args.readings,
            period=args.period,
            overwrite=args.overwrite,
        )
    except (AuditError, OutputError, OSError) as error:
        parser.error(str(error))
    print(f"{films} films reported: {page}")
    print(f"Every figure: {page.parent / FIGURES}")
    print("Supports a clinician's judgement and does not replace it; local protocol decides.")
    return 0
