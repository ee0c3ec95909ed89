"""`lipmark practice` and `lipmark practice report`."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from annotate.commands.arguments import add_overwrite
from annotate.writing import OutputError, write_text
from measure.patient import AgeGroup

if TYPE_CHECKING:
    from annotate.practice.record import Record
    from annotate.practice.rounds import Round

EXAMPLES = """\
examples:
  lipmark practice
      ten synthetic films as difficult as you can take, in the window; a round left off goes on
  lipmark practice --films 20 --difficulty 0.6 --reader AB
      twenty films of one difficulty, kept for AB
  lipmark practice --marks teaching/marks.csv
      your own films with their true points (film, tip_row, tip_column, carina_row, carina_column)
  lipmark practice report --out practice.html
      bias, agreement, verdicts, learning curve and the films to look at again, as one page

Each film: place tip (T) and carina (C), choose verdict (1 to 7) and move (W), answer with Ctrl+S, then see the
truth. Answers are kept in the logbook.
Synthetic films are nobody's. Good figures here are no proof of skill on patients' films.
"""

FILMS = 10
MOST_FILMS = 200


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark practice`."""
    parser.add_argument("--films", type=_count, metavar="N", help=f"in a round; default {FILMS}")
    parser.add_argument(
        "--difficulty", type=_share, metavar="0..1", help="0 clean, 1 crowded; default: follows you"
    )
    parser.add_argument("--age-group", type=AgeGroup, choices=list(AgeGroup), help="default adult")
    parser.add_argument("--seed", type=int, help="the same new films for everybody, none repeated")
    parser.add_argument("--marks", type=Path, metavar="FILE", help="films with true points: CSV, or truth.jsonl")
    parser.add_argument("--new", action="store_true", help="a new round, also where one was left off")
    _add_common(parser)
    parser.set_defaults(what="round")
    parts = parser.add_subparsers(metavar="report", title="over all rounds")
    report = parts.add_parser("report", help="what your answers show, as an HTML page")
    report.add_argument("--out", type=Path, required=True, metavar="FILE", help="HTML page to write")
    add_overwrite(report)
    _add_common(report)
    report.set_defaults(what="report")


def _add_common(parser: argparse.ArgumentParser) -> None:
    # A default here would undo what stands before "report".
    parser.add_argument(
        "--reader",
        default=argparse.SUPPRESS,
        metavar="NAME",
        help="whose answers; default LIPMARK_READER or your login",
    )
    parser.add_argument(
        "--logbook", default=argparse.SUPPRESS, metavar="URL", help="file or postgresql://...; default your own"
    )


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Open the window with a round, or write the report."""
    from annotate.logbook.errors import LogbookError
    from annotate.logbook.record import default_reader
    from annotate.practice.marks_file import MarksFileError
    from annotate.window.application import NoWindowError

    reader, url = getattr(args, "reader", None) or default_reader(), getattr(args, "logbook", None)
    try:
        if args.what == "report":
            return _report(reader, url, args.out, overwrite=args.overwrite)
        return _round(args, reader, url)
    except (LogbookError, MarksFileError, NoWindowError, OutputError, OSError) as error:
        parser.error(str(error))


def _report(reader: str, url: str | None, out: Path, *, overwrite: bool) -> int:
    from annotate.logbook.errors import LogbookError
    from annotate.logbook.store import Logbook
    from annotate.practice.keeping import kept, trainees
    from annotate.practice.progress import progress_of
    from annotate.practice.report import write_report

    with Logbook.open(url) as logbook:
        records = kept(logbook, reader)
        if not records:
            others = ", ".join(trainees(logbook)) or "nobody"
            raise LogbookError(
                f"no practice of {reader} found in the logbook (there is that of {others}); see --reader."
            )
    write_text(out, write_report(progress_of(records), reader, datetime.now(UTC)), overwrite=overwrite)
    print(f"{len(records)} films of {reader}: {out}")
    return 0


def _round(args: argparse.Namespace, reader: str, url: str | None) -> int:
    from annotate.logbook.store import Logbook
    from annotate.practice.keeping import kept
    from annotate.practice.window import practise, said_at_the_end

    with Logbook.open(url) as logbook:
        history = kept(logbook, reader)
    print("\n".join(said_at_the_end(practise(_begun(args, history), reader, url))))
    return 0


def _begun(args: argparse.Namespace, history: tuple[Record, ...]) -> Round:
    """The round that was left off; a new one where there is none, or it is described."""
    from annotate.practice.marks_file import read_marks, source_name, usable
    from annotate.practice.rounds import marks_round, start_round, unfinished

    now = datetime.now(UTC)
    if args.marks is None:
        wishes = (args.films, args.difficulty, args.age_group, args.seed)
        left = None if args.new or any(wish is not None for wish in wishes) else unfinished(history)
        if left is None:
            group = args.age_group or AgeGroup.ADULT
            return start_round(history, now, args.films or FILMS, args.difficulty, group, args.seed)
        print(f"Going on with film {len(left.done) + 1} of {left.settings.length}; --new starts another round.")
        return left
    films = usable(read_marks(args.marks), args.marks)
    source = source_name(args.marks)
    return marks_round(films, source, now, None if args.new else unfinished(history, source))


def _count(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= MOST_FILMS:
        raise argparse.ArgumentTypeError(f"{text!r} found, 1 to {MOST_FILMS} films expected")
    return int(text)


def _share(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0.0 <= value <= 1.0:
        raise argparse.ArgumentTypeError(f"{text!r} found, a difficulty from 0 to 1 expected")
    return value
