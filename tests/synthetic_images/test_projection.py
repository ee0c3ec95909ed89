"""The camera against a pinhole worked out another way: turn the patient, not the source; similar triangles."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from measure.magnification import View
from synthetic_images.film import make_film
from synthetic_images.projection import Stand, camera
from synthetic_images.recipe import draw_recipe


def pinhole(stand: Stand, rows: int, pitch_mm: float, point: np.ndarray) -> tuple[float, float, float]:
    """Row, column and magnification of a point for an untilted detector, in the room's frame."""
    back = -1.0 if stand.view is View.PA else 1.0
    centre = np.array([stand.centre_x_mm, 0.0, stand.centre_z_mm])
    matrix = Rotation.from_euler("z", stand.rotation_deg, degrees=True) * Rotation.from_euler(
        "x", stand.tilt_deg * back, degrees=True
    )
    in_room = matrix.inv().apply(point - centre)
    from_source = stand.source_to_detector_mm - stand.patient_to_detector_mm + back * in_room[1]
    factor = stand.source_to_detector_mm / from_source
    across, up = factor * in_room[0], factor * in_room[2]
    roll = np.radians(stand.roll_deg)
    right = across * np.cos(roll) - up * np.sin(roll)
    top = across * np.sin(roll) + up * np.cos(roll)
    middle = (rows - 1) / 2.0
    return middle - top / pitch_mm, middle + right / pitch_mm, factor


@pytest.mark.parametrize("view", [View.AP, View.PA])
def test_landmarks_fall_where_a_pinhole_puts_them(view: View) -> None:
    rng = np.random.default_rng(1)
    for _ in range(50):
        stand = Stand(
            view, rng.uniform(900, 1900), rng.uniform(60, 200), *rng.normal(0, 20, 2), *rng.normal(0, 8, 3)
        )
        seen = camera(stand, 1024, 1024, 0.4)
        point = rng.normal(0.0, 90.0, 3)
        row, column, factor = pinhole(stand, 1024, 0.4, point)
        assert seen.project(point) == pytest.approx((row, column), abs=1e-6)
        assert seen.magnification(point) == pytest.approx(factor, rel=1e-9)


def test_magnification_is_sid_over_sod() -> None:
    film = make_film(draw_recipe(3, rows=128, columns=128))
    carina = film.truth.points["carina"]
    place = np.array([carina.x_mm, carina.y_mm, carina.z_mm])
    normal = film.camera.normal
    to_object = float((place - film.camera.source) @ normal)
    assert film.truth.carina_magnification == pytest.approx(film.camera.source_to_detector_mm / to_object)


def test_patient_left_is_on_the_right_of_the_film() -> None:
    for view in (View.AP, View.PA):
        seen = camera(Stand(view, 1000.0, 100.0), 512, 512, 0.8)
        assert seen.project(np.array([50.0, 0.0, 0.0]))[1] > 256
        assert seen.project(np.array([0.0, 0.0, 50.0]))[0] < 256
