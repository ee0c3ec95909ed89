"""Lines lie where the film shows them."""

from dataclasses import replace

import numpy as np
import pytest

from synthetic_images.anatomy import build_anatomy
from synthetic_images.devices import draw_devices
from synthetic_images.lines import DECOYS, ENDOTRACHEAL_TUBE, lines_on_film
from synthetic_images.recipe import DeviceDials, draw_recipe
from synthetic_images.scene import Scene
from synthetic_images.truth import find_truth
from synthetic_images.tube import place_tube


@pytest.mark.parametrize("name", list(DECOYS))
@pytest.mark.parametrize("seed", [3, 8])
def test_a_line_is_where_its_device_was_drawn(name, seed):
    dial = DECOYS[name][0]
    recipe = replace(draw_recipe(seed, with_tube=False), devices=DeviceDials(letters=0, **{dial: 1}))
    body = build_anatomy(recipe)
    scene = Scene(np.zeros((recipe.rows, recipe.columns), np.float32), body.camera, 90.0)
    draw_devices(scene, body)
    (path,) = lines_on_film(recipe)[name]
    on_film = path[(path > 5).all(axis=1) & (path < recipe.rows - 5).all(axis=1)].astype(int)
    assert len(on_film) > 20
    assert (np.abs(scene.film[on_film[:, 0], on_film[:, 1]]) > 0.0).mean() > 0.95
    assert (np.abs(scene.film) > 0.0).mean() < 0.05


def test_the_tubes_axis_begins_at_its_tip():
    recipe = draw_recipe(3)
    body = build_anatomy(recipe)
    tip = find_truth(body, place_tube(body)).points["tip"]
    (axis,) = lines_on_film(recipe)[ENDOTRACHEAL_TUBE]
    radius_px = recipe.tube.outside_diameter_mm * tip.magnification / recipe.pitch_mm / 2.0
    assert np.hypot(*(axis[0] - (tip.row, tip.column))) < radius_px + 1.0


def test_as_many_lines_as_the_recipe_asks_for():
    recipe = replace(draw_recipe(3, with_tube=False), devices=DeviceDials(central_lines=2))
    found = lines_on_film(recipe)
    assert set(found) == {"central line"}
    assert len(found["central line"]) == 2
