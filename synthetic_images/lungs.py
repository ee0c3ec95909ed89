"""What is inside the lungs: vessels that branch from the hila, and a fine texture."""

from __future__ import annotations

import numpy as np

from measure.patient import AgeGroup
from synthetic_images.anatomy import Anatomy
from synthetic_images.materials import Material
from synthetic_images.projection import Floats, Map
from synthetic_images.raster import blur, enlarged
from synthetic_images.ribbons import Strands, add_strands
from synthetic_images.scene import Scene
from synthetic_images.streams import stream

LUNG_DENSITY = 0.26
"""Inflated lung over water (textbook, memory: 0.2 to 0.35 g/cm3)."""

MURRAY = 2.7
"""A vessel's radius to this power is the sum of its daughters'; 2.3 to 3 are published (memory)."""


def draw_vessels(scene: Scene, body: Anatomy, depth_px: Map) -> None:
    """Add the pulmonary arteries and veins of both lungs.

    Parameters
    ----------
    depth_px : ndarray of float32, shape (rows, columns)
        Length of lung along each ray in mm; vessels fade where there is none.
    """
    layer = np.zeros_like(scene.film)
    per_mm = COMPANIONS * scene.mu(Material.SOFT_TISSUE) * (1.0 - LUNG_DENSITY)
    for side in (-1.0, 1.0):
        add_strands(layer, scene.camera, vessels(body, side), per_mm)
    scene.film[:] += layer * np.clip(depth_px / np.float32(FULL_VESSELS_MM * body.frame.deep), 0.0, 1.0)


COMPANIONS = 1.4
"""Arteries, veins and walls of bronchi run together; one tree stands for them all (ours)."""

FULL_VESSELS_MM = 45.0
"""Length of lung along a ray from which on its vessels are drawn in full (ours)."""

TRUNKS = (
    (-80.0, 6.8),
    (-66.0, 5.0),
    (-46.0, 4.4),
    (-14.0, 3.6),
    (14.0, 3.2),
    (44.0, 3.6),
    (66.0, 4.8),
)
"""Angle above the horizontal on the film and radius in mm of the first vessels from each hilum.

The first is the descending (interlobar) artery; its width of up to 16 mm is from memory.
"""

LESSER_TRUNKS = 12
GENERATIONS, BENT_GENERATIONS = 12, 4

GREATER_DAUGHTER = (0.8, 0.95)
"""Radius of the greater daughter over its vessel's (ours); the lesser one's follows by Murray's law."""

DAUGHTERS_SHORTER = (0.9, 0.72)
DAUGHTERS_TURN = (0.17, 0.55)
"""Length of the greater and the lesser daughter over their vessel's; how far they turn off (ours)."""

FINEST_MM = 0.42
"""Radius below which vessels are part of the lung's even density (ours)."""


def vessels(body: Anatomy, side: float) -> Strands:
    """The vascular tree of one lung, as straight pieces; side -1 right, 1 left."""
    rng = stream(body.recipe.seed, f"vessels{side}")
    f = body.frame
    low = (-16.0 if side < 0 else -6.0) * f.long
    hilum = np.array([body.mediastinum_x0 + side * 27.0 * f.across, 4.0, low])
    width, _ = body.chest_half_mm
    # Fan out by angle on the film: up, out and down; lower lobes carry more and wider vessels.
    lesser = [(float(angle), 2.3) for angle in rng.uniform(-88.0, 80.0, LESSER_TRUNKS)]
    angle, radius = np.array([*TRUNKS, *lesser]).T
    count = len(angle)
    aim = np.radians(angle + rng.normal(0.0, 6.0, count))
    direction = np.stack([side * np.cos(aim), rng.normal(0.0, 0.45, count), np.sin(aim)], axis=1)
    # Arteries and veins leave the hilum over its height, upper ones higher.
    leave = np.stack([side * np.abs(rng.normal(0.0, 5.0, count)), rng.normal(0.0, 6.0, count), 16.0 * np.sin(aim)])
    start = hilum + leave.T * f.across
    length = width * np.where(angle > 0.0, 0.13, 0.15) * rng.uniform(0.75, 1.25, count)
    return _grown(rng, start, direction, radius * f.across, length)


def _grown(
    rng: np.random.Generator, start: Floats, direction: Floats, radius_mm: Floats, length_mm: Floats
) -> Strands:
    """All daughters of some vessels, a generation at a time; the first ones are bent."""
    pieces: list[tuple[Floats, Floats, Floats]] = []
    for generation in range(GENERATIONS):
        heading = direction / np.linalg.norm(direction, axis=1, keepdims=True)
        bend = rng.normal(0.0, 0.12, start.shape) * length_mm[:, None]
        middle = start + 0.5 * heading * length_mm[:, None] + 0.25 * bend
        end = start + heading * length_mm[:, None] + bend
        if generation < BENT_GENERATIONS:
            pieces += [(start, middle, radius_mm), (middle, end, radius_mm)]
        else:
            pieces.append((start, end, radius_mm))
        heading = (end - middle) / np.linalg.norm(end - middle, axis=1, keepdims=True)
        greater = rng.uniform(*GREATER_DAUGHTER, len(start))
        shares = (greater, (1.0 - greater**MURRAY) ** (1.0 / MURRAY))
        turned = [heading + rng.normal(0.0, turn, start.shape) for turn in DAUGHTERS_TURN]
        shorter = [length_mm * rng.uniform(0.8, 1.2, len(start)) * share for share in DAUGHTERS_SHORTER]
        kept = np.concatenate([share * radius_mm for share in shares]) > FINEST_MM
        start = np.tile(end, (2, 1))[kept]
        radius_mm = np.concatenate([share * radius_mm for share in shares])[kept]
        direction, length_mm = np.concatenate(turned)[kept], np.concatenate(shorter)[kept]
    first, second, radius = (np.concatenate(column) for column in zip(*pieces, strict=True))
    return Strands(first, second, radius)


def texture(body: Anatomy, rows: int, columns: int, pitch_mm: float) -> Map:
    """Relative density of the lung, 1 on average, on a grid of the given pitch."""
    rng = stream(body.recipe.seed, "texture")
    grown = 1.0 if body.recipe.age_group is AgeGroup.ADULT else max(body.frame.long, 0.3)
    field = np.zeros((rows, columns), np.float32)
    for size_mm, strength in ((60.0, 0.022), (22.0, 0.016), (7.0, 0.02), (2.5, 0.03)):
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
