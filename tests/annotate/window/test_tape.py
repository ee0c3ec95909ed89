"""The ruler that a hand lays on the film: true centimetres, bent along the airway, in nobody's way."""

import math

import numpy as np
import pytest
from qtpy.QtCore import Qt
from qtpy.QtTest import QTest

from annotate.window.purpose import Purpose
from annotate.window.tape import FOOT, GRIP_PX, LENGTH_CM, MIDDLE, TOP, WHOLE, Tape, pixels_per_cm, straight
from imaging.load import load_film
from measure.distance import film_per_measured

CM_PX = 50.0


class Measures(Purpose):
    """Marks that are not kept, and a ruler as in practice."""

    proposes = False
    lays_ruler = True


def test_a_straight_ruler_has_ten_centimetres_and_even_ticks():
    tape = straight((900.0, 600.0), (100.0, 600.0), CM_PX)
    assert tape.heights_cm[-1] == pytest.approx(LENGTH_CM)
    assert tape.at(np.arange(11.0)) == pytest.approx(np.array([(900.0 - CM_PX * cm, 600.0) for cm in range(11)]))
    assert tape.aside(np.array([0.0, 5.0, 10.0])) == pytest.approx(np.array([(0.0, 1.0)] * 3))


def test_a_bent_ruler_is_measured_along_its_bend():
    """The length of a parabola from its closed form (any table of integrals)."""
    tape = straight((0.0, 0.0), (-1.0, 0.0), CM_PX).moved(MIDDLE, (0.0, 100.0))
    span, sag = 10.0 * CM_PX, 100.0
    slope = 4.0 * sag / span
    length = span / 2.0 * (math.sqrt(1.0 + slope**2) + math.asinh(slope) / slope)
    assert tape.heights_cm[-1] * CM_PX == pytest.approx(length, rel=1e-3)
    assert tape.at(tape.heights_cm[-1:] / 2.0)[0] == pytest.approx((-span / 2.0, sag), abs=0.5)


def test_centimetres_are_those_of_the_film(dicom_film):
    film = load_film(dicom_film())
    at_detector = film_per_measured(film.spacing.plane, film.magnification).value
    assert pixels_per_cm(film) * film.spacing.column_mm * at_detector == pytest.approx(10.0)


def test_grips_bend_turn_and_move_it():
    tape = straight((900.0, 600.0), (100.0, 600.0), CM_PX)
    foot, middle, top = tape.grips(pixel=1.0)
    assert foot == pytest.approx((900.0 + GRIP_PX, 600.0))
    assert (middle[1], top[0]) == pytest.approx((600.0 - GRIP_PX, 400.0 - GRIP_PX))
    parts = [tape.part_near(at, 1.0, 16.0) for at in (foot, middle, top, (700.0, 603.0), (700.0, 640.0))]
    assert parts == [FOOT, MIDDLE, TOP, WHOLE, None]
    assert tape.moved(WHOLE, (1.0, 2.0)).places == tuple((y + 1.0, x + 2.0) for y, x in tape.places)
    assert tape.moved(TOP, (0.0, 40.0)).places[0] == tape.places[0]


def drag_on_screen(reader, start, by):
    """From a place of true shape, by so many screen pixels."""
    here = reader.on_screen(start[0] / reader.marking.film.pixel_aspect, start[1])
    button, none = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
    QTest.mousePress(reader.canvas, button, none, here)
    for _ in range(2):
        QTest.mouseMove(reader.canvas, here + by)
        reader.settle()
    QTest.mouseRelease(reader.canvas, button, none, here + by)
    reader.settle()


def test_it_lies_there_with_both_points_and_hinders_none_of_them(open_window, film, invented):
    from qtpy.QtCore import QPoint

    truth = invented[film].landmarks()
    reader = open_window(film, purpose=Measures())
    points = reader.desk.points
    reader.press("M")
    reader.click(truth.tip.row, truth.tip.column)
    assert points.tape is None
    reader.press("Esc")
    reader.click(truth.carina.row, truth.carina.column)
    assert isinstance(points.tape, Tape)
    assert points.tape.places[0] == pytest.approx(reader.at("carina"), abs=1e-6)
    assert f"{LENGTH_CM:.0f} cm" in reader.words
    pixel = 1.0 / reader.window.view.camera.zoom
    bend = points.tape.places[1]
    drag_on_screen(reader, points.tape.grips(pixel)[MIDDLE], QPoint(30, 0))
    assert points.tape.places[1] == pytest.approx((bend[0], bend[1] + 30.0 * pixel), abs=2.0 * pixel)
    zero = points.tape.places[0]
    reader.drag(reader.at("tip"), (reader.at("tip")[0] - 20, reader.at("tip")[1]))
    reader.drag(reader.at("carina"), (reader.at("carina")[0] + 20, reader.at("carina")[1]))
    assert points.tape.places[0] == zero
    assert reader.at("carina")[0] == pytest.approx(truth.carina.row + 20, abs=3)
    lying = points.tape
    reader.press("T")
    reader.press("T")
    on_it = lying.at(np.array([6.0]))[0]
    reader.click(*on_it)
    assert reader.at("tip") == pytest.approx(tuple(on_it), abs=3)
    assert points.tape == lying
    reader.press("R")
    assert points.tape is None
    reader.press("R")
    assert points.tape.places[0] == pytest.approx(reader.at("carina"), abs=1e-6)


def test_a_click_on_the_ruler_places_what_is_missing(open_window, film):
    reader = open_window(film, purpose=Measures())
    reader.press("R")
    lying = reader.desk.points.tape
    at = lying.at(np.array([5.0]))[0]
    reader.click(*at)
    assert reader.at("tip") == pytest.approx(tuple(at), abs=3)
    assert reader.desk.points.tape == lying


def test_a_film_without_a_scale_has_no_ruler_and_says_so(open_window, png_film):
    reader = open_window(png_film, purpose=Measures())
    reader.press("R")
    assert reader.desk.points.tape is None
    assert "what a pixel is worth" in reader.shown()
