"""Every dial does what its name says, at every age, and leaves the truth alone."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from measure.patient import AgeGroup
from synthetic_images.anatomy import build_anatomy
from synthetic_images.devices import PAINTERS, draw_devices
from synthetic_images.film import make_film
from synthetic_images.recipe import DeviceDials, PathologyDials, draw_recipe
from synthetic_images.scene import Scene

SIZE_PX = 192


def _recipe(seed: int = 4, **choices):
    recipe = draw_recipe(seed, difficulty=0.0, rows=SIZE_PX, columns=SIZE_PX, **choices)
    exposure = replace(recipe.exposure, quanta_per_mm2=1e8, collimation=(0.0, 0.0, 0.0, 0.0))
    return replace(recipe, devices=DeviceDials(letters=0), pathology=PathologyDials(), exposure=exposure)


@pytest.fixture(scope="module")
def plain():
    return make_film(_recipe())


def test_every_device_dial_has_its_painter() -> None:
    assert set(PAINTERS) == {field.name for field in fields(DeviceDials)}


@pytest.mark.parametrize("group", list(AgeGroup))
@pytest.mark.parametrize("name", list(PAINTERS))
def test_each_device_is_seen_and_nothing_else_moves(name: str, group: AgeGroup) -> None:
    recipe = replace(_recipe(age_group=group), devices=DeviceDials(**{"letters": 0, name: 1}))
    body = build_anatomy(recipe)
    film = np.zeros((SIZE_PX, SIZE_PX), np.float32)
    draw_devices(Scene(film, body.camera, 90.0), body)
    assert np.isfinite(film).all()
    assert film.max() > 0.02
    assert np.count_nonzero(film) < 0.3 * film.size


def _mean_at(film, x_mm: float, z_mm: float, half_px: int = 8) -> float:
    row, column = (round(v) for v in film.camera.project(np.array([x_mm, 0.0, z_mm])))
    rows, columns = slice(row - half_px, row + half_px), slice(column - half_px, column + half_px)
    return float(film.pixels[rows, columns].mean())


@pytest.mark.parametrize(
    ("finding", "place", "brighter"),
    [
        ({"effusion_left": 0.6}, (80.0, -60.0), True),
        ({"effusion_right": 0.6}, (-80.0, -60.0), True),
        ({"opacities": 0.8}, (-70.0, -30.0), True),
        ({"pneumothorax": 0.8}, (105.0, 10.0), False),
        ({"pneumothorax": -0.8}, (-105.0, 10.0), False),
    ],
)
def test_findings_change_the_lung_where_they_should(plain, finding, place, brighter: bool) -> None:
    film = make_film(replace(plain.recipe, pathology=PathologyDials(**finding)))
    change = _mean_at(film, *place) - _mean_at(plain, *place)
    assert change > 100.0 if brighter else change < -50.0
    assert film.truth.to_dict() == plain.truth.to_dict()


def test_collapse_draws_the_mediastinum_to_its_side(plain) -> None:
    for collapse in (-0.8, 0.8):
        film = make_film(replace(plain.recipe, pathology=PathologyDials(collapse=collapse)))
        moved = {
            name: film.truth.points[name].x_mm - plain.truth.points[name].x_mm
            for name in ("vertebra T8", "carina")
        }
        # The carina is the origin: the spine moves away from the collapsed side.
        assert np.sign(moved["vertebra T8"]) == -np.sign(collapse)
        assert moved["carina"] == 0.0


def test_big_heart_is_wider(plain) -> None:
    big = make_film(replace(plain.recipe, body=replace(plain.recipe.body, heart=1.4)))
    assert _mean_at(big, 92.0, -85.0, 5) > _mean_at(plain, 92.0, -85.0, 5) + 100.0


def test_collimated_border_is_black(plain) -> None:
    exposure = replace(plain.recipe.exposure, collimation=(0.1, 0.1, 0.05, 0.05))
    film = make_film(replace(plain.recipe, exposure=exposure))
    assert film.pixels[: int(0.09 * SIZE_PX)].max() == 0
    assert film.pixels[SIZE_PX // 2, SIZE_PX // 2] > 0


def test_difficulty_crowds_the_film() -> None:
    def count(difficulty: float) -> float:
        recipes = [draw_recipe(seed, difficulty=difficulty) for seed in range(60)]
        devices = [sum(getattr(r.devices, f.name) for f in fields(DeviceDials)) for r in recipes]
        findings = [sum(abs(getattr(r.pathology, f.name)) for f in fields(PathologyDials)) for r in recipes]
        return float(np.mean(devices) + np.mean(findings))

    assert count(0.0) < count(0.5) < count(1.0)
    assert all(draw_recipe(seed, difficulty=0.0).pathology == PathologyDials() for seed in range(30))


def test_a_filled_fork_hides_where_the_bronchi_go_and_leaves_the_trachea() -> None:
    """Whichever way they go, the film is the same about the carina; a film with an open fork is not."""

    def differ(filled: float) -> float:
        films = []
        for angle in (55.0, 105.0):
            recipe = _recipe()
            body = replace(recipe.body, subcarinal_angle_deg=angle)
            films.append(make_film(replace(recipe, body=body, pathology=PathologyDials(fork_filled=filled))))
        row, column = (round(v) for v in films[0].camera.project(np.zeros(3)))
        half = round(18.0 / films[0].recipe.pitch_mm)
        window = np.s_[row - half : row + half, column - half : column + half]
        one, other = (film.pixels[window].astype(float) for film in films)
        return float(np.abs(one - other).max())

    assert differ(0.0) > 40.0
    assert differ(1.0) < 0.1 * differ(0.0)
    open_film, filled_film = (
        make_film(replace(_recipe(), pathology=PathologyDials(fork_filled=filled))) for filled in (0.0, 1.0)
    )
    assert _mean_at(filled_film, 0.0, 60.0) == pytest.approx(_mean_at(open_film, 0.0, 60.0), abs=4.0)
    assert filled_film.truth == open_film.truth
