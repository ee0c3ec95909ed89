"""`lipmark log show`: one entry of the logbook."""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING

from annotate.commands.arguments import count
from annotate.commands.logbook import PLACE, add_logbook, in_logbook

if TYPE_CHECKING:
    from annotate.logbook.store import Logbook

EXAMPLES = f"""\
examples:
  lipmark log show 12
  lipmark log show 12 --json

{PLACE}
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark log show`."""
    parser.add_argument("number", type=count, metavar="NUMBER", help="of the entry, as lipmark log list shows it")
    parser.add_argument("--json", action="store_true", help="the whole entry as JSON")
    add_logbook(parser)


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Print the entry."""
    return in_logbook(args, parser, _show)


def _show(logbook: Logbook, args: argparse.Namespace) -> int:
    from annotate.logbook.words import entry_in_words

    entry = logbook.entry(args.number)
    print(
        json.dumps(entry.plain(), indent=1)
        if args.json
        else entry_in_words(entry, logbook.corrected_by(entry.number))
    )
    return 0
