"""`lipmark read`: films in, Readings out."""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from annotate.commands.arguments import (
    KnownObjectAction,
    MarkAction,
    add_choice,
    add_overwrite,
    add_range,
    age,
    count,
    cuff_pressure,
    mandible,
    number,
    pixel_mm,
    point,
)
from annotate.films.answers import Answer, answer_all
from annotate.words.printable import printable
from annotate.words.screen import identifiers_in_words, screen
from annotate.words.table import table
from imaging.carrying import Earlier
from imaging.case import Request
from imaging.errors import ImagingError
from imaging.load import load_film
from measure.case import Bedside
from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.follow_up import PreviousFilm
from measure.insertion_depth import Route
from measure.landmarks import POINTS_PER_MARK
from measure.patient import Patient, Sex
from measure.posture import NeckPosture
from measure.reading import Reading
from measure.tube import Tube, TubeKind

if TYPE_CHECKING:
    from annotate.logbook.recorder import Recorder
    from annotate.reports.reporter import Reporter

EXAMPLES = """\
examples:
  lipmark read film.dcm
      propose tip and carina, and measure
  lipmark read film.dcm --tip 812,1040 --carina 1105,1066 --lip-mark 23 --neck neutral
      measure between two points that you placed, and get the new mark at the lip
  lipmark read film.png --mm-per-pixel 0.143 --tip 812,1040 --carina 1105,1066 --picture read.png
      a picture file has no pixel size: give it, or mark an object of known size with --known-object, or the
      tube's two walls with --mark tube-walls and its size
  lipmark read ward/ --jsonl > readings.jsonl
      every film of a folder, one JSON object a line (docs/reading.md)
  lipmark read today.dcm --previous yesterday.json --previous-film yesterday.dcm
      weigh in the carina that a hand placed on yesterday's film, where today's fork is hard to see
  lipmark read film.dcm --tip 812,1040 --carina 1105,1066 --lip-mark 23 --log --reader AB
      keep the reading in the logbook, and compare it with this patient's film before (docs/logbook.md)

Points are ROW,COL in pixels of the upright film, from the centre of its first pixel; rows grow downwards.
The answer supports a clinician's judgement and does not replace it; local protocol decides.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark read`."""
    parser.add_argument("files", nargs="+", metavar="FILE", help="film, folder or pattern; DICOM, PNG, JPEG, TIFF")
    _add_marks(parser.add_argument_group("points placed by hand (one film at a time)"))
    _add_patient(parser.add_argument_group("patient and tube"))
    _add_rules(parser.add_argument_group("film and rule"))
    _add_output(parser.add_argument_group("output"))
    _add_logbook(parser.add_argument_group("logbook"))


def _add_marks(group: argparse._ArgumentGroup) -> None:
    group.add_argument("--tip", type=point, metavar="ROW,COL", help="most distal point of the tube")
    group.add_argument("--carina", type=point, metavar="ROW,COL", help="fork of the trachea")
    group.add_argument(
        "--mark",
        nargs="+",
        action=MarkAction,
        dest="marks",
        metavar=("NAME", "ROW,COL"),
        help=f"another landmark, may be repeated; NAME is one of {', '.join(POINTS_PER_MARK)}",
    )
    group.add_argument(
        "--clear", action="store_true", help="your points were seen without doubt: narrower intervals"
    )
    group.add_argument(
        "--known-object",
        nargs=3,
        action=KnownObjectAction,
        metavar=("MM", "ROW,COL", "ROW,COL"),
        help="true length in mm between two points, for instance the tube's printed outside diameter",
    )


def _add_patient(group: argparse._ArgumentGroup) -> None:
    group.add_argument("--lip-mark", type=number, metavar="CM", help="mark at the lip (or nostril) on this film")
    group.add_argument("--tube-size", type=number, metavar="MM", help="inside diameter printed on the tube")
    group.add_argument("--tube-outside-diameter", type=number, metavar="MM", help="as printed on the tube")
    group.add_argument(
        "--cuff-edge", type=number, metavar="CM", help="tip to upper cuff edge, measured on your tube"
    )
    group.add_argument(
        "--cuff-pressure",
        type=cuff_pressure,
        metavar="PRESSURE",
        help="for instance 25, 2.4kPa, 18mmHg; cmH2O if no unit",
    )
    add_choice(
        group,
        "--tube-kind",
        TubeKind,
        default=TubeKind.SINGLE_LUMEN,
        explain="default single-lumen; no move is known for double-lumen and tracheostomy tubes",
    )
    add_choice(group, "--route", Route, default=Route.ORAL, explain="default oral")
    add_choice(
        group,
        "--neck",
        NeckPosture,
        default=NeckPosture.UNKNOWN,
        explain="posture on this film; default unknown: every posture in the chances, by how usual it is",
    )
    group.add_argument(
        "--mandible",
        type=mandible,
        metavar="WHERE",
        help="the short way to the posture: the mandible's lower border as a row of the film, as the vertebra it "
        "lies over (C6), or absent where the film does not show it",
    )
    group.add_argument("--age", type=age, metavar="AGE", help="64 (years), 18m, 6w or 10d")
    add_choice(group, "--sex", Sex, explain="for the cords' height and depth formulas")
    group.add_argument("--height", type=number, metavar="CM", help="body height")
    group.add_argument("--weight", type=number, metavar="KG", help="for the newborn's depth formula")


def _add_rules(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--mm-per-pixel", type=pixel_mm, metavar="MM", help="at the detector; ROW_MM,COL_MM if they differ"
    )
    group.add_argument(
        "--believe-resolution", action="store_true", help="take a picture file's resolution tag for its pixel size"
    )
    add_range(group)
    group.add_argument("--previous", type=Path, metavar="JSON", help="Reading of the previous film, from --json")
    group.add_argument(
        "--previous-film",
        type=Path,
        metavar="FILM",
        help="the film of that Reading, or of one in the logbook (--log): its carina, placed by hand, is carried "
        "to this film by the bones and weighed with what is seen",
    )
    group.add_argument(
        "--previous-lip-mark", type=number, metavar="CM", help="its mark at the lip, if not in there"
    )


def _add_output(group: argparse._ArgumentGroup) -> None:
    form = group.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="one JSON object, or an array of them for many films")
    form.add_argument("--jsonl", action="store_true", help="one JSON object a line, in the order of the films")
    group.add_argument(
        "--picture", type=Path, metavar="PATH", help="write the film with its marks; a folder for many films"
    )
    add_overwrite(group)
    group.add_argument(
        "--workers", type=count, default=os.cpu_count() or 1, help="processes for many films; default one a core"
    )
    group.add_argument(
        "--report-dicom",
        type=Path,
        metavar="DIR",
        help="write a DICOM Structured Report, and the marks as a picture and as a presentation state",
    )
    group.add_argument(
        "--report-fhir", type=Path, metavar="FILE", help="write FHIR R4 resources; they hold the patient's ID"
    )
    group.add_argument(
        "--show-identifiers", action="store_true", help="also print name, ID and dates of the header"
    )


def _add_logbook(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--log",
        action="store_true",
        help="write each reading to the logbook; the film before is found there unless --previous names it",
    )
    group.add_argument(
        "--logbook", metavar="URL", help="another logbook: a path or postgresql://USER@HOST/DATABASE"
    )
    group.add_argument("--reader", metavar="NAME", help="who reads; default LIPMARK_READER, else the login name")
    group.add_argument("--corrects", type=count, metavar="NUMBER", help="entry that this reading replaces")
    group.add_argument(
        "--patient-id", metavar="ID", help="for a film without a header; only its pseudonym is kept"
    )


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Answer every film; 0 if all were answered, whatever the answers are, 1 if one could not be read or kept."""
    from annotate.films.find import find_films

    request = request_from(args, parser)
    paths = find_films(args.files)
    if not paths:
        parser.error(f"no film found in {' '.join(args.files)}; give a film, a folder of films or a pattern")
    if len(paths) > 1 and (request.tip or request.carina or request.marks or request.known_object):
        parser.error(f"{len(paths)} films found with points of one film; give one film, or no points")
    recorder = _recorder(args, parser, len(paths))
    reporter = _reporter(args, parser)
    answers = answer_all(paths, request, args.picture, args.workers, overwrite=args.overwrite)
    if recorder is not None:
        answers = recorder.record(answers)
    if reporter is not None:
        answers = reporter.report(answers)
    unread = Unread()
    _printer(args, len(paths))(_with_progress(unread.counted(answers), len(paths)))
    if recorder is not None:
        print(recorder.summary, file=sys.stderr)
    failed = any(keeper is not None and keeper.failed for keeper in (recorder, reporter))
    return 1 if unread.films or unread.outputs or failed else 0


class Unread:
    """Counts the films that could not be read, and the pictures that could not be written, and tells of these."""

    def __init__(self) -> None:
        self.films = 0
        self.outputs = 0

    def counted(self, answers: Iterable[Answer]) -> Iterator[Answer]:
        """The same answers."""
        for item in answers:
            self.films += item.unread
            self.outputs += bool(item.unwritten)
            yield item
            if item.unwritten:
                print(f"lipmark: {printable(item.unwritten)}", file=sys.stderr)


def _recorder(args: argparse.Namespace, parser: argparse.ArgumentParser, films: int) -> Recorder | None:
    """What writes to the logbook, if that is asked for."""
    if not args.log:
        unused = [
            name for name in ("logbook", "reader", "corrects", "patient_id") if getattr(args, name) is not None
        ]
        if "reader" in unused and (args.report_dicom or args.report_fhir):
            unused.remove("reader")
        if unused:
            parser.error(f"--{unused[0].replace('_', '-')} found without --log; add --log to keep the reading")
        return None
    if films > 1 and args.corrects is not None:
        parser.error(f"--corrects found with {films} films; a correction is of one film")
    # Imported here: a reading that is not kept needs no database.
    from annotate.logbook.entry import checked_reader
    from annotate.logbook.errors import LogbookError
    from annotate.logbook.record import default_reader
    from annotate.logbook.recorder import Recorder

    try:
        reader = checked_reader(args.reader or default_reader())
    except LogbookError as error:
        parser.error(str(error))
    return Recorder(args.logbook, reader, args.corrects, args.patient_id)


def _reporter(args: argparse.Namespace, parser: argparse.ArgumentParser) -> Reporter | None:
    """What writes reports, if that is asked for."""
    if args.report_dicom is None and args.report_fhir is None:
        return None
    from annotate.logbook.record import default_reader

    try:
        from annotate.reports.reporter import Reporter
    except ModuleNotFoundError as error:
        parser.error(f"{error.name} is not installed, which reports need: pip install 'lipmark[ward]'")
    return Reporter(args.report_dicom, args.report_fhir, args.reader or default_reader(), overwrite=args.overwrite)


def request_from(args: argparse.Namespace, parser: argparse.ArgumentParser) -> Request:
    """What the user said, checked; a value that cannot be is a usage error."""
    cuff_edge = None if args.cuff_edge is None else Estimate(args.cuff_edge)
    try:
        earlier_reading = None if args.previous is None else _reading_in(args.previous)
        known = Bedside(
            patient=Patient(args.age, args.sex, args.height),
            tube=Tube(args.tube_size, args.tube_outside_diameter, cuff_edge, args.tube_kind),
            lip_mark_cm=args.lip_mark,
            route=args.route,
            posture=args.neck,
            mandible=args.mandible if isinstance(args.mandible, str) else "",
            cuff_pressure=args.cuff_pressure,
            accepted_range=args.range,
            previous=None
            if earlier_reading is None
            else PreviousFilm.from_reading(earlier_reading, args.previous_lip_mark),
            weight_kg=args.weight,
        )
        earlier = None if args.previous_film is None else _earlier(args, earlier_reading)
    except (ImagingError, MeasureError, OSError, json.JSONDecodeError) as error:
        parser.error(str(error))
    return Request(
        tip=args.tip,
        carina=args.carina,
        marks=tuple(args.marks or ()),
        known_object=args.known_object,
        mm_per_pixel=args.mm_per_pixel,
        believe_resolution=args.believe_resolution,
        known=known,
        fingerprint=args.log,
        clear=args.clear,
        mandible_row=args.mandible if isinstance(args.mandible, float) else None,
        earlier=earlier,
    )


def _reading_in(path: Path) -> Reading:
    try:
        reading = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as error:
        raise MeasureError(f"previous film: {path} is no JSON ({error}); give a file made with --json.") from error
    if not isinstance(reading, dict):
        raise MeasureError(f"previous film: {path} holds no single Reading; give a file made with --json.")
    return Reading.from_dict(reading)


def _earlier(args: argparse.Namespace, reading: Reading | None) -> Earlier:
    """The film before with its carina: by its Reading, else by the logbook, which knows its fingerprint."""
    film = load_film(args.previous_film)
    if reading is None and args.log:
        from annotate.logbook.errors import LogbookError
        from annotate.logbook.trend import reading_of_film

        try:
            reading = reading_of_film(args.logbook, film.fingerprint)
        except LogbookError as error:
            raise MeasureError(str(error)) from error
    if reading is None:
        raise MeasureError(
            "previous film: no Reading of it found; give it with --previous, or --log with a logbook that has it."
        )
    return Earlier.of(film, reading)


def _with_progress(answers: Iterator[Answer], count: int) -> Iterable[Answer]:
    if count == 1 or not sys.stderr.isatty():
        return answers
    from tqdm import tqdm

    return tqdm(answers, total=count, desc="reading", unit="film", file=sys.stderr)


def _printer(args: argparse.Namespace, count: int) -> Callable[[Iterable[Answer]], None]:
    bold = sys.stdout.isatty()

    def as_object(item: Answer) -> dict[str, object]:
        plain: dict[str, object] = dict(item.reading.to_dict())
        if args.show_identifiers and item.identifiers is not None:
            plain["identifiers"] = asdict(item.identifiers)
        return plain

    def lines(answers: Iterable[Answer]) -> None:
        for item in answers:
            print(json.dumps(as_object(item)), flush=True)

    def whole(answers: Iterable[Answer]) -> None:
        objects = [as_object(item) for item in answers]
        print(json.dumps(objects[0] if count == 1 else objects, indent=1))

    def text(answers: Iterable[Answer]) -> None:
        width = shutil.get_terminal_size().columns
        found = list(answers)
        print(
            table([item.reading for item in found], width) if count > 1 else screen(found[0].reading, width, bold)
        )
        for item in found if args.show_identifiers else ():
            if item.identifiers is not None:
                print(f"  {item.reading.film}: {identifiers_in_words(item.identifiers)}")

    return lines if args.jsonl else whole if args.json else text
