"""What kind of film it is: frontal ones pass, others are named."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from imaging.film import Film
from imaging.film_kind import SIDE_PX, FilmKind, film_kind, probabilities, small_view
from imaging.propose import propose
from measure.patient import AgeGroup
from synthetic_images.film import make_film
from synthetic_images.recipe import draw_recipe


@cache
def pixels(seed: int, difficulty: float = 0.3, *, lateral: bool = False, age_group: AgeGroup = AgeGroup.ADULT):
    recipe = draw_recipe(seed, difficulty=difficulty, age_group=age_group, rows=384, columns=384)
    if lateral:
        recipe = replace(recipe, stand=replace(recipe.stand, rotation_deg=90.0))
    return (make_film(recipe).pixels / 4095.0).astype(np.float32)


@pytest.mark.parametrize("difficulty", [0.0, 0.5, 1.0])
def test_frontal_films_pass_at_every_difficulty(difficulty):
    assert {film_kind(pixels(seed, difficulty)).kind for seed in range(9400, 9404)} == {FilmKind.FRONTAL}


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_turned_film_is_named_with_what_turns_it_back(turns):
    verdict = film_kind(np.ascontiguousarray(np.rot90(pixels(9400), turns)))
    assert verdict.kind is (FilmKind.UPSIDE_DOWN if turns == 2 else FilmKind.ON_ITS_SIDE)
    assert (verdict.quarter_turns + turns) % 4 == 0


def test_what_no_turn_makes_a_frontal_film_is_not_turned():
    lateral = pixels(9410, lateral=True)
    for turns in (1, 2, 3):
        assert film_kind(np.ascontiguousarray(np.rot90(lateral, turns))).quarter_turns == 0
    proposal = propose(Film(lateral))
    assert proposal.quarter_turns == 0
    assert all("lateral" in reason for reason in proposal.reasons)


@pytest.mark.parametrize("seed", [9400, 9403])
def test_an_inverted_film_is_named_and_searched_the_right_way_round(seed):
    upright, inverted = pixels(seed), np.float32(1.0) - pixels(seed)
    assert film_kind(inverted).kind is FilmKind.INVERTED
    there, here = propose(Film(inverted)), propose(Film(upright))
    assert (there.inverted, here.inverted) == (True, False)
    for name in ("tip", "carina"):
        mark, twin = getattr(there.landmarks, name), getattr(here.landmarks, name)
        assert (mark is None) == (twin is None)
        if mark is not None:
            assert (mark.row, mark.column) == pytest.approx((twin.row, twin.column), abs=1.0)


def test_laterals_and_children_are_named():
    assert film_kind(pixels(9410, lateral=True)).kind is FilmKind.LATERAL
    assert film_kind(pixels(9411, age_group=AgeGroup.NEONATE)).kind is FilmKind.CHILD


def test_noise_is_no_chest():
    noise = np.random.default_rng(2).random((500, 400), dtype=np.float32)
    assert film_kind(noise).kind is FilmKind.NO_CHEST


@pytest.mark.outside
@pytest.mark.parametrize("name", ["china.jpg", "flower.jpg"])
def test_photographs_that_no_training_saw_are_no_chest(name):
    """scikit-learn's sample images; training used scikit-image's alone."""
    datasets = pytest.importorskip("sklearn.datasets")
    picture = datasets.load_sample_image(name).mean(2).astype(np.float32) / np.float32(255.0)
    assert film_kind(picture).kind is FilmKind.NO_CHEST


def test_the_view_is_the_film_in_the_middle_of_a_square():
    view = small_view(np.linspace(0.2, 0.4, 200 * 400, dtype=np.float32).reshape(200, 400))
    assert view.shape == (SIDE_PX, SIDE_PX)
    assert view[: SIDE_PX // 4].max() == 0.0
    assert (view.min(), view.max()) == (0.0, 1.0)


def test_rows_twice_as_high_give_the_same_view():
    film = pixels(9400)
    assert np.abs(small_view(film) - small_view(film[::2], 2.0)).mean() < 0.03


def test_probabilities_are_of_one():
    assert sum(probabilities(small_view(pixels(9400))).values()) == pytest.approx(1.0)
