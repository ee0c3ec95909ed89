"""What makes the films look like films: vessels, outlines, bone, frame and presentation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from measure.magnification import View
from synthetic_images.anatomy import build_anatomy
from synthetic_images.detector import field_mask, present
from synthetic_images.film import LUNG_STEP_PX, make_film, uneven
from synthetic_images.lungs import GREATER_DAUGHTER, MURRAY, vessels
from synthetic_images.projection import Stand, camera
from synthetic_images.recipe import ExposureDials, draw_recipe
from synthetic_images.ribbons import Strands, add_strands
from synthetic_images.skeleton import cartilages, trabeculae


@pytest.mark.parametrize("radius_mm", [0.2, 0.5, 0.9, 3.0])
@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 45.0, 80.0])
def test_a_strand_weighs_what_its_volume_weighs(radius_mm: float, turn_deg: float) -> None:
    """Within 10 %: fine ones are drawn as lines, with blunt ends and whole numbers for their grey."""
    seen = camera(Stand(View.AP, 1e6, 100.0), 256, 256, 0.4)
    turn = np.radians(turn_deg)
    end = 40.0 * np.array([[np.cos(turn), 0.0, np.sin(turn)]])
    film = np.zeros((256, 256), np.float32)
    add_strands(film, seen, Strands(-end, end, np.array([radius_mm])), 1.0)
    volume_mm3 = float(film.sum()) * 0.4**2
    ends = 4.0 / 3.0 * np.pi * radius_mm**3
    assert volume_mm3 == pytest.approx(np.pi * radius_mm**2 * 80.0 + ends, rel=0.1)


def test_vessels_branch_by_murrays_law_and_fill_the_lung() -> None:
    body = build_anatomy(draw_recipe(3))
    tree = vessels(body, -1.0)
    lateral = (body.spine_x0 - tree.end_mm[:, 0]) / body.chest_half_mm[0]
    assert len(tree.radius_mm) > 3000
    assert np.quantile(lateral, 0.95) > 0.75
    greater = np.array(GREATER_DAUGHTER)
    lesser = (1.0 - greater**MURRAY) ** (1.0 / MURRAY)
    assert (lesser < greater).all()
    assert (lesser > 0.4).all()


def test_outlines_are_uneven_but_not_where_a_landmark_lies() -> None:
    body = build_anatomy(draw_recipe(5))
    side = body.recipe.rows // LUNG_STEP_PX
    ramp = np.tile(np.arange(side, dtype=np.float32), (side, 1))
    moved_mm = np.abs(uneven(body, ramp) - ramp) * body.recipe.pitch_mm * LUNG_STEP_PX
    row, column = np.round(body.camera.project(body.arch_lateral) / LUNG_STEP_PX).astype(int)
    assert moved_mm[row, column] < 0.05
    assert np.quantile(moved_mm, 0.9) > 2.0


def test_cartilage_calcifies_with_age() -> None:
    def pieces(age_years: float) -> int:
        recipes = [draw_recipe(seed) for seed in range(8)]
        aged = [replace(r, patient=replace(r.patient, age_years=age_years)) for r in recipes]
        return sum(len(cartilages(build_anatomy(recipe))) for recipe in aged)

    assert pieces(25.0) == 0
    assert 0 < pieces(50.0) < pieces(85.0)


def test_bone_is_uneven_about_its_mean() -> None:
    share = trabeculae(build_anatomy(draw_recipe(6, rows=512, columns=512)))
    assert float(share.mean()) == pytest.approx(0.0, abs=0.02)
    assert 0.05 < float(share.std()) < 0.2


def test_the_collimator_may_be_turned() -> None:
    dials = ExposureDials(collimation=(0.1, 0.1, 0.1, 0.1))
    straight, turned = (field_mask((400, 400), replace(dials, collimator_turn_deg=deg)) for deg in (0.0, 3.0))
    assert straight[200, 45] == turned[200, 45] == 1.0
    assert straight[60, 41] != turned[60, 41] or straight[340, 41] != turned[340, 41]
    assert turned.mean() == pytest.approx(straight.mean(), rel=0.01)


def test_without_a_shutter_the_border_is_white() -> None:
    recipe = draw_recipe(4, difficulty=0.0, rows=192, columns=192)
    dials = replace(recipe.exposure, collimation=(0.1, 0.1, 0.1, 0.1), collimator_turn_deg=0.0, contrast=1.0)
    borders = [
        make_film(replace(recipe, exposure=replace(dials, shutter=shutter))).pixels[:14]
        for shutter in (True, False)
    ]
    assert borders[0].max() == 0
    assert borders[1].min() > 0.8 * 4095


def _shown(density: np.ndarray, detail_gain: float = 0.0, shoulder: float = 0.84) -> np.ndarray:
    quanta = 1e6 * np.exp(-density).astype(np.float32)
    dials = ExposureDials(latitude=0.0, edge_gain=0.0, detail_gain=detail_gain, shoulder=shoulder)
    return present(quanta, dials, 0.4, 1e6).astype(float)


def test_detail_gain_raises_what_is_some_millimetres_wide() -> None:
    rows, columns = np.mgrid[:512, :512]
    density = 1.5 + 1.5 * columns / 512.0 + 0.05 * np.sin(2.0 * np.pi * rows * 0.4 / 10.0)
    ripple = [_shown(density, detail_gain=gain)[200:300, 250:262].mean(axis=1).std() for gain in (0.0, 1.0)]
    assert ripple[1] > 1.3 * ripple[0]


def test_an_early_shoulder_flattens_what_is_dense() -> None:
    density = np.tile(np.linspace(0.5, 4.0, 512), (512, 1))
    steps = [np.diff(_shown(density, shoulder=shoulder).mean(axis=0))[440:500].mean() for shoulder in (0.5, 0.9)]
    assert steps[0] < 0.7 * steps[1]
