"""What the commands of `lipmark log` share: which logbook, which entries, whose films."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, TypeVar

from annotate.commands.arguments import add_choice, time
from annotate.writing import OutputError
from measure.errors import MeasureError
from measure.verdict import Verdict

if TYPE_CHECKING:
    from annotate.logbook.filter import Filter
    from annotate.logbook.store import Logbook

PLACE = (
    "The logbook is a file in your data folder, or what --logbook or LIPMARK_LOGBOOK names; see docs/logbook.md."
)

T = TypeVar("T")


def add_logbook(parser: argparse.ArgumentParser) -> None:
    """Add --logbook."""
    parser.add_argument("--logbook", metavar="URL", help="a path or postgresql://USER@HOST/DATABASE")


def add_known_as(parser: argparse.ArgumentParser) -> None:
    """Add the options that say by what name a patient is meant."""
    parser.add_argument(
        "--patient-id", action="store_true", help="PATIENT is the real ID; it is hashed here and not kept"
    )
    parser.add_argument("--issuer", default="", metavar="TEXT", help="with --patient-id: Issuer of Patient ID")


def add_filters(parser: argparse.ArgumentParser) -> None:
    """Add the options that choose entries."""
    parser.add_argument("--since", type=time, metavar="TIME", help="written then or later, UTC; 2026-11-25")
    parser.add_argument("--reader", metavar="NAME")
    add_choice(parser, "--verdict", Verdict)
    parser.add_argument("--patient", metavar="PATIENT", help="pseudonym, or its first digits")
    parser.add_argument("--kind", choices=("reading", "practice"))
    parser.add_argument("--all", action="store_true", help="also entries that a later one corrects")
    add_known_as(parser)


def in_logbook(
    args: argparse.Namespace, parser: argparse.ArgumentParser, act: Callable[[Logbook, argparse.Namespace], int]
) -> int:
    """Open the logbook and do what is asked; a complaint of it is wrong usage."""
    from annotate.logbook.errors import LogbookError
    from annotate.logbook.store import Logbook

    try:
        with Logbook.open(args.logbook, make=False) as logbook:
            return act(logbook, args)
    except (LogbookError, MeasureError, OutputError) as error:
        parser.error(str(error))
    except OSError as error:
        parser.error(f"{error.filename}: {error.strerror}; a place that can be written is expected")


def chosen_entries(logbook: Logbook, args: argparse.Namespace) -> Filter:
    """The entries that the options choose."""
    return chosen_of(args, None if args.patient is None else pseudonym_meant(logbook, args))


def chosen_of(args: argparse.Namespace, patient: str | None) -> Filter:
    """The same, of a patient by the whole pseudonym, or of all."""
    from annotate.logbook.entry import Kind
    from annotate.logbook.filter import Filter

    return Filter(
        kind=None if args.kind is None else Kind(args.kind),
        patient=patient,
        reader=args.reader,
        verdict=args.verdict,
        since=args.since,
        current_only=not args.all,
    )


def pseudonym_meant(logbook: Logbook, args: argparse.Namespace) -> str:
    """The pseudonym of the patient who is meant.

    Raises
    ------
    LogbookError
        Where none or several are.
    """
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


def with_progress(items: Iterator[T], count: int, what: str) -> Iterable[T]:
    """The same items, with a bar on a terminal."""
    if not sys.stderr.isatty():
        return items
    from tqdm import tqdm

    return tqdm(items, total=count, desc=what, unit="entry", file=sys.stderr)
