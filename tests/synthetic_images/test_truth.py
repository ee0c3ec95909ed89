"""What is called true, against the geometry and against the picture itself."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from measure.patient import AgeGroup
from measure.posture import NeckPosture
from synthetic_images.anatomy import build_anatomy
from synthetic_images.errors import SyntheticError
from synthetic_images.recipe import LinePattern, Placement, draw_recipe
from synthetic_images.scene import Scene
from synthetic_images.truth import Truth, find_truth
from synthetic_images.tube import draw_tube, place_tube


def truth_of(recipe) -> Truth:
    body = build_anatomy(recipe)
    return find_truth(body, place_tube(body))


def _tube_alone(recipe):
    """The tube with nothing else: line integrals and truth."""
    body = build_anatomy(recipe)
    tube = place_tube(body)
    scene = Scene(np.zeros((recipe.rows, recipe.columns), np.float32), body.camera, 90.0)
    draw_tube(scene, tube)
    return scene.film, find_truth(body, tube), tube


@pytest.mark.parametrize("seed", range(6))
def test_the_tube_ends_at_the_tip(seed: int) -> None:
    recipe = draw_recipe(seed, difficulty=0.2)
    recipe = replace(recipe, tube=replace(recipe.tube, line=LinePattern.NONE, roll_deg=0.0, armoured=False))
    film, truth, _ = _tube_alone(recipe)
    tip = truth.points["tip"]
    lowest = np.flatnonzero((film > 0.02).any(axis=1)).max()
    assert lowest == pytest.approx(tip.row, abs=2.0)
    columns = np.flatnonzero(film[lowest - 1] > 0.01)
    assert np.abs(columns - tip.column).min() < 3.0


@pytest.mark.parametrize("seed", range(6))
def test_the_line_ends_where_the_truth_says(seed: int) -> None:
    recipe = draw_recipe(seed, difficulty=0.2)
    dials = replace(recipe.tube, line=LinePattern.FULL, line_barium_mm=0.35, armoured=False)
    film, truth, _ = _tube_alone(replace(recipe, tube=dials))
    without, _, _ = _tube_alone(replace(recipe, tube=replace(dials, line=LinePattern.NONE)))
    end = truth.points["line end"]
    line_only = film - without
    lowest = np.flatnonzero((line_only > 0.25 * line_only.max()).any(axis=1)).max()
    assert lowest == pytest.approx(end.row, abs=2.0)


@pytest.mark.parametrize("group", list(AgeGroup))
def test_distance_is_the_length_of_the_airway_below_the_tip(group: AgeGroup) -> None:
    for seed in range(8):
        recipe = draw_recipe(seed, age_group=group, placement=Placement.TRACHEA)
        body = build_anatomy(recipe)
        truth = find_truth(body, place_tube(body))
        path = body.airway.above_carina(np.linspace(0.0, truth.distance_mm, 400))
        walked = np.linalg.norm(np.diff(path, axis=0), axis=1).sum()
        assert walked == pytest.approx(truth.distance_mm, abs=0.3)
        assert truth.straight_mm <= np.hypot(truth.distance_mm, recipe.body.trachea_width_mm) + 0.5
        assert body.airway.length_mm == pytest.approx(recipe.body.trachea_length_mm, abs=0.2)


def test_carina_is_where_the_medial_walls_meet() -> None:
    body = build_anatomy(draw_recipe(4))
    _, right, left = body.airway.air()[:3]
    for main in (right, left):
        start, end = main.points_mm[0], main.points_mm[4]
        along = (end - start) / np.linalg.norm(end - start)
        offset = body.airway.carina - start
        distance = np.linalg.norm(offset - along * (offset @ along))
        assert distance == pytest.approx(main.radius_mm[0], abs=0.35)


def test_flexion_and_extension_move_the_tip_by_the_published_means() -> None:
    """Conrardy PA et al. Crit Care Med 1976;4:8-12: 1.9 cm towards the carina, 1.9 cm away from it."""
    for posture, expected_mm in ((NeckPosture.FLEXED, -19.0), (NeckPosture.EXTENDED, 19.0)):
        moves = []
        for seed in range(150):
            recipe = draw_recipe(seed, posture=posture, placement=Placement.TRACHEA)
            # A tube in the middle of the airway has room both ways.
            tube = replace(recipe.tube, neutral_distance_mm=0.5 * recipe.body.trachea_length_mm)
            neutral = replace(recipe.neck, posture=NeckPosture.NEUTRAL, shift_mm=0.0)
            moved = truth_of(replace(recipe, tube=tube))
            moves.append(moved.distance_mm - truth_of(replace(recipe, tube=tube, neck=neutral)).distance_mm)
        assert np.mean(moves) == pytest.approx(expected_mm, abs=3.0 * 6.0 / np.sqrt(150))


def test_mandible_lies_over_the_vertebra_of_its_posture() -> None:
    """Goodman LR et al. AJR 1976;127:433-434: neutral over C5 to C6, flexed T1 or lower, extended C4 or higher."""
    wanted = {NeckPosture.NEUTRAL: {"C5", "C6"}, NeckPosture.FLEXED: {"T1"}, NeckPosture.EXTENDED: {"C3", "C4"}}
    for posture, levels in wanted.items():
        hits = 0
        for seed in range(20):
            truth = truth_of(draw_recipe(seed, posture=posture, difficulty=0.1))
            rows = {n[9:]: p.row for n, p in truth.points.items() if n.startswith("vertebra")}
            nearest = min(rows, key=lambda n: abs(rows[n] - truth.points["mandible"].row))
            hits += nearest in levels
        assert hits >= 17


def test_carina_lies_over_t5_to_t7_on_most_films() -> None:
    """Goodman 1976: 92 of 100 portable films."""
    hits = 0
    for seed in range(60):
        truth = truth_of(draw_recipe(seed))
        rows = {n[9:]: p.row for n, p in truth.points.items() if n.startswith("vertebra")}
        hits += min(rows, key=lambda n: abs(rows[n] - truth.points["carina"].row)) in {"T5", "T6", "T7"}
    assert hits >= 0.85 * 60


def test_bronchial_and_oesophageal_placement() -> None:
    right = truth_of(draw_recipe(1, placement=Placement.RIGHT_BRONCHUS))
    left = truth_of(draw_recipe(1, placement=Placement.LEFT_BRONCHUS))
    assert right.distance_mm < 0.0
    assert right.points["tip"].column < right.points["carina"].column
    assert left.points["tip"].column > left.points["carina"].column
    assert right.points["tip"].row > right.points["carina"].row
    gullet = truth_of(draw_recipe(1, placement=Placement.OESOPHAGUS))
    assert gullet.oesophageal
    assert gullet.distance_mm is None
    assert gullet.landmarks().tip is None
    assert gullet.points["tip"].y_mm > truth_of(draw_recipe(1)).points["tip"].y_mm


def test_truth_survives_json() -> None:
    truth = truth_of(draw_recipe(9))
    again = Truth.from_dict(json.loads(json.dumps(truth.to_dict())))
    assert again.to_dict() == truth.to_dict()
    landmarks = again.landmarks(2.0)
    assert landmarks.tip is not None
    assert landmarks.tip.row == pytest.approx(truth.points["tip"].row, abs=1e-3)
    assert len(landmarks.vertebrae) == 18


def test_no_tube_no_tip() -> None:
    truth = truth_of(draw_recipe(3, with_tube=False))
    assert truth.distance_mm is None
    assert truth.landmarks().tip is None
    assert truth.landmarks().carina is not None


def test_a_recipe_out_of_range_says_so() -> None:
    with pytest.raises(SyntheticError, match="difficulty"):
        draw_recipe(1, difficulty=1.5)
    with pytest.raises(SyntheticError, match="seed"):
        draw_recipe(-1)
