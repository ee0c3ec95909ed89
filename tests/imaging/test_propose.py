"""Proposals on films of known truth, on pictures that are no chest film, and on a projected CT."""

from __future__ import annotations

import math
import subprocess
import sys
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from imaging.film import Film
from imaging.propose import Proposal, propose
from measure.landmarks import Landmark, Source
from synthetic_images.film import SyntheticFilm, make_film
from synthetic_images.recipe import Placement, draw_recipe

SEEDS = range(500, 506)
SURE = 0.5
"""From this confidence on a proposal counts as an answer."""


@cache
def synthetic(seed: int, *, with_tube: bool = True) -> SyntheticFilm:
    placement = Placement.TRACHEA if with_tube else None
    return make_film(draw_recipe(seed, difficulty=0.0, with_tube=with_tube, placement=placement))


def film_of(made: SyntheticFilm) -> Film:
    return Film(pixels=made.pixels.astype(np.float32) / np.float32(4095.0))


@cache
def proposed(seed: int, *, with_tube: bool = True) -> Proposal:
    return propose(film_of(synthetic(seed, with_tube=with_tube)))


def miss_mm(found: Landmark | None, made: SyntheticFilm, name: str) -> float:
    if found is None:
        return math.inf
    true = made.truth.points[name]
    return math.hypot(found.row - true.row, found.column - true.column) * made.recipe.pitch_mm


def answers(proposal: Proposal) -> list[Landmark]:
    marks = (proposal.landmarks.tip, proposal.landmarks.carina)
    return [mark for mark in marks if mark is not None and mark.confidence >= SURE]


def test_finds_tip_and_carina_on_clean_films() -> None:
    for name, least in (("tip", 6), ("carina", 4)):
        misses = [miss_mm(getattr(proposed(seed).landmarks, name), synthetic(seed), name) for seed in SEEDS]
        assert sum(miss < 10.0 for miss in misses) >= least, (name, np.round(misses, 1))


def test_sure_answers_are_mostly_right() -> None:
    right = [
        miss_mm(mark, synthetic(seed), name) < 10.0
        for seed in SEEDS
        for name in ("tip", "carina")
        if (mark := getattr(proposed(seed).landmarks, name)) is not None and mark.confidence >= SURE
    ]
    assert len(right) >= 5
    assert np.mean(right) >= 0.75


def test_seldom_sees_a_tube_where_there_is_none() -> None:
    tips = [proposed(seed, with_tube=False).landmarks.tip for seed in range(600, 604)]
    assert sum(tip is not None and tip.confidence >= SURE for tip in tips) <= 1


def test_says_who_placed_a_point_and_gives_a_width() -> None:
    landmarks = proposed(SEEDS[0]).landmarks
    marks = [mark for mark in (landmarks.tip, landmarks.carina) if mark is not None]
    assert len(marks) == 2
    for mark in marks:
        assert mark.source is Source.PROPOSED
        assert mark.sd_px > 1.0


def test_same_film_same_proposal() -> None:
    assert propose(film_of(synthetic(SEEDS[0]))) == proposed(SEEDS[0])


def test_non_square_pixels_give_the_same_places() -> None:
    film = film_of(synthetic(SEEDS[1]))
    flat = Film(pixels=np.ascontiguousarray(film.pixels[::2]), pixel_aspect=2.0)
    carina, expected = propose(flat).landmarks.carina, proposed(SEEDS[1]).landmarks.carina
    assert carina is not None
    assert expected is not None
    assert 2.0 * carina.row == pytest.approx(expected.row, abs=12.0)
    assert carina.column == pytest.approx(expected.column, abs=12.0)


def test_size_of_the_file_does_not_matter() -> None:
    film = film_of(synthetic(SEEDS[2]))
    large = Film(pixels=np.kron(film.pixels, np.ones((2, 2), np.float32)))
    carina, expected = propose(large).landmarks.carina, proposed(SEEDS[2]).landmarks.carina
    assert carina is not None
    assert expected is not None
    assert (carina.row - 0.5) / 2.0 == pytest.approx(expected.row, abs=3.0)
    assert carina.sd_px == pytest.approx(2.0 * expected.sd_px, rel=0.1)


def photograph(name: str) -> NDArray[np.float32]:
    """A picture of scikit-image's own collection."""
    data = pytest.importorskip("skimage.data")
    picture = np.asarray(getattr(data, name)(), np.float32) / np.float32(255.0)
    return picture.mean(axis=2) if picture.ndim == 3 else picture


@pytest.mark.outside
@pytest.mark.parametrize("name", ["camera", "coins", "moon", "text", "page", "astronaut", "brick", "grass"])
def test_is_not_sure_of_anything_on_a_photograph(name: str) -> None:
    proposal = propose(Film(pixels=photograph(name)))
    assert answers(proposal) == []
    assert proposal.landmarks.tip is not None or proposal.reasons


ABSURD = {
    "blank": np.zeros((800, 800), np.float32),
    "grey": np.full((800, 700), 0.5, np.float32),
    "noise": np.random.default_rng(3).random((1000, 900), dtype=np.float32),
    "ramp": np.linspace(0.0, 1.0, 640000, dtype=np.float32).reshape(800, 800),
    "one pixel": np.ones((1, 1), np.float32),
    "one row": np.random.default_rng(4).random((1, 900), dtype=np.float32),
    "not a number": np.full((800, 800), np.nan, np.float32),
}


@pytest.mark.parametrize("name", ABSURD)
def test_is_not_sure_of_anything_on_no_film(name: str) -> None:
    proposal = propose(Film(pixels=ABSURD[name]))
    assert answers(proposal) == []
    assert len(proposal.reasons) == 2
    assert all(reason.endswith(".") for reason in proposal.reasons)


@pytest.mark.parametrize(
    ("how", "seed"),
    [
        ("inverted", 500),
        ("inverted", 501),
        ("inverted", 502),
        ("cut off at the carina", 500),
        ("cut off at the carina", 501),
        ("cut off at the carina", 502),
    ],
)
def test_an_answer_on_a_spoilt_film_is_right(how: str, seed: int) -> None:
    made = make_film(draw_recipe(seed, difficulty=0.3, placement=Placement.TRACHEA))
    whole = film_of(made).pixels
    pixels = 1.0 - whole if how == "inverted" else whole[: int(made.truth.points["carina"].row)]
    landmarks = propose(Film(pixels=pixels)).landmarks
    for name in ("tip", "carina"):
        mark = getattr(landmarks, name)
        if mark is not None and mark.confidence >= SURE:
            assert miss_mm(mark, made, name) <= 10.0


@pytest.mark.parametrize("degrees", [-90.0, 90.0])
@pytest.mark.parametrize("seed", [5001, 5003, 5004])
def test_is_not_sure_of_both_points_on_a_lateral(seed: int, degrees: float) -> None:
    recipe = draw_recipe(seed, difficulty=0.3)
    lateral = make_film(replace(recipe, stand=replace(recipe.stand, rotation_deg=degrees)))
    assert len(answers(propose(film_of(lateral)))) < 2


def test_a_very_small_film_is_not_searched() -> None:
    film = film_of(synthetic(SEEDS[0]))
    assert "pixels" in propose(Film(pixels=film.pixels[::8, ::8])).reasons[0]


def test_the_door_imports_nothing_heavy() -> None:
    code = (
        "import sys, imaging.propose; print(sorted({'cv2', 'onnxruntime', 'skimage', 'scipy'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
