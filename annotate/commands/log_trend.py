"""`lipmark log trend`: a patient's films over time."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from annotate.commands.arguments import add_overwrite
from annotate.commands.logbook import PLACE, add_known_as, add_logbook, in_logbook, pseudonym_meant
from measure.cautions import ALWAYS

if TYPE_CHECKING:
    from annotate.logbook.store import Logbook

EXAMPLES = f"""\
examples:
  lipmark log trend 3f9a --picture trend.png
      a patient's films, by the first digits of the pseudonym
  lipmark log trend ID-4711 --patient-id
      the same by the real ID, which is hashed here and not kept

{PLACE}
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark log trend`."""
    parser.add_argument("patient", metavar="PATIENT", help="pseudonym, or its first digits")
    parser.add_argument("--picture", type=Path, metavar="PATH", help="draw it; .png or .svg")
    add_known_as(parser)
    add_logbook(parser)
    add_overwrite(parser)


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Print the films one below the other, and draw them where asked to."""
    return in_logbook(args, parser, _trend)


def _trend(logbook: Logbook, args: argparse.Namespace) -> int:
    from annotate.logbook.trend import films_of, trend
    from annotate.logbook.words import trend_table

    patient = pseudonym_meant(logbook, args)
    points = trend(films_of(logbook, patient))
    title = f"patient {patient[:12]}"
    if not points:
        print(f"{title}: no film with a distance in the logbook")
        return 0
    print(f"{title}: {len(points)} film{'' if len(points) == 1 else 's'}\n{trend_table(points)}")
    if args.picture is not None:
        from annotate.logbook.trend_picture import write_trend

        write_trend(points, title, args.picture, overwrite=args.overwrite)
    print("", *ALWAYS, sep="\n")
    return 0
