"""A recipe becomes a film with its truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic_images.anatomy import Anatomy, build_anatomy
from synthetic_images.detector import expose, present
from synthetic_images.lungs import LUNG_DENSITY, draw_vessels, texture
from synthetic_images.materials import Material
from synthetic_images.projection import Camera, Map
from synthetic_images.raster import enlarged
from synthetic_images.recipe import FilmRecipe
from synthetic_images.ribbons import Curve, ribbon, slant
from synthetic_images.scene import Scene
from synthetic_images.skeleton import draw_skeleton
from synthetic_images.solids import union_length
from synthetic_images.truth import Truth, find_truth
from synthetic_images.tube import PlacedTube, cuff_air, draw_tube, place_tube

COARSE_STEP_PX = 2
"""Large smooth organs are computed on every second pixel and interpolated."""


@dataclass(frozen=True, eq=False)
class SyntheticFilm:
    """A film and all that is known of it.

    Parameters
    ----------
    pixels : ndarray of uint16, shape (rows, columns)
        Grey values of 12 bits, bright = dense, upright, the patient's left on the right.
    recipe : FilmRecipe
        What it was made from.
    camera : Camera
        Where source and detector stood.
    truth : Truth
    """

    pixels: NDArray[np.uint16]
    recipe: FilmRecipe
    camera: Camera
    truth: Truth


def make_film(recipe: FilmRecipe) -> SyntheticFilm:
    """Make the film of a recipe; the same recipe gives the same pixels.

    Parameters
    ----------
    recipe : FilmRecipe
        From `draw_recipe`, or changed by hand.
    """
    body = build_anatomy(recipe)
    tube = place_tube(body)
    scene, lung_mm = _tissue(body)
    _airway_air(scene, body, tube)
    draw_vessels(scene, body, lung_mm)
    draw_skeleton(scene, body)
    if tube is not None:
        draw_tube(scene, tube)
    return SyntheticFilm(_developed(scene, recipe), recipe, body.camera, find_truth(body, tube))


def _tissue(body: Anatomy) -> tuple[Scene, Map]:
    """Soft tissue and lungs; also the length of lung along each ray in mm."""
    recipe, camera = body.recipe, body.camera
    rays = camera.rays(COARSE_STEP_PX)
    outline = union_length([solid.interval(rays) for solid in body.soft_tissue()]) * rays.stretch
    lung = _lung_mm(body, rays.x0.shape, COARSE_STEP_PX)
    whole = enlarged(outline, recipe.rows, recipe.columns)
    lung = enlarged(lung, recipe.rows, recipe.columns)
    scene = Scene(np.zeros((recipe.rows, recipe.columns), np.float32), camera, recipe.exposure.kvp)
    mu = np.float32(scene.mu(Material.SOFT_TISSUE))
    grain = texture(
        body, recipe.rows, recipe.columns, recipe.pitch_mm / float(camera.magnification(body.airway.carina))
    )
    scene.film[:] = mu * (np.maximum(whole - lung, 0.0) + np.float32(LUNG_DENSITY) * lung * grain)
    return scene, lung


def _lung_mm(body: Anatomy, shape: tuple[int, int], step_px: int) -> Map:
    """Length of lung along each ray: the cage less heart, vessels, spine and diaphragm."""
    rays = body.camera.rays(step_px)
    taken = [solid.interval(rays) for solid in (*body.mediastinum(), *body.azygos_and_veins())]
    total = np.zeros(shape, np.float32)
    for side in (-1.0, 1.0):
        lung = body.lung(side).interval(rays)
        below = body.diaphragm(side).interval(rays)
        inside = [part.within(lung) for part in (*taken, below)]
        total += np.maximum(lung.length - union_length(inside), 0.0)
    return total * rays.stretch


def _airway_air(scene: Scene, body: Anatomy, tube: PlacedTube | None) -> None:
    """Air in place of tissue; where columns join, the deepest counts."""
    columns = list(body.airway.air())
    cuff = None if tube is None else cuff_air(tube)
    air = np.zeros_like(scene.film)
    for curve in columns if cuff is None else [*columns, cuff]:
        _deepest(air, scene.camera, curve)
    scene.film[:] += air * np.float32(scene.instead_of(Material.AIR))


def _deepest(air: Map, camera: Camera, curve: Curve) -> None:
    band = ribbon(camera, curve)
    if band is None:
        return
    depth = curve.radius_mm if curve.depth_mm is None else curve.depth_mm
    length = band.half_chord * band.sample(2.0 * depth * slant(camera, curve.points_mm))
    window = air[band.rows, band.columns]
    np.maximum(window, length, out=window)


def _developed(scene: Scene, recipe: FilmRecipe) -> NDArray[np.uint16]:
    dials = recipe.exposure
    magnification = float(scene.camera.magnification(np.zeros(3)))
    quanta = expose(scene.film, dials, recipe.pitch_mm, magnification, recipe.seed)
    return present(quanta, dials, recipe.pitch_mm, dials.quanta_per_mm2 * recipe.pitch_mm**2)
