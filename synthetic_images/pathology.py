"""What ails the lungs and what lies under the skin, as changes of the line integrals.

How much fluid, where air, where dense: our own shapes after the usual look of each finding; no measured sizes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic_images.anatomy import Anatomy
from synthetic_images.lungs import LUNG_DENSITY, noise_field
from synthetic_images.materials import Material
from synthetic_images.projection import Map
from synthetic_images.raster import enlarged
from synthetic_images.scene import Scene
from synthetic_images.streams import stream

MAP_STEP_PX = 8

FORK_FILLED_TO_MM, FORK_EDGE_MM = 22.0, 5.0
"""How far above the carina a filled fork reaches in an adult, and how softly it ends (ours)."""


@dataclass(frozen=True, slots=True)
class Places:
    """Where each pixel's ray crosses the coronal plane through the carina, in mm."""

    x_mm: Map
    z_mm: Map


def places(body: Anatomy) -> Places:
    """Coronal places of all pixels."""
    rays = body.camera.rays(MAP_STEP_PX)
    rows, columns = body.recipe.rows, body.recipe.columns
    return Places(enlarged(rays.x0, rows, columns), enlarged(rays.z0, rows, columns))


def filled_share(body: Anatomy, where: Places) -> Map:
    """Share of the lung along each ray that holds no air, from every finding together."""
    dials = body.recipe.pathology
    filled = np.zeros(where.x_mm.shape, np.float32)
    if dials.opacities > 0.0:
        filled = np.maximum(filled, opacities(body, where))
    for side, severity in ((-1.0, dials.effusion_right), (1.0, dials.effusion_left)):
        if severity > 0.0:
            filled = np.maximum(filled, effusion(body, where, side, severity))
    if dials.collapse != 0.0:
        filled = np.maximum(filled, collapse(body, where))
    return filled


def draw_pathology(scene: Scene, body: Anatomy, lung_mm: Map) -> Map:
    """Add every finding that the recipe asks for, and the bowel's gas.

    Parameters
    ----------
    lung_mm : ndarray of float32
        Length of lung along each ray.

    Returns
    -------
    ndarray of float32
        Length of lung that still holds air.
    """
    where = places(body)
    filled = filled_share(body, where)
    scene.film[:] += filled * lung_mm * np.float32(scene.mu(Material.SOFT_TISSUE) * (1.0 - LUNG_DENSITY))
    if body.recipe.pathology.subcutaneous_air > 0.0:
        _subcutaneous_air(scene, body, where, lung_mm)
    _bowel_gas(scene, body, where)
    return lung_mm * (np.float32(1.0) - filled)


def open_airway(body: Anatomy) -> Map | float:
    """Share of the airway's air columns along each ray that still shows as air."""
    filled = body.recipe.pathology.fork_filled
    if filled == 0.0:
        return 1.0
    above = places(body).z_mm / np.float32(body.frame.long) - np.float32(FORK_FILLED_TO_MM)
    below = 1.0 / (1.0 + np.exp(np.clip(above / FORK_EDGE_MM, -30.0, 30.0)))
    return np.asarray(1.0 - filled * below, dtype=np.float32)


def opacities(body: Anatomy, where: Places) -> Map:
    """Share of the lung filled by patchy air-space disease, denser about the hila and at the bases."""
    recipe, f = body.recipe, body.frame
    severity = recipe.pathology.opacities
    rng = stream(recipe.seed, "opacities")
    scale = f.across / recipe.pitch_mm
    rows, columns = recipe.rows, recipe.columns
    patch = noise_field(rng, rows, columns, 90.0 * scale) + 0.7 * noise_field(rng, rows, columns, 32.0 * scale)
    mottle = 0.3 * noise_field(rng, rows, columns, 11.0 * scale) + 0.15 * noise_field(
        rng, rows, columns, 5.0 * scale
    )
    beside = np.abs(where.x_mm - np.float32(body.spine_x0)) / np.float32(body.chest_half_mm[0])
    low = np.clip((20.0 * f.long - where.z_mm) / (140.0 * f.long), 0.0, 1.0)
    pull = 0.9 * (1.0 - beside) + 0.7 * low + float(rng.normal(0.0, 0.35)) * np.sign(where.x_mm)
    level = patch + mottle + pull + 2.6 * (severity - 0.75)
    return np.asarray(0.75 * severity**0.5 / (1.0 + np.exp(-1.3 * level)), dtype=np.float32)


def effusion(body: Anatomy, where: Places, side: float, severity: float) -> Map:
    """Fluid that layers behind the lung lying down, and rises along the side wall."""
    f = body.frame
    dome = body.dome_mm[0 if side < 0 else 1]
    outward = np.clip(
        side * (where.x_mm - np.float32(body.spine_x0)) / np.float32(body.chest_half_mm[0]), 0.0, 1.2
    )
    level = dome + (-34.0 + 150.0 * severity + 46.0 * outward**4) * f.long
    meniscus = 1.0 / (1.0 + np.exp(np.clip((where.z_mm - level) / (9.0 * f.long), -30.0, 30.0)))
    veil = 0.3 * severity * np.clip((body.apex_mm - where.z_mm) / (body.apex_mm - dome), 0.0, 1.0)
    return np.asarray(np.where(outward > 0.0, np.maximum(0.92 * meniscus, veil), 0.0), dtype=np.float32)


def collapse(body: Anatomy, where: Places) -> Map:
    """A lower lobe without air, behind the heart, denser towards the midline."""
    severity = body.recipe.pathology.collapse
    side = 1.0 if severity > 0.0 else -1.0
    dome = body.dome_mm[0 if side < 0 else 1]
    f = body.frame
    outward = side * (where.x_mm - np.float32(body.spine_x0)) / np.float32(body.chest_half_mm[0])
    edge = 0.18 + 0.5 * abs(severity) * np.clip((10.0 * f.long - where.z_mm) / (10.0 * f.long - dome), 0.0, 1.2)
    wedge = 1.0 / (1.0 + np.exp(np.clip((outward - edge) * 26.0, -30.0, 30.0)))
    below = np.clip((0.0 * f.long - where.z_mm) / (18.0 * f.long), 0.0, 1.0)
    return np.asarray(np.where(outward > 0.0, 0.85 * wedge * below, 0.0), dtype=np.float32)


def _subcutaneous_air(scene: Scene, body: Anatomy, where: Places, lung_mm: Map) -> None:
    """Streaks and bubbles of air in the chest wall and neck."""
    recipe, f = body.recipe, body.frame
    rng = stream(recipe.seed, "subcutaneous air")
    side = float(rng.choice([-1.0, 1.0]))
    scale = f.across / recipe.pitch_mm
    # Air runs along muscle and fascia: bumps three times as wide as high.
    narrow = max(recipe.columns // 3, 8)
    fibres = noise_field(rng, recipe.rows, narrow, 3.0 * scale) + noise_field(
        rng, recipe.rows, narrow, 8.0 * scale
    )
    streak = 0.7 * enlarged(fibres, recipe.rows, recipe.columns, smooth=True)
    outward = side * (where.x_mm - np.float32(body.spine_x0)) / np.float32(body.chest_half_mm[0])
    wall = np.exp(-(((outward - 1.12) / 0.22) ** 2)) + 0.8 * np.exp(
        -(((where.z_mm - 105.0 * f.long) / (30.0 * f.long)) ** 2)
    )
    air_mm = 16.0 * recipe.pathology.subcutaneous_air * f.across * np.clip(streak - 0.2, 0.0, 1.4) * wall
    air_mm = air_mm * (lung_mm < 25.0)
    possible = np.maximum(scene.film / np.float32(scene.mu(Material.SOFT_TISSUE)) - 15.0, 0.0)
    taken = np.minimum(air_mm, 0.4 * possible).astype(np.float32)
    scene.film[:] += taken * np.float32(scene.instead_of(Material.AIR))


def _bowel_gas(scene: Scene, body: Anatomy, where: Places) -> None:
    """Gas in the stomach below the left dome and in the colon's flexures."""
    rng = stream(body.recipe.seed, "bowel gas")
    f = body.frame
    bubbles = [(62.0, body.dome_mm[1] / f.long - 24.0, 34.0, 15.0)] if rng.random() < 0.65 else []
    for _ in range(int(rng.integers(0, 6))):
        bubbles.append(
            (
                float(rng.uniform(-95.0, 115.0)),
                float(rng.uniform(-100.0, -45.0)) + body.dome_mm[1] / f.long,
                float(rng.uniform(9.0, 24.0)),
                float(rng.uniform(8.0, 18.0)),
            )
        )
    rows, columns = body.recipe.rows, body.recipe.columns
    folds = 1.0 + np.float32(0.22) * noise_field(rng, rows, columns, 16.0 * f.across / body.recipe.pitch_mm)
    for x, z, half_width, half_height in bubbles:
        u = (where.x_mm - np.float32(body.spine_x0 + x * f.across)) / np.float32(half_width * f.across)
        v = (where.z_mm - np.float32(z * f.long)) / np.float32(half_height * f.long)
        length = 1.3 * half_height * f.deep * np.sqrt(np.maximum(1.0 - (u * u + v * v) * folds, 0.0))
        scene.film[:] += (length * scene.instead_of(Material.AIR)).astype(np.float32)
