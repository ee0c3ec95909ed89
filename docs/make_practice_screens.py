"""Make docs/screens/practice-*: a film of a round before and after its answer, the round's end, the report.

python docs/make_practice_screens.py [practice-question] [practice-report] [--out FOLDER]

Needs Xvfb, and Chromium for the report.
"""

from __future__ import annotations

import os
import runpy
import subprocess
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from annotate.logbook.store import Logbook
from annotate.practice.compare import Answer, Choice, compare, withdraw_cm, zone_of
from annotate.practice.keeping import keep, kept
from annotate.practice.lesson import Practice
from annotate.practice.progress import progress_of
from annotate.practice.record import record_of
from annotate.practice.report import write_report
from annotate.practice.rounds import Round, start_round
from annotate.practice.supply import Supply
from annotate.practice.synthetic import make_task
from annotate.practice.task import FilmSpec, Task
from annotate.practice.teaching import teach
from annotate.window.session import Session
from annotate.window.size import scale_for
from annotate.window.tape import LENGTH_CM, MIDDLE, TOP, Tape
from measure.assess import assess
from measure.landmarks import Landmark
from measure.patient import AgeGroup

DOCS = Path(__file__).resolve().parent
SHOWS = runpy.run_path(str(DOCS / "make_screens.py"))
SMALL, SCREENS = SHOWS["SMALL"], SHOWS["SCREENS"]
START = datetime(2026, 3, 2, 8, tzinfo=UTC)
SEED, DIFFICULTY = 98, 0.2
"""A film with the tip too low and a stomach tube beside it."""

QUESTION, REPORT = "practice-question", "practice-report"
"""The pictures that begin a part: with the question come the ruler and the answer."""

ROUNDS, FILMS = 4, 12
REPORT_PX = (1080, 1500)
JPEG_QUALITY = 88


def main(names: Sequence[str], out: Path) -> None:
    """Make every screen, or those parts."""
    global SCREENS
    SCREENS = out
    SCREENS.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, SHOWS["SCREEN"]["virtual_screen"]():
        os.environ["XDG_DATA_HOME"] = folder
        os.environ.pop("LIPMARK_LOGBOOK", None)
        from annotate.window.application import application

        application()
        if not names or QUESTION in names:
            show_lesson()
        if not names or REPORT in names:
            show_report(Path(folder))


def photograph(name: str) -> None:
    """What the screen shows, as a JPEG: films have many greys."""
    from qtpy.QtWidgets import QApplication

    SHOWS["wait"](0.5)
    screen = QApplication.primaryScreen()
    assert screen is not None
    screen.grabWindow(0).copy(0, 0, *SMALL).save(str(SCREENS / f"{name}.jpg"), quality=JPEG_QUALITY)


def show_lesson() -> None:
    """The carina marked in the right main bronchus, and what is said to it."""
    from annotate.window.main_window import MarkingWindow

    round_ = start_round((), START, 2, DIFFICULTY, AgeGroup.ADULT, seed=SEED)
    with Supply() as supply:
        lesson = Practice(round_, "AB", None, supply)
        window = MarkingWindow(Session(lesson.paths, lesson, None, lesson.load), scale_for(SMALL[1]))
        window.setGeometry(0, 0, *SMALL)
        window.start()
        SHOWS["wait"](0.5)
        desk = window.desk
        desk.act("mediastinum")
        photograph(QUESTION)
        key, mm = lesson.now.task.key, lesson.now.task.film.spacing.row_mm
        for name, mark, off_mm in (("tip", key.tip, (-1.0, 1.0)), ("carina", key.carina, (10.0, -9.0))):
            row, column = mark.row + off_mm[0] / mm, mark.column + off_mm[1] / mm
            desk.points.take(name)
            desk.points.click((row * desk.marking.film.pixel_aspect, column))
        desk.act("film")
        desk.points.tape = bent_along(desk.points.tape, lesson.now.task.key.airway)
        desk.refresh()
        photograph("practice-ruler")
        lesson.choose(Choice.TOO_LOW)
        lesson.move(2.0)
        desk.on_save()
        photograph("practice-answer")
        SHOWS["close"](window)


def bent_along(tape: Tape, airway: Sequence[Landmark]) -> Tape:
    """The ruler with bend and top on the airway, 5 and 10 cm up, where a hand would bring them."""
    foot = airway[-1].row
    for part, cm in ((TOP, LENGTH_CM), (MIDDLE, LENGTH_CM / 2.0)):
        at = min(airway, key=lambda point, row=foot - cm * tape.cm_px: abs(point.row - row))
        held = tape.places[part]
        tape = tape.moved(part, (at.row - held[0], at.column - held[1]))
    return tape


def show_report(folder: Path) -> None:
    """Rounds of an invented trainee who learns, and the report's first page in Chromium."""
    random = np.random.default_rng(7)
    url, history = str(folder / "practice.sqlite"), ()
    with Logbook.open(url) as logbook:
        for number in range(ROUNDS):
            round_ = start_round(history, START + timedelta(days=2 * number), FILMS, None, AgeGroup.ADULT)
            play(round_, lambda task, n=number: invented_answer(task, random, n), logbook)
            history = kept(logbook, "AB")
    page = folder / "report.html"
    page.write_text(write_report(progress_of(history), "AB", START), encoding="utf-8")
    size = f"--window-size={REPORT_PX[0]},{REPORT_PX[1]}"
    target = SCREENS / f"{REPORT}.png"
    words = [
        "chromium",
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        f"--user-data-dir={folder / 'browser'}",
    ]
    subprocess.run([*words, f"--screenshot={target}", size, page.as_uri()], check=True, capture_output=True)


def play(round_: Round, answer: Callable[[Task], Answer], logbook: Logbook) -> None:
    """Answer every film of a round."""
    while isinstance(spec := round_.next(), FilmSpec):
        task = make_task(spec)
        comparison = compare(task, answer(task))
        record = record_of(round_.settings, len(round_.done), comparison, teach(comparison))
        round_ = round_.answered(keep(logbook, "AB", comparison, record))


def invented_answer(task: Task, random: np.random.Generator, number: int) -> Answer:
    """Marks that lie too high at first and come nearer, a verdict that follows from them."""
    mm = 0.4 if task.film.spacing is None else task.film.spacing.row_mm

    def mark(at: Landmark | None, bias_mm: float) -> Landmark | None:
        if at is None:
            return None
        row, column = random.normal((bias_mm, 0.0), 3.0 - 0.5 * number) / mm
        return replace(at, row=at.row + row, column=at.column + column)

    tip, carina = mark(task.key.tip, -4.0 + number), mark(task.key.carina, 2.0)
    seconds = float(random.gamma(6.0, 9.0 - number))
    if task.key.tip is None or task.key.oesophageal:
        right = Choice.NO_TUBE if task.key.tip is None else Choice.CANNOT_SAY
        return Answer(tip, carina, right if random.random() < 0.8 else Choice.TOO_LOW, None, seconds)
    own: Any = assess(task.marked(tip, carina))
    zone = zone_of(own.distance.on_film.value, own.accepted_range)
    return Answer(tip, carina, zone, withdraw_cm(own), seconds)


if __name__ == "__main__":
    main(*SHOWS["asked"](__doc__))
