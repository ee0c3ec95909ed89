"""Films on their side and upside down: turned back for the search, told as they lie."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from annotate.drawing.picture import annotated_picture
from annotate.drawing.ruler import accepted_zone, airway_ruler
from imaging.case import Request, case_of
from imaging.film import Film
from imaging.orientation import turned_film
from imaging.propose import propose
from measure.assess import assess
from measure.landmarks import Landmarks
from measure.spacing import Plane, Spacing, SpacingSource
from measure.turning import turned_landmarks, turned_shape
from synthetic_images.film import make_film
from synthetic_images.recipe import Placement, draw_recipe

DIFFICULTIES = (0.0, 0.3, 0.6, 1.0)
TURNS = (1, 2, 3)


@cache
def upright(difficulty: float) -> Film:
    made = make_film(draw_recipe(500, difficulty=difficulty, placement=Placement.TRACHEA, rows=768, columns=600))
    pitch = made.recipe.pitch_mm
    spacing = Spacing(pitch, pitch, Plane.DETECTOR, SpacingSource.USER, 0.01)
    return Film(made.pixels.astype(np.float32) / np.float32(4095.0), spacing=spacing)


@cache
def found(difficulty: float) -> Landmarks:
    return propose(upright(difficulty)).landmarks


@pytest.mark.parametrize("difficulty", DIFFICULTIES)
@pytest.mark.parametrize("turns", TURNS)
def test_a_turned_film_gives_the_points_of_the_upright_one(difficulty, turns):
    film = upright(difficulty)
    proposal = propose(turned_film(film, turns))
    assert (proposal.quarter_turns + turns) % 4 == 0
    expected = turned_landmarks(found(difficulty), film.shape, turns)
    for name in ("tip", "carina"):
        mark, wanted = getattr(proposal.landmarks, name), getattr(expected, name)
        assert math.hypot(mark.row - wanted.row, mark.column - wanted.column) <= 0.5
        assert mark.confidence == pytest.approx(wanted.confidence, abs=0.01)
    assert len(proposal.landmarks.tube_line) == len(expected.tube_line)


@pytest.mark.parametrize("turns", TURNS)
def test_its_reading_is_that_of_the_upright_film_and_says_so(turns):
    film = upright(0.3)
    proposal = propose(film)
    straight = assess(case_of("film", film, Request(), proposal))
    turned = assess(case_of("film", turned_film(film, turns), Request()))
    assert turned.distance.on_film.value == pytest.approx(straight.distance.on_film.value, abs=0.01)
    assert turned.verdict is straight.verdict
    assert "measured turned" in turned.cautions[0]


@pytest.mark.parametrize("turns", TURNS)
@pytest.mark.parametrize("below_carina", [False, True])
def test_points_of_a_hand_on_a_turned_film_are_measured_upright(turns, below_carina):
    film = upright(0.3)
    tip, carina = found(0.3).tip, found(0.3).carina
    if below_carina:
        tip = replace(tip, row=2.0 * carina.row - tip.row)
    hands = Landmarks(tip=tip, carina=carina)

    def reading(quarter_turns):
        marks = turned_landmarks(hands, film.shape, quarter_turns)
        points = {name: (at.row, at.column) for name, at in (("tip", marks.tip), ("carina", marks.carina))}
        return assess(case_of("film", turned_film(film, quarter_turns), Request(**points)))

    straight, turned = reading(0), reading(turns)
    assert (straight.distance.vertical_on_film.value < 0.0) is below_carina
    assert turned.distance.vertical_on_film.value == pytest.approx(straight.distance.vertical_on_film.value)
    assert turned.verdict is straight.verdict


def test_a_row_of_the_mandible_is_not_used_on_a_turned_film():
    case = case_of("film", turned_film(upright(0.3), 1), Request(mandible_row=100.0))
    assert case.landmarks.mandible is None
    assert any("mandible" in note for note in case.notes)


@pytest.mark.parametrize("turns", TURNS)
def test_ruler_and_zone_turn_with_the_film(turns):
    film = upright(0.3)
    there = turned_film(film, turns)
    straight = assess(case_of("film", film, Request()))
    turned = assess(case_of("film", there, Request()))
    ruler, expected = airway_ruler(there, turned), airway_ruler(film, straight)
    rows, columns = np.array(turned_shape(film.shape, turns)) - 1
    for height in (0.0, 3.0, 10.0):
        row, column = ruler.at(height)
        back = {1: (column, rows - row), 2: (rows - row, columns - column), 3: (columns - column, row)}[turns]
        assert back == pytest.approx(expected.at(height), abs=0.5)
    zone = accepted_zone(ruler, turned.accepted_range, 1.0)
    assert np.ptp(zone.middle, axis=0).argmax() == (1 if turns % 2 else 0)
    across = zone.right - zone.left
    assert np.abs(across).max(axis=0).argmax() == (0 if turns % 2 else 1)
    assert annotated_picture(there, turned).height > 900
