"""`lipmark log list`: what was read before."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from annotate.commands.arguments import count
from annotate.commands.logbook import PLACE, add_filters, add_logbook, chosen_entries, chosen_of, in_logbook

if TYPE_CHECKING:
    from annotate.logbook.entry import Entry
    from annotate.logbook.store import Logbook

EXAMPLES = f"""\
examples:
  lipmark log list --since 2026-11-01 --verdict 'too low'
      what was written this month, and too low
  lipmark log list --patient 3f9a
      a patient's films, by the first digits of the pseudonym; --patient-id takes the real ID instead

{PLACE}
"""

LAST = 100
"""Entries of a list: a few screens (ours). All of a large logbook are for `lipmark log export`."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark log list`."""
    add_logbook(parser)
    add_filters(parser)
    parser.add_argument("--last", type=count, default=LAST, metavar="N", help=f"the newest; default {LAST}")


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Print one line an entry."""
    from annotate.logbook.glance import logbook_place, newest_in_file

    if args.patient is None:
        newest = newest_in_file(logbook_place(args.logbook), args.last + 1, chosen_of(args, None))
        if newest is not None:
            return _show(newest, args.last)
    return in_logbook(args, parser, _list)


def _list(logbook: Logbook, args: argparse.Namespace) -> int:
    return _show(logbook.newest(args.last + 1, chosen_entries(logbook, args)), args.last)


def _show(newest: Sequence[Entry], last: int) -> int:
    from annotate.logbook.words import LIST_HEAD, list_line

    print(LIST_HEAD)
    if len(newest) > last:
        print(f"...     older ones are left out; --last N shows more than {last}")
    for entry in newest[-last:]:
        print(list_line(entry))
    return 0
