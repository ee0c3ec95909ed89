"""The main job on synthetic films whose truth is known: measurement alone, no pixels are looked at."""

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pytest

from measure.assess import Case, assess
from measure.landmarks import Landmarks
from measure.magnification import Magnification, View, from_factor, plausible
from measure.spacing import Plane, Spacing, SpacingSource
from synthetic_images.anatomy import build_anatomy
from synthetic_images.recipe import Placement, draw_recipe
from synthetic_images.truth import Truth, find_truth
from synthetic_images.tube import place_tube


class Film(NamedTuple):
    truth: Truth
    spacing: Spacing
    view: View
    centre_row: float


FILMS, DRAWS_A_FILM = 200, 10
SD_TIP_PX, SD_CARINA_PX = 3.5, 6.0


@pytest.fixture(scope="module")
def films():
    """200 adults with a tube in the trachea."""
    drawn = []
    for seed in range(FILMS):
        recipe = draw_recipe(seed, placement=Placement.TRACHEA)
        body = build_anatomy(recipe)
        spacing = Spacing(recipe.pitch_mm, recipe.pitch_mm, Plane.DETECTOR, SpacingSource.IMAGER_PIXEL_SPACING)
        drawn.append(Film(find_truth(body, place_tube(body)), spacing, recipe.stand.view, (recipe.rows - 1) / 2.0))
    return drawn


def in_patient_mm(film: Film, magnification: Magnification, marks: Landmarks):
    case = Case("film", marks, film.spacing, magnification, film.centre_row, view=film.view)
    distance = assess(case).distance
    assert distance is not None
    return 10.0 * distance.in_patient.value, 10.0 * distance.in_patient.low, 10.0 * distance.in_patient.high


def test_true_landmarks_and_geometry_give_the_true_distance(films):
    """What is left is each patient's own lean and bend against the published mean: Zanella 2015, 6.9 degrees."""
    errors = np.array(
        [
            in_patient_mm(film, from_factor(film.truth.carina_magnification), film.truth.landmarks())[0]
            - film.truth.distance_mm
            for film in films
        ]
    )
    shares = errors / np.array([film.truth.distance_mm for film in films])
    assert abs(np.median(shares)) < 0.035
    assert np.quantile(np.abs(shares), 0.9) < 0.10


def perturbed(marks: Landmarks, random: np.random.Generator) -> Landmarks:
    def moved(mark, sd_px):
        return replace(
            mark,
            row=mark.row + random.normal(0.0, sd_px),
            column=mark.column + random.normal(0.0, sd_px),
            sd_px=sd_px,
        )

    return replace(marks, tip=moved(marks.tip, SD_TIP_PX), carina=moved(marks.carina, SD_CARINA_PX))


@pytest.mark.parametrize("geometry", ["in the header", "left out"])
def test_intervals_cover_the_truth(films, geometry):
    """2,000 draws of perturbed landmarks: between 92 and 98 % of the 95 % intervals hold the truth."""
    random = np.random.default_rng(17)
    held = []
    for film in films:
        truth = film.truth
        known = from_factor(truth.carina_magnification) if geometry == "in the header" else plausible(film.view)
        for _ in range(DRAWS_A_FILM):
            _, low, high = in_patient_mm(film, known, perturbed(truth.landmarks(), random))
            held.append(low <= truth.distance_mm <= high)
    share = np.mean(held)
    print(f"{geometry}: {share:.3f} of {len(held)} intervals hold the truth")
    assert 0.92 <= share <= 0.98
