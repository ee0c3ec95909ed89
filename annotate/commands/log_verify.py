"""`lipmark log verify`: whether anything in the logbook was changed, removed or put in."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from typing import TYPE_CHECKING

from annotate.commands.logbook import PLACE, add_logbook, in_logbook, with_progress

if TYPE_CHECKING:
    from annotate.logbook.store import Logbook
    from annotate.logbook.verification import Row

EXAMPLES = f"""\
examples:
  lipmark log verify
      follow the chain of hashes from the first entry to the last
  lipmark log verify --seen 120:9b1c...
      and see that an entry which you noted is still there

{PLACE}
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark log verify`."""
    parser.add_argument(
        "--seen", action="append", default=[], metavar="NUMBER:HASH", help="an entry that you noted; must be there"
    )
    add_logbook(parser)


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Follow the chain; 0 if the logbook is whole, 1 if not."""
    return in_logbook(args, parser, _verify)


def _verify(logbook: Logbook, args: argparse.Namespace) -> int:
    from annotate.logbook.anchor import Seen
    from annotate.logbook.words import verification_in_words

    def progress(rows: Iterable[Row], count: int) -> Iterable[Row]:
        return with_progress(iter(rows), count, "verifying")

    found = logbook.verify([Seen.parse(text) for text in args.seen], progress)
    print(verification_in_words(found))
    return 0 if found.sound else 1
