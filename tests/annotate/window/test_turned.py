"""A film that lies on its side or upside down is measured upright, whoever reads it, and however blindly."""

import json
import threading

import numpy as np
import pytest
from PIL import Image

from annotate.logbook.store import Logbook
from annotate.window.marking import TURN_NOT_KNOWN
from annotate.window.purpose import FirstReading, NotSavedError, SecondReading
from annotate.window.session import Session
from imaging.film import Film
from imaging.orientation import turned_film
from measure.landmarks import Landmarks
from measure.turning import turned_landmarks
from synthetic_images.film import make_film
from synthetic_images.recipe import Placement, draw_recipe

TURNS = (1, 2, 3)


@pytest.fixture(scope="module")
def lying(tmp_path_factory):
    """One film as a picture without a header, turned so and so: its path and true points."""
    made = make_film(draw_recipe(500, difficulty=0.3, placement=Placement.TRACHEA, rows=768, columns=600))
    film = Film(made.pixels.astype(np.float32) / np.float32(4095.0))
    true, folder = made.truth.landmarks(), tmp_path_factory.mktemp("lying")

    def of(turns):
        path = folder / f"{turns}.png"
        Image.fromarray((turned_film(film, turns).pixels * 255.0).astype(np.uint8)).save(path)
        marks = turned_landmarks(Landmarks(tip=true.tip, carina=true.carina), film.shape, turns)
        return path, {name: (at.row, at.column) for name, at in (("tip", marks.tip), ("carina", marks.carina))}

    return of


def read_by_hand(path, points, purpose, search):
    """The Reading that is kept of it."""
    session = Session([path], purpose, search=search)
    session.open(0)
    marking = session.marking
    for name, at in points.items():
        marking.change(marking.marks.put(name, 0, at))
    marking.type("mm_per_pixel", "0.5")
    marking.proposal = session.look(marking)
    session.save()
    return marking.reading


@pytest.mark.parametrize("turns", TURNS)
def test_a_second_reading_of_a_turned_film_is_measured_like_the_first(lying, search, read_json, turns):
    path, points = lying(turns)
    first = read_by_hand(path, points, FirstReading("AB"), search)
    second = read_by_hand(path, points, SecondReading("CD"), search)
    assert second.inputs.quarter_turns == (-turns) % 4
    assert second == first
    words = [f"--{name}={row!r},{column!r}" for name, (row, column) in points.items()]
    assert second.to_dict() == read_json(path, *words, "--mm-per-pixel", "0.5")
    with Logbook.open() as logbook:
        assert {entry.reading["inputs"]["quarter_turns"] for entry in logbook.entries()} == {(-turns) % 4}


def test_nothing_but_how_it_lies_is_told_to_the_second_reader(open_window, lying):
    path, points = lying(1)
    reader = open_window(path, purpose=SecondReading("CD"))
    reader.until(lambda: not reader.marking.waits, "how the film lies")
    assert reader.marking.landmarks == Landmarks()
    for name, key in (("tip", "T"), ("carina", "C")):
        reader.press(key)
        reader.click(*points[name])
    assert "lies on its side" in reader.shown()
    assert reader.marking.reading.inputs.quarter_turns == 3


def test_nothing_is_said_or_saved_before_it_is_known_how_the_film_lies(open_window, lying, monkeypatch):
    known, look = threading.Event(), Session.look

    def slow(session, marking):
        known.wait(20.0)
        return look(session, marking)

    monkeypatch.setattr(Session, "look", slow)
    path, points = lying(2)
    reader = open_window(path, purpose=SecondReading("CD"))
    assert "Looking at how the film lies" in reader.shown()
    for name, at in points.items():
        reader.marking.change(reader.marking.marks.put(name, 0, at))
    reader.desk.changed()
    assert "Looking at how the film lies" in reader.shown()
    with pytest.raises(NotSavedError, match="still being looked at"):
        reader.session.save()
    known.set()
    reader.until(lambda: not reader.marking.looking, "how the film lies")
    assert "upside down" in reader.shown()
    assert "Saved as entry 1" in reader.session.save()


def test_a_film_that_header_and_hand_call_upright_need_not_be_waited_for(film):
    session = Session([film], SecondReading("CD"))
    session.open(0)
    marking = session.marking
    marking.change(marking.marks.put("tip", 0, (300.0, 500.0)).put("carina", 0, (500.0, 510.0)))
    assert marking.proposal is TURN_NOT_KNOWN
    assert not marking.looking
    assert json.dumps(marking.reading.to_dict())
