"""The network's answers on films whose truth is known, and its silence on what is no film."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import replace
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest

import imaging
from imaging.film import Film
from imaging.finder import finder_in_use
from imaging.network.finder import find_landmarks
from imaging.network.judging import judge
from imaging.network.looking import Sight, Spot, look, towards_usual
from imaging.network.members import (
    CARD,
    MEMBERS,
    WEIGHTS,
    load_calibration,
    load_members,
    load_shape,
    read_card,
    weights_sha256,
)
from synthetic_images.film import make_film
from synthetic_images.lines import ENDOTRACHEAL_TUBE, lines_on_film
from synthetic_images.recipe import Placement, draw_recipe

GOLDEN = Path(__file__).with_name("golden_proposals.json")
NOMINAL_MM = 400.0


@pytest.fixture(scope="module")
def made():
    return make_film(draw_recipe(5001, difficulty=0.25))


@pytest.fixture(scope="module")
def film(made):
    return Film((made.pixels / 4095.0).astype(np.float32))


@pytest.fixture(scope="module")
def sight(film):
    return look(film, load_members(), load_shape())


def _judged(sight: Sight, film: Film):
    return judge(sight, film, load_shape(), load_calibration())


def _errors_mm(made, landmarks, px_per_mm):
    return {
        name: math.hypot(
            getattr(landmarks, name).row - made.truth.points[name].row,
            getattr(landmarks, name).column - made.truth.points[name].column,
        )
        / px_per_mm
        for name in ("tip", "carina")
    }


def test_both_points_of_a_synthetic_film_lie_near_the_truth(made, film):
    landmarks, reasons, _ = find_landmarks(film)
    errors = _errors_mm(made, landmarks, max(film.shape) / NOMINAL_MM)
    assert max(errors.values()) <= 10.0
    assert min(landmarks.tip.confidence, landmarks.carina.confidence) >= 0.5
    assert reasons == ()


def test_the_interval_of_each_point_covers_its_truth(made, film):
    landmarks, *_ = find_landmarks(film)
    for name in ("tip", "carina"):
        mark, truth = getattr(landmarks, name), made.truth.points[name]
        assert abs(mark.row - truth.row) <= 3.0 * mark.sd_px
        assert abs(mark.column - truth.column) <= 3.0 * mark.sd_px


def test_a_mirrored_film_gives_mirrored_points(film):
    straight, *_ = find_landmarks(film)
    mirrored, *_ = find_landmarks(replace(film, pixels=np.ascontiguousarray(film.pixels[:, ::-1])))
    columns = film.shape[1]
    for name in ("tip", "carina"):
        one, other = getattr(straight, name), getattr(mirrored, name)
        assert math.hypot(one.row - other.row, columns - 1 - one.column - other.column) <= 3.0 * one.sd_px


def test_pixels_that_are_not_square_give_the_same_place(film):
    square, *_ = find_landmarks(film)
    flat, *_ = find_landmarks(replace(film, pixels=film.pixels[::2], pixel_aspect=2.0))
    assert abs(flat.tip.row * 2.0 + 0.5 - square.tip.row) <= 3.0
    assert abs(flat.tip.column - square.tip.column) <= 3.0


@pytest.mark.parametrize("scale", [0.3, 1.7])
def test_brightness_and_contrast_of_the_file_do_not_matter(film, scale):
    plain, *_ = find_landmarks(film)
    other, *_ = find_landmarks(replace(film, pixels=film.pixels * np.float32(scale)))
    # A last bit of the contrast that differs may round to another whole number in the networks: 0.07 px here.
    assert abs(plain.tip.row - other.tip.row) <= 0.2
    assert abs(plain.carina.row - other.carina.row) <= 0.2


@pytest.mark.parametrize("name", ["blank", "noise", "checks"])
def test_what_is_no_film_gets_no_answer(name):
    rows, columns = np.indices((700, 600))
    pixels = {
        "blank": np.full((700, 600), 0.5),
        "noise": np.random.default_rng(1).random((700, 600)),
        "checks": ((rows // 40 + columns // 40) % 2).astype(float),
    }[name]
    landmarks, reasons, _ = find_landmarks(Film(pixels.astype(np.float32)))
    for mark in (landmarks.tip, landmarks.carina):
        assert mark is None or mark.confidence < 0.5
    assert len(reasons) == 2


def test_the_airway_path_runs_down_the_true_windpipe(made, film):
    landmarks, *_ = find_landmarks(film)
    path, truth = landmarks.airway_path, made.truth.airway_path
    assert path[0].row == pytest.approx(landmarks.tip.row)
    assert path[-1].row < landmarks.carina.row
    rows, columns = [p.row for p in truth], [p.column for p in truth]
    off_mm = [abs(p.column - np.interp(p.row, rows, columns)) * NOMINAL_MM / max(film.shape) for p in path]
    assert max(off_mm) <= 5.0


ON_A_WALL = pytest.mark.xfail(
    strict=True,
    reason="5 mm aside, up to 6.5, by these weights and those before: since films are drawn anew the line runs on "
    "one wall of this tube (docs/model-card.md)",
)


@pytest.mark.parametrize("seed", [pytest.param(5001, marks=ON_A_WALL), 5002])
def test_the_tubes_line_runs_up_the_true_tube(seed):
    made = make_film(draw_recipe(seed, difficulty=0.25))
    film = Film((made.pixels / 4095.0).astype(np.float32))
    landmarks, *_ = find_landmarks(film)
    line = landmarks.tube_line
    assert len(line) >= 5
    assert line[0].row >= 0.0
    assert all(upper.row < lower.row for upper, lower in pairwise(line))
    (axis,) = lines_on_film(made.recipe)[ENDOTRACHEAL_TUBE]
    axis = axis[np.argsort(axis[:, 0])]
    mm = NOMINAL_MM / max(film.shape)
    assert abs(line[-1].row - landmarks.tip.row) * mm <= 8.0
    assert max(abs(p.column - np.interp(p.row, axis[:, 0], axis[:, 1])) * mm for p in line) <= 6.0


@pytest.mark.parametrize("side", ["right", "left"])
def test_a_tip_below_the_carina_is_told_with_its_side(side):
    placement = Placement.RIGHT_BRONCHUS if side == "right" else Placement.LEFT_BRONCHUS
    made = make_film(draw_recipe(8101, difficulty=0.2, placement=placement))
    landmarks, *_ = find_landmarks(Film((made.pixels / 4095.0).astype(np.float32)))
    assert landmarks.tip.note == f"it lies below the carina, on the side of the patient's {side} main bronchus"
    assert landmarks.airway_path == ()


def test_only_a_doubtful_carina_is_drawn_to_the_usual_level():
    sure = Spot(500.0, 600.0, mass=0.9, elsewhere=0.0, spread_mm=2.0, apart_mm=0.5, moved_mm=0.5, other=(0.0, 0.0))
    doubtful = replace(sure, spread_mm=6.0, apart_mm=5.0, moved_mm=8.0)
    usual = 146.5 * 2.5
    moved = [(600.0 - towards_usual(spot, 2.5, load_shape()).y) / (600.0 - usual) for spot in (sure, doubtful)]
    # Shares by the variances: 2.1² and 8.8² mm² against 18.7².
    assert moved == pytest.approx([0.0125, 0.18], abs=0.005)
    assert towards_usual(doubtful, 2.5, load_shape()).x == 500.0


def test_a_second_place_is_told_with_its_probability(film, sight):
    two = replace(sight, tip=replace(sight.tip, elsewhere=0.3, other=(120.0, 80.0)))
    tip = _judged(two, film)[0].tip
    assert (tip.other.row, tip.other.column, tip.other.confidence) == (80.0, 120.0, 0.3)
    one = replace(sight, tip=replace(sight.tip, elsewhere=0.05))
    assert _judged(one, film)[0].tip.other is None


def test_a_tip_moved_up_to_its_lines_end_says_that_the_tube_may_go_on(film, sight):
    told, small = (_judged(replace(sight, line_end_mm=mm), film)[0].tip.note for mm in (7.6, 2.0))
    assert told == "at the end of its line, below which the tube may go on for 8 nominal mm"
    assert small == ""


def test_a_tip_below_the_carina_says_both(film, sight):
    low = replace(sight, tip=replace(sight.tip, y=sight.carina.y + 30.0), line_end_mm=7.6)
    below, line_end = _judged(low, film)[0].tip.note.split("; ")
    assert below.startswith("it lies below the carina")
    assert line_end.startswith("at the end of its line")


def test_a_carina_far_from_the_usual_level_is_trusted_less(film, sight):
    levels = [_judged(replace(sight, unusual=u), film)[0].carina.confidence for u in (0.0, 2.0, 3.0, 9.0)]
    assert levels[0] > levels[1] > levels[2] == levels[3]


def test_a_tracheostomy_tube_is_named_and_gets_no_answer(film, sight):
    landmarks, reasons = _judged(replace(sight, tracheostomy=3.0), film)
    assert landmarks.tip is None or landmarks.tip.confidence < 0.5
    assert any("tracheostomy" in reason and "0.95" in reason for reason in reasons)


def test_proposals_are_the_golden_ones():
    """Of the weights beside the code; a pixel of slack for another processor's arithmetic."""
    golden = json.loads(GOLDEN.read_text())
    for seed, points in golden.items():
        made = make_film(draw_recipe(int(seed), difficulty=0.5))
        landmarks, *_ = find_landmarks(Film((made.pixels / 4095.0).astype(np.float32)))
        for name, (row, column) in points.items():
            mark = getattr(landmarks, name)
            assert math.hypot(mark.row - row, mark.column - column) <= 1.0


def test_a_film_without_a_tube_gets_no_tip():
    made = make_film(draw_recipe(7001, difficulty=0.3, with_tube=False))
    landmarks, reasons, _ = find_landmarks(Film((made.pixels / 4095.0).astype(np.float32)))
    assert landmarks.tip is None or landmarks.tip.confidence < 0.5
    assert any(reason.startswith("tip:") for reason in reasons)


def test_another_process_gives_the_same_answer_bit_for_bit(film):
    with get_context("spawn").Pool(1) as pool:
        there = pool.apply(find_landmarks, (film,))
    assert there == find_landmarks(film)


def test_a_tip_without_a_line_above_it_is_no_answer(film, sight):
    landmarks, reasons = _judged(replace(sight, line_mm=4.0, gullet_at_tip=0.0), film)
    assert landmarks.tip is None or landmarks.tip.confidence < 0.5
    assert any("4 nominal mm of a tube's line found above it, at least 15 expected" in r for r in reasons)


def test_a_tip_on_a_line_that_goes_on_to_the_stomach_is_no_answer(film, sight):
    on_gullet = replace(sight, gullet_at_tip=0.95, below_mm=120.0, line_mm=4.0)
    landmarks, reasons = _judged(on_gullet, film)
    assert landmarks.tip is None or landmarks.tip.confidence < 0.5
    assert any("goes on for 120 nominal mm below it, as a stomach tube's" in reason for reason in reasons)


def test_a_tube_beside_a_stomach_tube_keeps_its_answer(film, sight):
    """Half of all tubes have one beside them: what counts is that the tube's own line leads to the tip."""
    beside = replace(sight, gullet_at_tip=0.95, below_mm=120.0)
    assert _judged(beside, film)[0].tip == _judged(sight, film)[0].tip


def test_the_weights_are_small_and_their_card_complete():
    assert sum(path.stat().st_size for path in WEIGHTS.glob("*.onnx")) <= 24e6
    assert set(load_calibration()) == {"tip", "carina"}
    assert set(read_card()["made of"]["weights sha256"]) == {path.name for path in WEIGHTS.glob("*.onnx")}


def test_the_files_are_those_that_the_card_names():
    """hashlib over the files, against the card beside them."""
    told = read_card()["made of"]["weights sha256"]
    assert told == {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in WEIGHTS.glob("*.onnx")}


def test_the_card_names_the_recipe_beside_the_code():
    recipe = Path(imaging.__file__).with_name("training") / "config.toml"
    assert read_card()["made of"]["recipe sha256"] == hashlib.sha256(recipe.read_bytes()).hexdigest()


def test_the_networks_say_themselves_what_the_card_says():
    for session in load_members():
        said = session.get_modelmeta().custom_metadata_map
        assert tuple(said["maps"].split(",")) == load_shape().maps
        assert (int(said["side_px"]), int(said["stride"])) == (load_shape().side_px, load_shape().stride)


def test_the_identity_changes_with_any_file(tmp_path, monkeypatch):
    before = finder_in_use().identity()
    assert before == weights_sha256()
    for path in (*WEIGHTS.glob("*.onnx"), CARD):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    monkeypatch.setattr("imaging.network.members.WEIGHTS", tmp_path)
    monkeypatch.setattr("imaging.network.members.CARD", tmp_path / CARD.name)
    assert weights_sha256() == before
    (tmp_path / MEMBERS[0].name).write_bytes(b"another network")
    assert weights_sha256() != before
