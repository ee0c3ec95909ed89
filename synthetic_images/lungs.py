"""What is inside the lungs: vessels that branch from the hila, and a fine texture."""

from __future__ import annotations

import numpy as np

from measure.patient import AgeGroup
from synthetic_images.anatomy import Anatomy
from synthetic_images.materials import Material
from synthetic_images.projection import Floats, Map
from synthetic_images.raster import blur, enlarged
from synthetic_images.ribbons import Curve, add_strands
from synthetic_images.scene import Scene
from synthetic_images.streams import stream

LUNG_DENSITY = 0.26
"""Inflated lung over water (textbook, memory: 0.2 to 0.35 g/cm3)."""

MURRAY = 2.0 ** (-1.0 / 2.7)
"""Radius of a daughter vessel over the parent's; exponents between 2.3 and 3 are published (memory)."""


def draw_vessels(scene: Scene, body: Anatomy, depth_px: Map) -> None:
    """Add the pulmonary arteries and veins of both lungs.

    Parameters
    ----------
    depth_px : ndarray of float32, shape (rows, columns)
        Length of lung along each ray in mm; vessels fade where there is none.
    """
    layer = np.zeros_like(scene.film)
    per_mm = scene.mu(Material.SOFT_TISSUE) * (1.0 - LUNG_DENSITY)
    add_strands(layer, scene.camera, [*vessels(body, -1.0), *vessels(body, 1.0)], per_mm)
    scene.film[:] += layer * np.clip(depth_px / np.float32(80.0 * body.frame.deep), 0.0, 1.0)


def vessels(body: Anatomy, side: float) -> list[Curve]:
    """The vascular tree of one lung; side -1 right, 1 left."""
    rng = stream(body.recipe.seed, f"vessels{side}")
    f = body.frame
    hilum = np.array([body.spine_x0 + side * 34.0 * f.across, 4.0, (-14.0 if side < 0 else -4.0) * f.long])
    curves: list[Curve] = []
    width, _ = body.chest_half_mm
    # Fan out by angle on the film: up, out and down; lower lobes carry more and wider vessels.
    # The first is the descending (interlobar) artery, the widest.
    targets = [(-78.0, 5.6), (-62.0, 4.2), (-40.0, 4.2), (-12.0, 3.2), (14.0, 3.0), (42.0, 3.4), (64.0, 3.6)]
    targets += [(float(a), 2.2) for a in rng.uniform(-85.0, 75.0, 12)]
    for angle, radius in targets:
        aim = np.radians(angle + rng.normal(0.0, 6.0))
        direction = np.array([side * np.cos(aim), rng.normal(0.0, 0.45), np.sin(aim)])
        start = hilum + rng.normal(0.0, 4.0, 3) * f.across
        reach = width * (0.36 if angle > 0 else 0.44)
        _grow(rng, curves, start, direction / np.linalg.norm(direction), radius * f.across, reach, 0)
    return curves


LAST_GENERATION = 4


def _grow(
    rng: np.random.Generator,
    curves: list[Curve],
    start: Floats,
    direction: Floats,
    radius_mm: float,
    length_mm: float,
    generation: int,
) -> None:
    """One vessel and its daughters."""
    if radius_mm < 0.35:
        return
    bend = rng.normal(0.0, 0.2, 3)
    share = np.linspace(0.0, 1.0, 3)[:, None]
    length = length_mm * rng.uniform(0.75, 1.25)
    points = start + direction * length * share + bend * length * share**2
    curves.append(Curve(points, radius_mm * np.linspace(1.0, 0.78, 3)))
    if generation >= LAST_GENERATION:
        return
    heading = points[-1] - points[-2]
    heading /= np.linalg.norm(heading)
    for share_of_flow in (rng.uniform(0.85, 1.0), rng.uniform(0.6, 0.95)):
        turn = rng.normal(0.0, 0.36, 3)
        turned = heading + turn - heading * (turn @ heading)
        turned /= np.linalg.norm(turned)
        _grow(
            rng,
            curves,
            points[-1],
            turned,
            radius_mm * 0.78 * MURRAY * 1.2 * share_of_flow,
            length * 0.66,
            generation + 1,
        )


def texture(body: Anatomy, rows: int, columns: int, pitch_mm: float) -> Map:
    """Relative density of the lung, 1 on average, on a grid of the given pitch."""
    rng = stream(body.recipe.seed, "texture")
    grown = 1.0 if body.recipe.age_group is AgeGroup.ADULT else max(body.frame.long, 0.3)
    field = np.zeros((rows, columns), np.float32)
    for size_mm, strength in ((60.0, 0.05), (22.0, 0.03), (7.0, 0.028), (2.5, 0.03)):
        field += np.float32(strength) * noise_field(rng, rows, columns, size_mm * grown / pitch_mm)
    return np.asarray(np.clip(1.0 + field, 0.4, 2.5))


def muscle_planes(body: Anatomy, rows: int, columns: int, pitch_mm: float) -> Map:
    """Relative density of soft tissue, 1 on average: muscle and fat are not one even mass."""
    rng = stream(body.recipe.seed, "planes")
    scale = body.frame.across / pitch_mm
    field = 0.022 * noise_field(rng, rows, columns, 45.0 * scale)
    field += 0.011 * noise_field(rng, rows, columns, 14.0 * scale)
    field += 0.0035 * noise_field(rng, rows, columns, 3.5 * scale)
    return np.asarray(np.float32(1.0) + field, dtype=np.float32)


def noise_field(rng: np.random.Generator, rows: int, columns: int, size_px: float) -> Map:
    """Smooth Gaussian noise of unit variance whose bumps are about `size_px` wide."""
    step = max(size_px / 2.0, 1.0)
    small = rng.standard_normal((int(rows / step) + 4, int(columns / step) + 4), dtype=np.float32)
    small = blur(small, 0.8)
    small /= max(float(small.std()), 1e-6)
    large = enlarged(small, int(small.shape[0] * step) + 1, int(small.shape[1] * step) + 1, smooth=True)
    return large[:rows, :columns]
