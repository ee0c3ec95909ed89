"""What a new user does first: clicks, presses twice, waits, asks whose film it is, takes a note along."""

import threading
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from qtpy.QtTest import QTest
from qtpy.QtWidgets import QApplication, QFileDialog

from annotate.window.marking import Marking
from annotate.window.purpose import Purpose
from annotate.window.session import Session
from imaging.load import load_film
from imaging.propose import Proposal
from measure.landmarks import Landmark, Landmarks, Source


@pytest.fixture
def slow_search(monkeypatch):
    """A search that waits until it is let go."""
    let_go = threading.Event()
    found = Session.look

    def look(session, marking):
        let_go.wait(20.0)
        return found(session, marking)

    monkeypatch.setattr(Session, "look", look)
    yield let_go
    let_go.set()


def test_while_it_looks_it_says_so_and_a_hands_mark_is_kept(open_window, film, slow_search):
    reader = open_window(film)
    assert "Looking for tip and carina" in reader.shown()
    assert not any(word in reader.shown() for word in ("CANNOT SAY", "UNSURE", "NO TUBE"))
    reader.click(300, 500)
    placed = reader.at("tip")
    slow_search.set()
    reader.until(lambda: not reader.marking.looking, "the proposal")
    assert reader.at("tip") == placed
    assert reader.marking.points("tip")[0].source is Source.HAND
    assert reader.marking.points("carina")[0].source is Source.PROPOSED


def test_a_second_press_of_t_moves_the_tip_to_the_next_click(open_window, film):
    reader = open_window(film).proposed()
    before = reader.at("tip")
    reader.press("T")
    reader.click(before[0] - 150, before[1] - 200)
    assert reader.at("tip") == before
    reader.press("T")
    reader.press("T")
    assert "click on the film" in reader.shown()
    reader.click(before[0] - 60, before[1])
    assert reader.at("tip")[0] == pytest.approx(before[0] - 60, abs=3)
    reader.press("Ctrl+Z")
    assert reader.at("tip") == before


@pytest.mark.parametrize("away_px", [0, 5, 12])
def test_a_click_that_was_asked_for_moves_the_tip_by_a_hair_too(open_window, film, away_px):
    """Near the tip the click took it instead, and nothing happened."""
    reader = open_window(film).proposed()
    reader.press("M")
    row, column = reader.at("tip")
    pixel = 1.0 / reader.window.view.camera.zoom
    reader.press("T")
    reader.press("T")
    reader.click(row - away_px * pixel, column)
    tip = reader.marking.points("tip")[0]
    assert tip.source is Source.HAND
    assert (tip.row, tip.column) == pytest.approx((row - away_px * pixel, column), abs=pixel)
    assert "click on the film" not in reader.shown()


def test_the_path_is_dragged_only_where_it_was_chosen(open_window, film):
    reader = open_window(film).proposed()
    path = reader.marking.points("airway-path")
    assert path
    middle = path[len(path) // 2]
    reader.press("M")
    reader.drag((middle.row, middle.column), (middle.row, middle.column + 30))
    assert "airway-path" not in reader.marking.marks.placed
    reader.press("M")
    reader.desk.points.take("airway-path")
    reader.press("Esc")
    reader.desk.points.selected = "airway-path"
    reader.drag((middle.row, middle.column), (middle.row, middle.column + 30))
    assert "airway-path" in reader.marking.marks.placed


def test_the_length_of_an_object_is_asked_for_on_the_film(open_window, film):
    reader = open_window(film).proposed()
    reader.desk.points.take("known-object")
    reader.click(200, 200)
    reader.click(200, 300)
    ask = reader.desk.panel._length
    assert ask.isVisible()
    assert ask.parent() is reader.canvas
    QTest.keyClicks(QApplication.focusWidget(), "40")
    reader.press("Return")
    assert not ask.isVisible()
    assert reader.marking.reading.inputs.spacing.source.value == "known object"
    assert reader.field("object_mm").text() == "40"


def test_neck_and_clear_have_a_key_each_that_takes_itself_back(open_window, film):
    reader = open_window(film).proposed()
    usual = reader.marking.reading.distance.on_film
    reader.press("A")
    reader.press("2")
    assert reader.marking.reading.inputs.neck_posture.value == "flexed"
    assert reader.desk.panel._necks["flexed"].isChecked()
    by_hand = reader.marking.reading.distance.on_film
    reader.press("K")
    assert reader.marking.reading.distance.on_film.sd < by_hand.sd < usual.sd
    reader.press("2")
    assert reader.marking.reading.inputs.neck_posture.value == "unknown"


def test_whose_film_it_is_is_shown_on_demand_and_kept_nowhere(open_window, dicom_film):
    path = dicom_film()
    reader = open_window(path)
    assert "4711" not in reader.shown()
    reader.press("U")
    assert "4711" in reader.shown()
    reader.press("U")
    assert "4711" not in reader.shown()


def test_a_note_names_nobody(open_window, dicom_film, film):
    reader = open_window(film).proposed()
    reader.press("Ctrl+C")
    note = QApplication.clipboard().text()
    assert f"{reader.marking.reading.distance.on_film.value:.1f} cm" in note
    assert "proposed, not checked" in note
    who = reader.marking.film.identifiers
    told = (who.patient_name, who.patient_id, who.birth_date, who.study_date, film.name)
    assert not any(word in note for word in told if word)


def test_a_picture_is_saved_and_drawn_for_paper(open_window, film, tmp_path, monkeypatch):
    reader = open_window(film).proposed()
    path = tmp_path / "tube.png"
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: (str(path), ""))
    reader.press("Ctrl+E")
    with Image.open(path) as picture:
        assert picture.width > 900
    from qtpy.QtGui import QImage

    paper = QImage(800, 1000, QImage.Format.Format_RGB888)
    paper.fill(0xFFFFFF)
    sharing = next(part for part in reader.desk._parts if hasattr(part, "draw_on"))
    sharing.draw_on(paper)
    drawn = np.frombuffer(paper.constBits(), np.uint8)
    assert (drawn < 200).mean() > 0.1


def test_the_window_fits_again_after_a_resize_and_the_panel_folds(open_window, film):
    reader = open_window(film).proposed()
    panel, view = reader.desk.panel, reader.window.view
    before = view.camera.zoom
    reader.press("B")
    reader.settle()
    assert not panel.isVisible()
    reader.window.resize(700, 500)
    reader.settle()
    assert view.camera.zoom < before
    rows = reader.marking.film.shape[0]
    assert view.camera.on_screen((0.0, 0.0))[1] >= 0
    assert view.camera.on_screen((float(rows), 0.0))[1] <= view.height()
    reader.press("B")
    assert panel.isVisible()


def test_a_notice_does_not_move_the_form(open_window, film):
    reader = open_window(film).proposed()
    reader.settle()
    before = reader.field("lip_mark").mapToGlobal(reader.field("lip_mark").rect().topLeft())
    reader.press("P")
    assert "first film" in reader.shown()
    assert reader.field("lip_mark").mapToGlobal(reader.field("lip_mark").rect().topLeft()) == before


def test_the_next_films_are_loaded_and_proposed_beforehand_and_let_go_again(open_window, invented):
    first, second = invented
    films = [first, second, first, second, first]
    reader = open_window(*films, ahead=2).proposed()
    reader.until(lambda: len(reader.session._found) == 2, "the search ahead")
    reader.press("N")
    assert not reader.marking.looking
    for _ in range(3):
        reader.press("N")
    assert set(reader.session._shelf._films) <= {3, 4}


def test_a_newborn_is_not_offered_an_adults_examples(dicom_film):
    from annotate.window.form import hints_of
    from measure.patient import Patient

    film = load_film(dicom_film())
    hints = hints_of(replace(film, patient=Patient(age_years=3 / 365.25)))
    assert hints["age"] == "film: 3d"
    assert hints["tube_size"] == "e.g. 3.5"
    assert "23" not in " ".join(hints.values())


def test_what_sharpens_most_is_asked_first(dicom_film):
    from annotate.window.asked import asked_of

    film = load_film(dicom_film())
    marks = Landmarks(
        tip=Landmark(690.0, 600.0, 2.0, Source.PROPOSED, 0.9),
        carina=Landmark(900.0, 600.0, 60.0, Source.PROPOSED, 0.9),
    )
    asked = asked_of(Marking("film", film, Proposal(marks)))
    assert "carina is only proposed" in asked[0]
    surer = Landmarks(tip=marks.tip, carina=Landmark(900.0, 600.0, 4.0, Source.PROPOSED, 0.9))
    assert "carina" not in asked_of(Marking("film", film, Proposal(surer)))[0]


def test_the_magnifier_closes_when_the_marks_are_locked(open_window, film):
    class Answered(Purpose):
        proposes = False
        done = False

        def locked(self, marking):
            return self.done

    purpose = Answered()
    reader = open_window(film, purpose=purpose)
    reader.press("T")
    reader.click(300, 500)
    reader.desk.points.hover(reader.at("tip"))
    assert reader.desk.looks.magnifier.isVisible()
    purpose.done = True
    reader.desk.refresh()
    assert not reader.desk.looks.magnifier.isVisible()
    reader.desk.points.hover(reader.at("tip"))
    assert not reader.desk.looks.magnifier.isVisible()


def test_headers_that_name_two_patients_differ(dicom_film):
    film = load_film(dicom_film())
    other = replace(film, identifiers=replace(film.identifiers, patient_id="4712"))
    silent = replace(film, identifiers=replace(film.identifiers, patient_id="", issuer_of_patient_id=""))
    assert film.identifiers.contradict(other.identifiers)
    assert not film.identifiers.contradict(silent.identifiers)
    assert not film.identifiers.contradict(film.identifiers)
