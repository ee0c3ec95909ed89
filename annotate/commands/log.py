"""`lipmark log`: look into the logbook."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from annotate.commands.arguments import add_overwrite
from annotate.writing import OutputError
from measure.cautions import ALWAYS
from measure.errors import MeasureError
from measure.verdict import Verdict

if TYPE_CHECKING:
    from annotate.logbook.store import Filter, Logbook
    from annotate.logbook.verification import Row

EXAMPLES = """\
examples:
  lipmark read film.dcm --lip-mark 23 --log --reader AB
      write a reading to the logbook
  lipmark log list --since 2026-11-01 --verdict 'too low'
      what was written this month, and too low
  lipmark log show 12
      one entry
  lipmark log trend 3f9a --picture trend.png
      a patient's films, by the first digits of the pseudonym; --patient-id takes the real ID instead
  lipmark log export readings.parquet
      all current entries as a table; .csv and .json too
  lipmark log verify
      whether anything was changed, removed or put in

The logbook is a file in your data folder, or what --logbook or LIPMARK_LOGBOOK names; more in docs/logbook.md.
"""

LAST = 100
"""Entries of a list: a few screens (ours). All of a large logbook are for `export`."""

T = TypeVar("T")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The subcommands of `lipmark log`."""
    where = argparse.ArgumentParser(add_help=False)
    where.add_argument("--logbook", metavar="URL", help="a path or postgresql://USER@HOST/DATABASE")
    which = argparse.ArgumentParser(add_help=False)
    _add_filters(which)
    known_as = argparse.ArgumentParser(add_help=False)
    known_as.add_argument(
        "--patient-id", action="store_true", help="PATIENT is the real ID; it is hashed here and not kept"
    )
    known_as.add_argument("--issuer", default="", metavar="TEXT", help="with --patient-id: Issuer of Patient ID")
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)

    entries = actions.add_parser("list", parents=[where, which, known_as], help="one line an entry, the last ones")
    entries.add_argument("--last", type=_count, default=LAST, metavar="N", help=f"how many; default {LAST}")
    entries.set_defaults(act=_list)
    show = actions.add_parser("show", parents=[where], help="one entry")
    show.add_argument("number", type=int, metavar="NUMBER")
    show.add_argument("--json", action="store_true", help="the whole entry as JSON")
    show.set_defaults(act=_show)
    export = actions.add_parser("export", parents=[where, which, known_as], help="entries as a file")
    export.add_argument("out", type=Path, metavar="FILE", help="its ending says how: .csv, .parquet or .json")
    add_overwrite(export)
    export.set_defaults(act=_export)
    trend = actions.add_parser("trend", parents=[where, known_as], help="a patient's films over time")
    trend.add_argument("patient", metavar="PATIENT", help="pseudonym, or its first digits")
    trend.add_argument("--picture", type=Path, metavar="PATH", help="draw it; .png or .svg")
    add_overwrite(trend)
    trend.set_defaults(act=_trend)
    verify = actions.add_parser("verify", parents=[where], help="follow the chain of hashes")
    verify.add_argument(
        "--seen", action="append", default=[], metavar="NUMBER:HASH", help="an entry that you noted; must be there"
    )
    verify.set_defaults(act=_verify)


def _add_filters(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--since", type=_time, metavar="TIME", help="written then or later, UTC; 2026-11-25")
    parser.add_argument("--reader", metavar="NAME")
    parser.add_argument("--verdict", type=Verdict, choices=list(Verdict))
    parser.add_argument("--patient", metavar="PATIENT", help="pseudonym, or its first digits")
    parser.add_argument("--kind", choices=("reading", "practice"))
    parser.add_argument("--all", action="store_true", help="also entries that a later one corrects")


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} found, a whole number from 1 expected")
    return int(text)


def _time(text: str) -> datetime:
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text!r} found, a day or time expected, for instance 2026-11-25 or 2026-11-25T07:30"
        ) from None
    return time.replace(tzinfo=UTC) if time.tzinfo is None else time


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Do what is asked; 0 if it was done, 1 if the logbook is not whole, 2 on wrong usage."""
    from annotate.logbook.errors import LogbookError
    from annotate.logbook.store import Logbook

    try:
        with Logbook.open(args.logbook, make=False) as logbook:
            status: int = args.act(logbook, args)
            return status
    except (LogbookError, MeasureError, OutputError) as error:
        parser.error(str(error))
    except OSError as error:
        parser.error(f"{error.filename}: {error.strerror}; a place that can be written is expected")


def _list(logbook: Logbook, args: argparse.Namespace) -> int:
    from annotate.logbook.words import LIST_HEAD, list_line

    wanted = _filter(logbook, args)
    newest = logbook.newest(args.last + 1, wanted)
    print(LIST_HEAD)
    if len(newest) > args.last:
        print(f"...     older ones are left out; --last N shows more than {args.last}")
    for entry in newest[len(newest) - args.last :] if len(newest) > args.last else newest:
        print(list_line(entry))
    return 0


def _show(logbook: Logbook, args: argparse.Namespace) -> int:
    from annotate.logbook.words import entry_in_words

    entry = logbook.entry(args.number)
    print(
        json.dumps(entry.plain(), indent=1)
        if args.json
        else entry_in_words(entry, logbook.corrected_by(entry.number))
    )
    return 0


def _export(logbook: Logbook, args: argparse.Namespace) -> int:
    from annotate.logbook.export import export

    wanted = _filter(logbook, args)
    entries = _with_progress(logbook.iterate(wanted), logbook.count(wanted), "exporting")
    print(f"{export(entries, args.out, overwrite=args.overwrite)} entries written to {args.out}")
    return 0


def _trend(logbook: Logbook, args: argparse.Namespace) -> int:
    from annotate.logbook.trend import films_of, trend
    from annotate.logbook.words import trend_table

    patient = _patient(logbook, args)
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


def _verify(logbook: Logbook, args: argparse.Namespace) -> int:
    from annotate.logbook.anchor import Seen
    from annotate.logbook.words import verification_in_words

    def progress(rows: Iterable[Row], count: int) -> Iterable[Row]:
        return _with_progress(iter(rows), count, "verifying")

    found = logbook.verify([Seen.parse(text) for text in args.seen], progress)
    print(verification_in_words(found))
    return 0 if found.sound else 1


def _filter(logbook: Logbook, args: argparse.Namespace) -> Filter:
    from annotate.logbook.entry import Kind
    from annotate.logbook.store import Filter

    return Filter(
        kind=None if args.kind is None else Kind(args.kind),
        patient=None if args.patient is None else _patient(logbook, args),
        reader=args.reader,
        verdict=args.verdict,
        since=args.since,
        current_only=not args.all,
    )


def _patient(logbook: Logbook, args: argparse.Namespace) -> str:
    """The pseudonym that is meant."""
    from annotate.logbook.errors import LogbookError
    from annotate.logbook.privacy import pseudonym

    if args.patient_id:
        found = [name] if (name := pseudonym(args.patient, args.issuer)) else []
    else:
        found = logbook.patients(args.patient.lower())
    if len(found) != 1:
        raise LogbookError(
            f"{len(found)} patients found whose pseudonym begins with the PATIENT given, one expected; give more "
            "digits (lipmark log list shows them), or the real ID with --patient-id."
        )
    return found[0]


def _with_progress(items: Iterator[T], count: int, what: str) -> Iterable[T]:
    if not sys.stderr.isatty():
        return items
    from tqdm import tqdm

    return tqdm(items, total=count, desc=what, unit="entry", file=sys.stderr)
