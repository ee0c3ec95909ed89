"""`lipmark log list`: what was read before."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from annotate.commands.logbook import PLACE, add_filters, add_logbook, chosen_entries, in_logbook

if TYPE_CHECKING:
    from annotate.logbook.store import Logbook

EXAMPLES = f"""\
examples:
  lipmark log list --since 2026-11-01 --verdict 'too low'
      what was written this month, and too low
  lipmark log list --patient 3f9a
      a patient's films, by the first digits of the pseudonym; --patient-id takes the real ID instead

{PLACE}
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark log list`."""
    add_logbook(parser)
    add_filters(parser)


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Print one line an entry."""
    return in_logbook(args, parser, _list)


def _list(logbook: Logbook, args: argparse.Namespace) -> int:
    from annotate.logbook.words import LIST_HEAD, list_line

    print(LIST_HEAD)
    for entry in logbook.iterate(chosen_entries(logbook, args)):
        print(list_line(entry))
    return 0
