"""The film before beside this one: level, size, words, and the strip of all films of a tube."""

import threading
from dataclasses import replace

import pytest
from qtpy.QtCore import QPoint

from annotate.window.beside import linked
from annotate.window.camera import Camera
from annotate.window.marking import Marking
from imaging.load import load_film
from imaging.propose import Proposal
from measure.landmarks import Landmark, Landmarks


def marked(film, tip, carina):
    marks = Landmarks(tip=Landmark(*tip, 5.0), carina=Landmark(*carina, 5.0))
    return Marking("film", film, Proposal(marks))


def test_the_carinas_lie_level_and_a_centimetre_is_as_long_on_both(dicom_film):
    film = load_film(dicom_film())
    half = replace(film, spacing=replace(film.spacing, row_mm=0.4, column_mm=0.4))
    here, there = marked(film, (600.0, 600.0), (900.0, 610.0)), marked(half, (300.0, 280.0), (420.0, 300.0))
    camera = Camera((700.0, 500.0), 0.6, (800, 700))
    other = linked(camera, here, there)
    assert other.on_screen((420.0, 300.0)) == pytest.approx(camera.on_screen((900.0, 610.0)))
    assert other.zoom / 0.4 == pytest.approx(camera.zoom / film.spacing.column_mm)


def of_one_patient(path):
    loaded = load_film(path)
    return replace(loaded, identifiers=replace(loaded.identifiers, patient_id="bed 7"))


def test_another_patients_film_is_never_compared_with(open_window, invented):
    today, other = invented
    reader = open_window(today, beside=other).proposed()
    reader.press("Y")
    reader.until(lambda: "another patient's film" in reader.shown(), "why it is not shown")
    assert not reader.desk.beside.side.isVisible()
    assert reader.marking.reading.change is None


def test_a_second_file_stands_beside_with_what_explains_the_difference(open_window, invented):
    today, yesterday = invented
    reader = open_window(today, beside=yesterday, load=of_one_patient).proposed()
    reader.press("Y")
    assert "is being looked at" in reader.desk.beside._head.text()
    reader.until(lambda: reader.desk.beside._before is not None, "the film before")
    reader.settle()
    assert reader.desk.beside._view._drawing.strokes
    head = reader.desk.beside._head.text()
    assert "The film before:" in head
    assert "lip mark and neck not known: read and save that film first" in head
    change = reader.marking.reading.change
    assert change is not None
    assert f"Tip {change.change_cm.value:+.1f} cm since the film before" in reader.shown()
    other = reader.desk.beside._before.landmarks.carina
    view = reader.desk.beside._view
    there = view.mapToGlobal(QPoint(*map(round, view.camera.on_screen((other.row, other.column)))))
    assert there.y() == pytest.approx(reader.canvas.mapToGlobal(reader.on_screen(*reader.at("carina"))).y(), abs=2)
    assert view.width() == pytest.approx(reader.canvas.width(), rel=0.1)
    row, column = reader.at("carina")
    reader.drag((row, column), (row + 40, column))
    there = view.mapToGlobal(QPoint(*map(round, view.camera.on_screen((other.row, other.column)))))
    assert there.y() == pytest.approx(reader.canvas.mapToGlobal(reader.on_screen(*reader.at("carina"))).y(), abs=2)
    reader.press("Y")
    assert not reader.desk.beside.side.isVisible()


def test_the_patients_film_before_is_found_by_the_logbook(open_window, film, invented):
    """Both are said to be of one patient; the file is at hand because this sitting has opened it."""
    yesterday, today = invented
    reader = open_window(yesterday, today, load=of_one_patient).proposed()
    reader.press("A")
    reader.press("Ctrl+S")
    reader.press("N")
    reader.proposed()
    assert reader.marking.reading.change.film == "entry 1"
    reader.press("Y")
    reader.until(lambda: reader.desk.beside._before is not None, "the film before")
    assert len(reader.desk.beside._strip.points) == 1
    assert reader.desk.beside._before.landmarks.tip is not None


def test_the_window_goes_on_while_the_film_before_is_loaded(open_window, invented):
    """Nothing of it is done in the window's own thread."""
    today, yesterday = invented
    let_go, threads = threading.Event(), []

    def load(path):
        if path == yesterday:
            threads.append(threading.current_thread())
            assert let_go.wait(20.0)
        return of_one_patient(path)

    reader = open_window(today, beside=yesterday, load=load).proposed()
    reader.press("Y")
    reader.press("Shift+Up")
    assert reader.desk.beside._before is None
    let_go.set()
    reader.until(lambda: reader.desk.beside._before is not None, "the film before")
    assert threads
    assert threading.main_thread() not in threads


def taken(path, moment):
    loaded = of_one_patient(path)
    return replace(loaded, identifiers=replace(loaded.identifiers, taken=moment))


def test_a_film_between_two_others_stands_between_them_in_the_strip(open_window, film, invented, tmp_path):
    """Films are read in any order: the strip has them as they were taken, the open one at its own place."""
    first, last = invented
    between = tmp_path / "between.dcm"
    between.write_bytes(first.read_bytes())
    moments = {first: "20260302080000", last: "20260304080000", between: "20260303080000"}

    def load(path):
        loaded = taken(path, moments[path])
        if path != between:
            return loaded
        return replace(loaded, identifiers=replace(loaded.identifiers, sop_instance_uid="2.25.1"))

    reader = open_window(first, last, between, load=load)
    for _ in range(2):
        reader.proposed().press("A")
        reader.press("Ctrl+S")
        reader.press("N")
    reader.proposed().press("Y")
    strip = reader.desk.beside._strip
    reader.until(strip.isVisible, "the strip")
    assert (len(strip._before), len(strip._after)) == (1, 1)
    assert strip._before[0].hours == 0.0
    assert strip._after[0].hours == pytest.approx(48.0)


def test_no_film_before_is_told(open_window, film):
    reader = open_window(film).proposed()
    reader.press("Y")
    assert "No film before this one is known" in reader.shown()
