"""A round in a real window on a screen of its own: question, answer, truth, next film, and what is kept."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from annotate.logbook.store import Logbook
from annotate.practice.compare import Answer, Choice, compare, withdraw_cm
from annotate.practice.keeping import kept
from annotate.practice.lesson import CHOICES, Practice
from annotate.practice.rounds import start_round, unfinished
from annotate.practice.supply import Supply
from measure.assess import assess
from measure.patient import AgeGroup

START = datetime(2026, 3, 2, 8, tzinfo=UTC)


@pytest.fixture
def open_lesson(open_window):
    """Opens a round as `lipmark practice run` does."""
    return lambda lesson: open_window(*lesson.paths, purpose=lesson, load=lesson.load)


@pytest.fixture
def sitting(open_lesson, tmp_path):
    """A round of three films in the window, and its logbook."""
    url = str(tmp_path / "log.sqlite")
    with Supply() as supply:
        lesson = Practice(start_round((), START, 3, None, AgeGroup.ADULT, seed=3), "AB", url, supply)
        yield open_lesson(lesson), lesson, url


def answer_right(reader, lesson):
    """Place both points where they truly are, with the keys and the mouse, and choose what is right."""
    task = lesson.now.task
    truth = assess(task.true_case())
    for press, mark in (("T", task.key.tip), ("C", task.key.carina)):
        if mark is not None:
            reader.press(press)
            reader.click(mark.row, mark.column)
    choice = compare(task, Answer(task.key.tip, task.key.carina, Choice.CANNOT_SAY)).expected
    reader.press(str(CHOICES.index(choice) + 1))
    move = withdraw_cm(truth)
    if move is not None:
        for press in ["0", *(["W"] * round(2 * move) if move > 0 else ["D"] * round(-2 * move))]:
            reader.press(press)
    reader.press("Ctrl+S")


def test_a_round_from_question_to_figures(sitting):
    reader, lesson, url = sitting
    for place in range(3):
        assert lesson.compared(reader.marking) is None
        assert "Where does the tip lie?" in reader.shown()
        assert "SOLVED" not in reader.shown()
        reader.press("M")
        answer_right(reader, lesson)
        assert len(lesson.round.done) == place + 1, reader.shown()
        assert "SOLVED" in reader.shown()
        assert lesson.now.lesson.sentence in reader.shown()
        if place < 2:
            reader.press("N")
    assert lesson.round.finished
    assert "The round" in reader.shown()
    assert reader.window.minimumSizeHint().height() <= 768
    with Logbook.open(url) as logbook:
        records = kept(logbook, "AB")
        assert logbook.verify().sound
    assert [replace(r, time=None) for r in records] == [replace(r, time=None) for r in lesson.round.done]
    assert all(r.seconds > 0.0 for r in records)
    assert all(abs(r.error_mm) < 3.0 for r in records if r.error_mm is not None)


def test_the_film_before_is_answered_first(sitting):
    reader, _, _ = sitting
    reader.press("N")
    assert reader.marking is None
    assert "Answer the film before this one first" in reader.shown()
    reader.press("P")
    assert "Where does the tip lie?" in reader.shown()


def test_what_is_missing_is_asked_for(sitting):
    reader, lesson, _ = sitting
    key = lesson.now.task.key
    reader.press("Ctrl+S")
    assert "keys 1 to 6" in reader.shown()
    reader.press("2")
    reader.press("Ctrl+S")
    assert "Place the tip" in reader.shown()
    reader.press("T")
    reader.click(key.tip.row, key.tip.column)
    reader.press("C")
    reader.press("V")
    reader.press("Ctrl+S")
    assert "Say what to do" in reader.shown()
    assert not lesson.round.done
    reader.press("W")
    reader.press("Ctrl+S")
    assert len(lesson.round.done) == 1


def test_the_help_sheet_has_the_lessons_keys(sitting):
    from qtpy.QtWidgets import QLabel

    from annotate.window.help_sheet import HelpSheet

    reader, lesson, _ = sitting
    reader.press("F1")
    (sheet,) = reader.window.findChildren(HelpSheet)
    words = " ".join(label.text() for label in sheet.findChildren(QLabel))
    assert all(said in words for _, said in lesson.keys)
    sheet.reject()


def test_an_answer_stays_as_it_was_given(sitting):
    reader, lesson, _ = sitting
    answer_right(reader, lesson)
    before = reader.at("tip")
    reader.press("T")
    reader.press("Up")
    reader.press("Ctrl+Z")
    reader.press("1")
    reader.press("Ctrl+S")
    assert reader.at("tip") == before
    assert len(lesson.round.done) == 1
    reader.drag(before, (before[0] + 40.0, before[1]))
    assert reader.at("tip") == before
    reader.press("N")
    assert lesson.round.next() == lesson.now.source
    reader.press("P")
    assert reader.at("tip") == before
    assert reader.marking.film.shape == (1024, 1024)
    assert "SOLVED" in reader.shown()


def test_the_truth_is_drawn_with_another_sign_and_joined_to_the_mark(sitting):
    from annotate.window.overlay import draw

    reader, lesson, _ = sitting
    answer_right(reader, lesson)
    truth = lesson.compared(reader.marking)
    assert (truth.tip, truth.carina) == (lesson.now.task.key.tip, lesson.now.task.key.carina)
    drawing = draw(reader.marking, 1.0, False, "", truth, lesson.compared_as)
    alone = draw(reader.marking, 1.0, False)
    added = drawing.strokes[: len(drawing.strokes) - len(alone.strokes)]
    assert [stroke.dashed for stroke in added] == [False, True, False, True]
    assert {label.text for label in drawing.labels} == {"tip", "carina", "tip, true", "carina, true"}


def test_a_round_left_off_goes_on_in_another_window(sitting, open_lesson):
    reader, lesson, url = sitting
    answer_right(reader, lesson)
    coming = lesson.round.next()
    reader.close_unasked()
    with Logbook.open(url) as logbook:
        left = unfinished(kept(logbook, "AB"))
    with Supply() as supply:
        again = Practice(left, "AB", url, supply)
        assert len(again.paths) == 2
        open_lesson(again)
        assert again.now.task.spec == coming
        assert "film 2" in str(again.paths[0])


def test_the_command_opens_the_round_and_tells_what_is_left(screen, lipmark, tmp_path):
    from napari.qt import get_qapp
    from qtpy.QtCore import QTimer
    from qtpy.QtWidgets import QApplication

    from annotate.window.main_window import MarkingWindow

    get_qapp()
    url = str(tmp_path / "log.sqlite")

    def answer_and_close():
        for window in QApplication.topLevelWidgets():
            if isinstance(window, MarkingWindow) and window.isVisible() and window.desk.marking is not None:
                window.desk.session.purpose.choose(Choice.NO_TUBE)
                window.desk.on_save()
                window.close()

    looks = QTimer(interval=200)
    looks.timeout.connect(answer_and_close)
    looks.start()
    for left, words in (("2 films are left", ("--films", 3, "--seed", 3)), ("1 film is left", ())):
        status, out, err = lipmark("practice", "run", *words, "--reader", "AB", "--logbook", url)
        assert status == 0, err
        assert left in out
    looks.stop()
    assert "Going on with film 2 of 3" in out
    with Logbook.open(url) as logbook:
        assert [record.index for record in kept(logbook, "AB")] == [0, 1]


def test_a_logbook_that_cannot_be_written_keeps_the_question_open(open_lesson, tmp_path):
    folder = tmp_path / "log.sqlite"
    folder.mkdir()
    with Supply() as supply:
        round_ = start_round((), START, 1, 0.2, AgeGroup.ADULT, seed=3)
        lesson = Practice(round_, "AB", str(folder), supply)
        reader = open_lesson(lesson)
        answer_right(reader, lesson)
        assert "Not kept" in reader.shown()
        assert not lesson.round.done
        assert "Where does the tip lie?" in reader.shown()
