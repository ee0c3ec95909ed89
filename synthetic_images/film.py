"""A recipe becomes a film with its truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic_images.anatomy import Anatomy, build_anatomy
from synthetic_images.detector import expose, present
from synthetic_images.devices import draw_devices
from synthetic_images.lungs import LUNG_DENSITY, draw_vessels, muscle_planes, noise_field, texture
from synthetic_images.materials import Material
from synthetic_images.pathology import draw_pathology, open_airway
from synthetic_images.projection import Camera, Map, Rays
from synthetic_images.raster import blur, enlarged, remapped
from synthetic_images.recipe import FilmRecipe
from synthetic_images.ribbons import Curve, ribbon, slant
from synthetic_images.scene import Scene
from synthetic_images.skeleton import draw_skeleton
from synthetic_images.solids import Interval, union_length
from synthetic_images.streams import stream
from synthetic_images.truth import Truth, find_truth
from synthetic_images.tube import PlacedTube, cuff_air, draw_tube, place_tube

LUNG_STEP_PX, OUTLINE_STEP_PX = 2, 4
"""Large smooth organs are computed on every second or fourth pixel and interpolated."""

UNEVEN_MM = ((60.0, 2.4), (22.0, 0.9))
"""Width and standard deviation of what moves the organs' outlines (ours)."""

KEPT_EXACT_MM = 14.0
"""Distance from the aortic arch's most lateral point within which they are hardly moved (ours)."""

OUTLINE_BLUR = 0.9
"""Blur of the skin's outline in units of its grid, against steps (ours)."""


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
    aerated_mm = draw_pathology(scene, body, lung_mm)
    draw_vessels(scene, body, aerated_mm)
    draw_skeleton(scene, body)
    if tube is not None:
        draw_tube(scene, tube)
    draw_devices(scene, body)
    return SyntheticFilm(_developed(scene, recipe), recipe, body.camera, find_truth(body, tube))


def _tissue(body: Anatomy) -> tuple[Scene, Map]:
    """Soft tissue and lungs; also the length of lung along each ray in mm."""
    recipe, camera = body.recipe, body.camera
    rays = camera.rays(OUTLINE_STEP_PX)
    outline = union_length([solid.interval(rays) for solid in body.soft_tissue()]) * rays.stretch
    whole = enlarged(blur(outline, OUTLINE_BLUR), recipe.rows, recipe.columns)
    lung, free_air = (enlarged(part, recipe.rows, recipe.columns) for part in _lung_mm(body))
    scene = Scene(np.zeros((recipe.rows, recipe.columns), np.float32), camera, recipe.exposure.kvp)
    mu = np.float32(scene.mu(Material.SOFT_TISSUE))
    pitch_mm = recipe.pitch_mm / float(camera.magnification(body.airway.carina))
    grain = texture(body, recipe.rows, recipe.columns, pitch_mm)
    planes = muscle_planes(body, recipe.rows, recipe.columns, pitch_mm)
    solid = np.maximum(whole - lung - free_air, 0.0) * planes
    scene.film[:] = mu * (solid + np.float32(LUNG_DENSITY) * lung * grain)
    return scene, lung


def _lung_mm(body: Anatomy) -> tuple[Map, Map]:
    """Length of lung along each ray, and of free air round it: the cage less all that displaces lung."""
    rays = body.camera.rays(LUNG_STEP_PX)
    total = np.zeros(rays.x0.shape, np.float32)
    free_air = np.zeros_like(total)
    pneumothorax = body.recipe.pathology.pneumothorax
    for side in (-1.0, 1.0):
        lung = body.lung(side).interval(rays)
        met = lung.length > 0.0
        inside, few = Interval(lung.start[met], lung.end[met]), rays.where(met)
        taken = (*body.mediastinum(), *body.azygos_and_veins(), body.diaphragm(side))
        solid = union_length([part.interval(few).within(inside) for part in taken])
        space = np.maximum(inside.length - solid, 0.0)
        if pneumothorax * side > 0.0:
            kept = (
                union_length(
                    [part.interval(few).within(inside) for part in taken] + [_shrunk(body, side, few, inside)]
                )
                - solid
            )
            free_air[met] += np.maximum(space - kept, 0.0)
            space = np.minimum(kept, space)
        total[met] += space
    return uneven(body, total * rays.stretch), uneven(body, free_air * rays.stretch)


def uneven(body: Anatomy, organ: Map) -> Map:
    """A map whose outlines are moved a little, because no organ is a formula; not where a landmark lies on one."""
    step_mm = body.recipe.pitch_mm * LUNG_STEP_PX
    rng = stream(body.recipe.seed, "uneven")
    rows, columns = np.mgrid[: organ.shape[0], : organ.shape[1]].astype(np.float32)
    mark = body.camera.project(body.arch_lateral) / LUNG_STEP_PX
    away2 = (rows - np.float32(mark[0])) ** 2 + (columns - np.float32(mark[1])) ** 2
    free = 1.0 - np.exp(-away2 * np.float32((step_mm / KEPT_EXACT_MM) ** 2))
    scale = body.frame.across / step_mm
    moved = []
    for place in (rows, columns):
        shift = np.zeros_like(organ)
        for size, amount in UNEVEN_MM:
            shift += np.float32(amount * scale) * noise_field(rng, organ.shape[0], organ.shape[1], size * scale)
        moved.append(place + free * shift)
    return remapped(organ, moved[0], moved[1])


def _shrunk(body: Anatomy, side: float, rays: Rays, inside: Interval) -> Interval:
    """What a pneumothorax leaves of a lung."""
    return body.lung(side, abs(body.recipe.pathology.pneumothorax)).interval(rays).within(inside)


def _airway_air(scene: Scene, body: Anatomy, tube: PlacedTube | None) -> None:
    """Air in place of tissue; where columns join, the deepest counts."""
    columns = list(body.airway.air())
    cuff = None if tube is None else cuff_air(tube)
    air = np.zeros_like(scene.film)
    for curve in columns if cuff is None else [*columns, cuff]:
        _deepest(air, scene.camera, curve)
    scene.film[:] += open_airway(body) * air * np.float32(scene.instead_of(Material.AIR))


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
