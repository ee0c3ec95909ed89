"""`lipmark log export`: entries of the logbook as a file."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from annotate.commands.arguments import add_overwrite
from annotate.commands.logbook import PLACE, add_filters, add_logbook, chosen_entries, in_logbook, with_progress

if TYPE_CHECKING:
    from annotate.logbook.store import Logbook

EXAMPLES = f"""\
examples:
  lipmark log export readings.parquet
      all current entries as a table; .csv and .json too
  lipmark log export before.csv --all --since 2026-11-01
      also entries that a later one corrects

{PLACE}
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark log export`."""
    parser.add_argument("out", type=Path, metavar="FILE", help="its ending says how: .csv, .parquet or .json")
    add_logbook(parser)
    add_filters(parser)
    add_overwrite(parser)


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Write the file and say how many entries it has."""
    return in_logbook(args, parser, _export)


def _export(logbook: Logbook, args: argparse.Namespace) -> int:
    from annotate.logbook.export import export

    wanted = chosen_entries(logbook, args)
    entries = with_progress(logbook.iterate(wanted), logbook.count(wanted), "exporting")
    print(f"{export(entries, args.out, overwrite=args.overwrite)} entries written to {args.out}")
    return 0
