"""Spine and jaw on maps drawn from the truth of synthetic films, and on films by the networks."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from imaging.film import Film
from imaging.network.finder import find_landmarks
from imaging.network.lines import Grid
from imaging.network.spine import Bones, Whereabouts, spine_seen
from measure.landmarks import VERTEBRAE, Landmark, Landmarks, Source, SpineSeen
from measure.patient import AgeGroup
from measure.posture import NeckPosture
from measure.spine import PITCH_MM, mm_per_row_by_pitch, posture_as_seen
from synthetic_images.anatomy import build_anatomy
from synthetic_images.film import make_film
from synthetic_images.recipe import draw_recipe
from synthetic_images.truth import Truth, find_truth

CELLS, SIDE_PX = 160, 1024
SEEDS = range(90_000, 90_060)


@cache
def truth(seed: int, posture: NeckPosture | None = None) -> tuple[Truth, NeckPosture]:
    recipe = draw_recipe(seed, difficulty=0.5, posture=posture, rows=SIDE_PX, columns=SIDE_PX)
    return find_truth(build_anatomy(recipe), None), recipe.neck.posture


def bones(true: Truth, *, cut_rows: int = 0, missing: float = 0.0, seed: int = 0) -> Bones:
    """The maps as a network would draw them that knows the truth; a share of the bodies may be missing."""
    rng = np.random.default_rng(seed)
    cell = SIDE_PX / CELLS
    rows, columns = np.indices((CELLS, CELLS))

    def away(name: str) -> np.ndarray:
        at = true.points[name]
        down, across = (at.row - cut_rows + 0.5) / cell - 0.5, (at.column + 0.5) / cell - 0.5
        return np.hypot(rows - down, columns - across)

    def where(name: str) -> Whereabouts:
        at = true.points[name]
        inside = 0.0 <= at.row - cut_rows < SIDE_PX
        spread = np.exp(-0.5 * (away(name) / 1.6) ** 2) if inside else np.ones((CELLS, CELLS))
        return Whereabouts((spread / spread.sum()).astype(np.float32), 0.97 if inside else 0.03)

    shown = [
        np.clip(3.6 / 2.5 + 0.5 - away(f"vertebra {name}"), 0.0, 1.0)
        for name in VERTEBRAE
        if rng.random() >= missing
    ]
    vertebrae = np.max(shown, axis=0).astype(np.float32)
    return Bones(vertebrae, where("mandible"), where("vertebra T1"), Grid(0, 0, cell))


def film() -> Film:
    return Film(np.broadcast_to(np.float32(0.5), (SIDE_PX, SIDE_PX)))


def carina(true: Truth, cut_rows: int = 0) -> Landmark:
    at = true.points["carina"]
    return Landmark(at.row - cut_rows, at.column, 15.0, Source.PROPOSED, 0.8)


def posture_said(spine: SpineSeen | None) -> NeckPosture | None:
    belief = None if spine is None else posture_as_seen(spine)
    if belief is None:
        return None
    chances = {
        NeckPosture.NEUTRAL: belief.neutral,
        NeckPosture.FLEXED: belief.flexed,
        NeckPosture.EXTENDED: belief.extended,
    }
    best = max(chances, key=lambda posture: chances[posture])
    return best if chances[best] >= 0.6 else None


def true_pitch(true: Truth) -> float:
    """Rows of a vertebra with its disc at the carina's level."""
    rows = np.array([true.points[f"vertebra {name}"].row for name in VERTEBRAE])
    above = int(np.searchsorted(rows, true.points["carina"].row)) - 1
    return float(rows[above + 1] - rows[above])


@pytest.mark.parametrize("missing", [0.0, 0.3])
def test_the_posture_is_right_where_it_is_said(missing):
    in_view, said = 0, []
    for seed in SEEDS:
        true, posture = truth(seed)
        if true.points["mandible"].row < 0.0:
            continue
        in_view += 1
        found = posture_said(spine_seen(bones(true, missing=missing, seed=seed), film(), carina(true)))
        if found is not None:
            said.append(found is posture)
    assert in_view >= 20
    assert len(said) >= 0.75 * in_view
    assert np.mean(said) >= 0.85


@pytest.mark.parametrize("missing", [0.0, 0.3])
def test_the_pitch_is_right_within_what_is_said(missing):
    errors, inside = [], []
    for seed in SEEDS:
        true, _ = truth(seed)
        spine = spine_seen(bones(true, missing=missing, seed=seed), film(), carina(true))
        if spine is not None:
            off = spine.pitch_rows.value / true_pitch(true) - 1.0
            errors.append(abs(off))
            inside.append(spine.pitch_rows.low <= true_pitch(true) <= spine.pitch_rows.high)
    assert len(errors) >= 0.9 * len(SEEDS)
    assert np.median(errors) <= 0.03
    assert np.mean(inside) >= 0.85


def test_vertebrae_get_their_names():
    right = []
    for seed in SEEDS:
        true, _ = truth(seed)
        spine = spine_seen(bones(true), film(), carina(true))
        for name, mark in spine.vertebrae.items():
            right.append(abs(mark.row - true.points[f"vertebra {name}"].row) <= 0.5 * true_pitch(true))
    assert len(right) >= 4 * len(SEEDS)
    assert np.mean(right) >= 0.9


def test_a_film_of_another_size_gives_the_pitch_in_its_own_rows():
    true, _ = truth(SEEDS[0])
    whole = bones(true)
    small = replace(whole, grid=Grid(0, 0, whole.grid.cell_px / 2.0))
    there = Film(np.broadcast_to(np.float32(0.5), (SIDE_PX // 2, SIDE_PX // 2)))
    at = carina(true)
    half = Landmark((at.row - 0.5) / 2.0, at.column / 2.0, at.sd_px / 2.0, at.source, at.confidence)
    pitch = spine_seen(whole, film(), at).pitch_rows
    assert spine_seen(small, there, half).pitch_rows.value == pytest.approx(pitch.value / 2.0, rel=0.01)


def test_no_mandible_on_a_film_that_reaches_c7_is_told():
    true, _ = truth(SEEDS[3], NeckPosture.EXTENDED)
    cut = round(true.points["vertebra C5"].row)
    assert true.points["mandible"].row < cut
    spine = spine_seen(bones(true, cut_rows=cut), film(), carina(true, cut))
    assert spine.mandible is None
    assert spine.mandible_absent >= 0.6
    belief = posture_as_seen(spine)
    assert belief.flexed < 0.1
    assert "no mandible" in belief.reason


def test_no_mandible_on_a_film_that_ends_below_c7_says_nothing():
    true, _ = truth(SEEDS[3], NeckPosture.EXTENDED)
    cut = round(true.points["vertebra T2"].row)
    spine = spine_seen(bones(true, cut_rows=cut), film(), carina(true, cut))
    assert spine.mandible_absent < 0.1
    found = posture_as_seen(spine)
    assert found is None or found.flexed == pytest.approx(0.2, abs=0.03)


def test_a_map_without_a_spine_says_nothing():
    true, _ = truth(SEEDS[0])
    empty = replace(bones(true), vertebrae=np.zeros((CELLS, CELLS), np.float32))
    assert spine_seen(empty, film(), carina(true)) is None
    smear = np.zeros((CELLS, CELLS), np.float32)
    smear[20:140, 78:82] = 0.4
    nowhere = Whereabouts(np.full((CELLS, CELLS), 1.0 / CELLS**2, np.float32), 0.5)
    assert spine_seen(replace(empty, vertebrae=smear, t1=nowhere), film(), carina(true)) is None


def test_who_cannot_see_t1_does_not_tell_that_the_mandible_is_absent():
    true, _ = truth(SEEDS[3], NeckPosture.EXTENDED)
    cut = round(true.points["vertebra C5"].row)
    seen = bones(true, cut_rows=cut)
    nowhere = np.full((CELLS, CELLS), 1.0 / CELLS**2, np.float32)
    spine = spine_seen(replace(seen, t1=Whereabouts(nowhere, 0.5)), film(), carina(true, cut))
    assert spine.mandible_absent == 0.0
    assert posture_as_seen(spine) is None


def test_a_mandible_that_may_lie_anywhere_is_not_told():
    true, _ = truth(SEEDS[0])
    nowhere = Whereabouts(np.full((CELLS, CELLS), 1.0 / CELLS**2, np.float32), 0.97)
    assert spine_seen(replace(bones(true), mandible=nowhere), film(), carina(true)).mandible is None


def test_the_networks_give_the_scale_of_clean_synthetic_films():
    inside = []
    for seed in range(9601, 9607):
        made = make_film(draw_recipe(seed, difficulty=0.0, rows=640, columns=640, age_group=AgeGroup.ADULT))
        landmarks, *_ = find_landmarks(Film((made.pixels / 4095.0).astype(np.float32)))
        assert landmarks.vertebrae == Landmarks().vertebrae
        if landmarks.spine is None:
            continue
        assert landmarks.spine.pitch_rows.value == pytest.approx(true_pitch(made.truth), rel=0.05)
        by_pitch = mm_per_row_by_pitch(landmarks.spine)
        assert by_pitch.sd / by_pitch.value >= PITCH_MM.sd / PITCH_MM.value
        inside.append(by_pitch.low < made.recipe.pitch_mm < by_pitch.high)
    assert len(inside) >= 5
    assert sum(inside) >= len(inside) - 1
