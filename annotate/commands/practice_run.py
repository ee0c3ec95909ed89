"""`lipmark practice run`: a round of films with a known truth."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from annotate.commands.arguments import add_choice, add_scale, as_argument, share, whole
from annotate.commands.practice_report import add_whose
from annotate.words import typed
from measure.errors import MeasureError
from measure.patient import AgeGroup

if TYPE_CHECKING:
    from annotate.practice.record import Record
    from annotate.practice.rounds import Round

EXAMPLES = """\
examples:
  lipmark practice run
      ten synthetic films as difficult as you can take, in the window; a round left off goes on
  lipmark practice run --films 20 --difficulty 0.6 --reader AB
      twenty films of one difficulty, kept for AB
  lipmark practice run --course
      the next stage of the course: tips, carina, the fork unseen, bronchi, posture, children
  lipmark practice run --marks teaching/marks.csv
      your own films with their true points (film, tip_row, tip_column, carina_row, carina_column)
  lipmark practice report --out practice.html
      bias, agreement, verdicts, learning curve and the films to look at again, as one page

Each film: place tip (T) and carina (C), choose where the tip lies (1 to 6) and what to do (W, D or 0), answer with
Ctrl+S, then see the truth. Answers are kept in the logbook.
Synthetic films are nobody's. Good figures here are no proof of skill on patients' films.
"""

FILMS = 10
MOST_FILMS = 200

STAGE_KEYS = ("tips", "carina", "fork", "bronchi", "posture", "children")
"""As in annotate.practice.course, which takes too long to import for --help; a test compares the two."""

NEXT_STAGE = "next"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark practice run`."""
    parser.add_argument("--films", type=as_argument(_films), metavar="N", help=f"in a round; default {FILMS}")
    parser.add_argument(
        "--difficulty", type=share, metavar="0..1", help="0 clean, 1 crowded; default: follows you"
    )
    add_choice(parser, "--age-group", AgeGroup, explain="default adult")
    parser.add_argument("--seed", type=whole, help="the same new films for everybody, none repeated")
    parser.add_argument(
        "--course",
        nargs="?",
        const=NEXT_STAGE,
        choices=(NEXT_STAGE, *STAGE_KEYS),
        metavar="STAGE",
        help=f"films of one stage of the course, by default the next one: {', '.join(STAGE_KEYS)}",
    )
    parser.add_argument("--marks", type=Path, metavar="FILE", help="films with true points: CSV, or truth.jsonl")
    parser.add_argument("--new", action="store_true", help="a new round, also where one was left off")
    add_scale(parser)
    add_whose(parser)


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Open the window with a round."""
    from annotate.logbook.errors import LogbookError
    from annotate.logbook.record import default_reader
    from annotate.practice.marks_file import MarksFileError
    from annotate.window.application import NoWindowError

    try:
        return _round(args, args.reader or default_reader(), args.logbook)
    except (LogbookError, MarksFileError, NoWindowError, OSError) as error:
        parser.error(str(error))


def _round(args: argparse.Namespace, reader: str, url: str | None) -> int:
    from annotate.logbook.store import Logbook
    from annotate.practice.keeping import kept
    from annotate.practice.window import practise, said_at_the_end

    with Logbook.open(url) as logbook:
        history = kept(logbook, reader)
    print("\n".join(said_at_the_end(practise(_begun(args, history), reader, url, args.scale))))
    return 0


def _begun(args: argparse.Namespace, history: tuple[Record, ...]) -> Round:
    """The round that was left off; a new one where there is none, or it is described."""
    from annotate.practice.marks_file import read_marks, source_name, usable
    from annotate.practice.rounds import marks_round, start_round, unfinished

    now = datetime.now(UTC)
    if args.course is not None:
        from annotate.practice.course import STAGES, course_of, to_practise

        stage = to_practise(course_of(history)) if args.course == NEXT_STAGE else STAGES[args.course]
        if stage is not None:
            print(f"{stage.title}: {stage.looks_at}.")
            return start_round(history, now, args.films or FILMS, None, AgeGroup.ADULT, args.seed, stage)
        print("Every stage of the course is mastered: a round of everything.")
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


def _films(text: str) -> int:
    films = typed.count(text)
    if films > MOST_FILMS:
        raise MeasureError(f"{text!r} found, 1 to {MOST_FILMS} films expected.")
    return films
