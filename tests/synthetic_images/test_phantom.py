"""A phantom of known size, exposed as films are and measured back on the picture."""

from __future__ import annotations

import numpy as np
import pytest

from measure.magnification import View
from synthetic_images.detector import expose, present
from synthetic_images.materials import Material
from synthetic_images.projection import Stand, camera
from synthetic_images.recipe import ExposureDials
from synthetic_images.ribbons import Curve
from synthetic_images.scene import Scene

TRUE_MM = 100.0


@pytest.mark.parametrize(("sid_mm", "depth_mm"), [(1000.0, 120.0), (1300.0, 180.0), (1830.0, 90.0)])
def test_wires_100_mm_apart_measure_100_mm(sid_mm: float, depth_mm: float) -> None:
    seen = camera(Stand(View.AP, sid_mm, depth_mm), 512, 512, 0.6)
    scene = Scene(np.full((512, 512), 2.0, np.float32), seen, 90.0)
    for z in (-TRUE_MM / 2.0, TRUE_MM / 2.0):
        wire = np.stack([np.linspace(-40.0, 40.0, 30), np.zeros(30), np.full(30, z)], axis=1)
        scene.solid(Curve(wire, np.full(30, 0.6)), scene.mu(Material.STEEL))
    dials = ExposureDials(quanta_per_mm2=5e5)
    factor = sid_mm / (sid_mm - depth_mm)
    grey = present(expose(scene.film, dials, 0.6, factor, seed=1), dials, 0.6, dials.quanta_per_mm2 * 0.36)
    profile = grey[:, 236:277].mean(axis=1)
    rows = [_peak(profile, half) for half in (slice(0, 256), slice(256, 512))]
    measured_mm = (rows[1] - rows[0]) * 0.6 / factor
    assert measured_mm == pytest.approx(TRUE_MM, abs=0.2)


def _peak(profile: np.ndarray, half: slice) -> float:
    """Centre of gravity of the brightest line in one half of a profile, above its surroundings' slope."""
    part = profile[half]
    top = int(part.argmax())
    near = np.arange(top - 6, top + 7)
    line = part[near] - np.interp(near, (near[0], near[-1]), (part[near[0]], part[near[-1]]))
    return float(half.start + np.sum(near * line) / np.sum(line))


def test_noise_follows_the_quanta() -> None:
    for quanta in (2e4, 2e5):
        dials = ExposureDials(quanta_per_mm2=quanta, scatter_to_primary=0.0)
        flat = expose(np.zeros((400, 400), np.float32), dials, 0.5, 1.0, seed=2)[50:-50, 50:-50]
        expected = np.sqrt(quanta * 0.25)
        assert flat.mean() == pytest.approx(quanta * 0.25, rel=0.005)
        assert flat.std() == pytest.approx(expected, rel=0.08)
