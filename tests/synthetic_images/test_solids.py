"""Path lengths against brute force and against textbook geometry."""

from __future__ import annotations

import numpy as np
import pytest

from measure.magnification import View
from synthetic_images.projection import Stand, camera
from synthetic_images.ribbons import Curve, chord
from synthetic_images.solids import Interval, Stack, union_length, upright


@pytest.fixture(scope="module")
def seen():
    return camera(Stand(View.AP, 1000.0, 100.0), 201, 201, 1.0)


def test_central_ray_crosses_a_sphere_along_its_diameter(seen) -> None:
    rays = seen.rays()
    length = upright((0.0, 0.0, 0.0), (40.0, 40.0, 40.0)).interval(rays).length * rays.stretch
    assert length[100, 100] == pytest.approx(80.0, abs=0.01)
    # Silhouette: tangent rays of a sphere at 900 mm hit the detector at SID * r / sqrt(d2 - r2).
    reach = 1000.0 * 40.0 / np.sqrt(900.0**2 - 40.0**2)
    assert np.count_nonzero(length[100] > 0.0) == pytest.approx(2.0 * reach, abs=2.0)


def test_stack_of_equal_circles_is_a_cylinder(seen) -> None:
    nodes = np.array([[-150.0, 0.0, 0.0, 30.0, 30.0], [150.0, 0.0, 0.0, 30.0, 30.0]])
    rays = seen.rays()
    length = Stack(nodes).interval(rays).length
    assert length[100, 100] == pytest.approx(60.0, abs=0.01)
    # A vertical cylinder: in the plane of one row the ray is a line at a known distance from the axis.
    x = 20.0
    direction = np.array([x, 1000.0])
    distance = abs(900.0 * x) / np.linalg.norm(direction)
    expected = 2.0 * np.sqrt(30.0**2 - distance**2)
    assert length[100, 120] * np.hypot(1.0, x / 1000.0) == pytest.approx(expected, rel=0.005)


def test_union_is_what_counting_finds() -> None:
    rng = np.random.default_rng(5)
    starts = rng.uniform(0.0, 80.0, (6, 40)).astype(np.float32)
    ends = (starts + rng.uniform(-10.0, 40.0, starts.shape)).astype(np.float32)
    found = union_length([Interval(s, e) for s, e in zip(starts, ends, strict=True)])
    places = np.arange(0.0, 130.0, 0.01)
    counted = [
        0.01 * np.count_nonzero(((places >= s[:, None]) & (places < e[:, None])).any(axis=0))
        for s, e in zip(starts.T, ends.T, strict=True)
    ]
    assert found == pytest.approx(np.array(counted), abs=0.15)


def test_rod_across_the_beam_has_its_diameter(seen) -> None:
    points = np.stack([np.zeros(20), np.zeros(20), np.linspace(-60.0, 60.0, 20)], axis=1)
    drawn = chord(seen, Curve(points, np.full(20, 8.0)))
    assert drawn is not None
    band, length = drawn
    assert length.max() == pytest.approx(16.0, abs=0.1)
    middle = length[length.shape[0] // 2]
    assert np.count_nonzero(middle > 0.0) == pytest.approx(2.0 * 8.0 * 1000.0 / 900.0, abs=1.5)
    assert band.half_chord.max() <= 1.0
