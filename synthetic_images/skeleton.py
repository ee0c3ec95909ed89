"""Bones: cortex round marrow, drawn where they lie in the patient.

Sizes are those of an adult of 175 cm, from anatomy atlases, from memory.
"""

from __future__ import annotations

import numpy as np

from measure.landmarks import VERTEBRAE
from measure.patient import AgeGroup
from synthetic_images.anatomy import SPINE_LEVEL_MM, Anatomy
from synthetic_images.lungs import noise_field
from synthetic_images.materials import Material
from synthetic_images.projection import Floats, Map
from synthetic_images.raster import blur, polygon
from synthetic_images.ribbons import Curve, smooth_path
from synthetic_images.scene import Scene
from synthetic_images.streams import stream

MARROW_SHARE = 0.14
"""Excess attenuation of spongy bone over soft tissue, as a share of cortical bone's (memory: about 15 %)."""

CORTEX_MM = 0.95


def draw_skeleton(scene: Scene, body: Anatomy) -> None:
    """Add every bone to the film."""
    mineral = body.recipe.body.bone * (1.0 if body.recipe.age_group is AgeGroup.ADULT else 0.75)
    gain = scene.instead_of(Material.CORTICAL_BONE) * mineral
    soft = scene.film.copy()
    _spine(scene, body, gain)
    bones: list[tuple[Curve, float | Floats]] = [*ribs(body), *cartilages(body)]
    bones += [*_shoulders(body), *_mandible(body)]
    for curve, cortex in bones:
        scene.hollow(curve, cortex, gain, gain * MARROW_SHARE)
    _scapulae(scene, body, gain)
    _sternum(scene, body, gain)
    bone = scene.film - soft
    scene.film[:] += bone * trabeculae(body)


TRABECULAE_MM = ((1.2, 0.06), (3.0, 0.055), (9.0, 0.05))
"""Width and standard deviation of the unevenness of bone, as a share of its attenuation (ours)."""


def trabeculae(body: Anatomy) -> Map:
    """Attenuation of bone above its mean, as a share: the net of trabeculae, summed along the ray."""
    recipe = body.recipe
    rng = stream(recipe.seed, "trabeculae")
    scale = body.frame.across / recipe.pitch_mm
    field = np.zeros((recipe.rows, recipe.columns), np.float32)
    for size_mm, strength in TRABECULAE_MM:
        field += np.float32(strength) * noise_field(rng, recipe.rows, recipe.columns, size_mm * scale)
    return field


def ribs(body: Anatomy) -> list[tuple[Curve, Floats]]:
    """The twelve pairs, from the vertebra round the cage to the cartilage."""
    cortex = (
        CORTEX_MM * body.frame.across * np.interp(np.linspace(0.0, 1.0, 34), (0.0, 0.5, 1.0), (1.0, 0.9, 0.45))
    )
    return [(rib(body, n, side), cortex) for n in range(1, 13) for side in (-1.0, 1.0)]


RIB_DROP_MM = (36, 58, 78, 94, 106, 114, 116, 110, 98, 78, 52, 30)
"""How far each rib's front end lies below its back end."""

RIB_END_DEG = (142, 146, 148, 148, 147, 145, 141, 134, 124, 112, 84, 58)
"""How far round the cage the bony part reaches: 0 is the spine, 180 the sternum."""


def rib(body: Anatomy, number: int, side: float) -> Curve:
    """One rib; side -1 right, 1 left."""
    f = body.frame
    rng = stream(body.recipe.seed, f"rib{number}{side}")
    start = body.vertebrae[f"T{number}"] + np.array([0.0, 0.0, 5.0 * f.long])
    breath = 1.12 - 0.25 * body.recipe.body.inspiration
    young = 1.0 if body.recipe.age_group is AgeGroup.ADULT else 0.45 + 0.55 * min(f.long, 1.0)
    drop = RIB_DROP_MM[number - 1] * f.long * breath * young * float(rng.normal(1.0, 0.04))
    angle = np.radians(np.linspace(6.0, RIB_END_DEG[number - 1] + float(rng.normal(0.0, 2.0)), 34))
    share = (angle - angle[0]) / np.radians(148.0)
    fall = 0.3 * share + 0.7 * share**2 * (3.0 - 2.0 * share)
    z = start[2] - drop * fall + _waves(rng, share, 0.8 * f.long)
    # Near the top the cage narrows so fast that a slanting ring takes its width from lower down.
    under = (10.0, 18.0)[number - 1] if number < 3 else 24.0
    half_width, half_depth, centre_y = body.cage_at(
        z - under * f.long * np.exp((z - body.apex_mm) / (24.0 * f.long))
    )
    half_width, half_depth = half_width + 1.0 * f.across, half_depth + 1.0 * f.deep
    x = (
        body.cage_x(z)
        + (start[0] - body.cage_x(z)) * (1.0 - share) ** 2
        + side * half_width * np.abs(np.sin(angle)) ** 0.6
    )
    y = centre_y + half_depth * np.sign(np.cos(angle)) * np.abs(np.cos(angle)) ** 0.75
    neck = np.clip(1.0 - np.arange(34) / 4.0, 0.0, 1.0)
    y = y - neck * 8.0 * f.deep
    big = 0.9 if number in (1, 11, 12) else 1.0
    half_height = np.interp(share, (0.0, 0.12, 0.5, 0.9, 1.0), (3.6, 5.6, 6.0, 6.4, 6.8)) * f.long * big
    thick = np.interp(share, (0.0, 0.12, 0.3, 1.0), (1.6, 3.4, 3.5, 2.9)) * f.across * big
    thick = thick * np.interp(share, (0.0, 0.65, 1.0), (1.0, 0.8, 0.5))
    # Seen from the side of the chest wall the rib shows its thickness, from the front its height.
    along = np.gradient(np.stack([x, y, z], 1), axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    edge_on = np.abs(along[:, 1])
    radius = half_height * (1.0 - edge_on) + np.minimum(half_height, thick * 1.25) * edge_on
    return Curve(np.stack([x, y, z], 1), radius * (1.0 + _waves(rng, share, 0.07)), thick)


CARTILAGE_AGES = (30.0, 90.0)
"""Ages from which costal cartilage may calcify and at which most is calcified (memory; the course is ours)."""


def cartilages(body: Anatomy) -> list[tuple[Curve, Floats]]:
    """The calcified part of the costal cartilages of ribs 1 to 7: clumps between rib and sternum."""
    first, last = CARTILAGE_AGES
    old = float(np.clip(((body.recipe.patient.age_years or 0.0) - first) / (last - first), 0.0, 1.0))
    f = body.frame
    found: list[tuple[Curve, Floats]] = []
    for number in range(1, 8):
        for side in (-1.0, 1.0):
            rng = stream(body.recipe.seed, f"cartilage{number}{side}")
            calcified = old * float(rng.beta(1.2, 1.6)) * (1.6 if number == 1 else 1.0)
            if calcified < 0.12:
                continue
            end = rib(body, number, side).points_mm[-1]
            sternum = np.array([body.spine_x0 + side * 18.0 * f.across, end[1] - 6.0 * f.deep, end[2]])
            sternum[2] += np.interp(number, (1.0, 3.0, 7.0), (-8.0, 2.0, 34.0)) * f.long
            share = np.linspace(0.0, min(0.25 + calcified, 1.0), 16)[:, None]
            clumps = np.clip(rng.normal(calcified, 0.5, 16), 0.05, 1.0)
            radius = (5.0 + rng.normal(0.0, 0.8, 16)) * f.across
            found.append((Curve(end + (sternum - end) * share, radius, 0.6 * radius), 1.1 * clumps * f.across))
    return found


def _waves(rng: np.random.Generator, share: Floats, amplitude: float) -> Floats:
    """A few slow waves along a bone, of about this standard deviation."""
    strength, phase = rng.normal(0.0, amplitude, 3), rng.uniform(0.0, 2.0 * np.pi, 3)
    waves = strength * np.sin(2.0 * np.pi * np.array([0.8, 1.5, 2.6]) * share[:, None] + phase)
    return np.asarray(waves.sum(axis=1))


# ---------------------------------------------------------------------------- spine
def _spine(scene: Scene, body: Anatomy, gain: float) -> None:
    for name in VERTEBRAE:
        _vertebra(scene, body, name, gain)


def _vertebra(scene: Scene, body: Anatomy, name: str, gain: float) -> None:
    """Body with end plates, pedicles, spinous and transverse processes, in the vertebra's own plane."""
    f, camera = body.frame, scene.camera
    centre = body.vertebrae[name]
    index = VERTEBRAE.index(name)
    level = SPINE_LEVEL_MM[name] * f.long
    half_width = np.interp(index, (0, 4, 5, 9, 16, 17), (10.5, 13.5, 14.5, 15.0, 20.0, 22.0)) * f.across
    above, below = body.spine_at(centre[2] + level / 2), body.spine_at(centre[2] - level / 2)
    uneven = stream(body.recipe.seed, f"vertebra {name}").normal(0.0, 1.0, 3)
    tilt = (below - above)[0] / level + 0.03 * uneven[0]
    half_width, level = half_width * (1.0 + 0.03 * uneven[1]), level * (1.0 + 0.03 * uneven[2])
    scale = float(camera.magnification(centre)) / camera.pitch_mm
    middle = camera.project(centre)
    high, wide = int(np.ceil(1.1 * level * scale)), int(np.ceil(2.2 * half_width * scale))
    r0, c0 = int(middle[0]) - high, int(middle[1]) - wide
    rows, columns = _clip(r0, r0 + 2 * high, camera.rows), _clip(c0, c0 + 2 * wide, camera.columns)
    if rows.stop <= rows.start or columns.stop <= columns.start:
        return
    v = ((np.arange(rows.start, rows.stop) - middle[0]) / scale)[:, None].astype(np.float32)
    u = ((np.arange(columns.start, columns.stop) - middle[1]) / scale)[None, :].astype(np.float32)
    u, v = u - np.float32(tilt) * v, v + np.float32(tilt) * u
    scene.film[rows, columns] += np.float32(gain) * _vertebra_bone_mm(
        u, v, float(half_width), level, f.deep, index
    )


def _vertebra_bone_mm(u: Map, v: Map, half_width: float, level: float, deep: float, index: int) -> Map:
    """Equivalent cortical bone in mm at places across (u) and down (v) from the body's centre."""
    half_height = 0.41 * level
    v = v + np.float32(0.05) * u * u / np.float32(half_width)
    waist = 1.0 - 0.10 * np.maximum(1.0 - (v / half_height) ** 2, 0.0)
    x, y = np.abs(u / (half_width * waist)), np.abs(v / half_height)
    x2, y4 = x * x, (y * y) * (y * y)
    inside = np.sqrt(np.sqrt(np.maximum(1.0 - x2 * x2 * x2 - y4 * y4, 0.0)))
    marrow = MARROW_SHARE * 19.0 * deep * np.sqrt(np.maximum(1.0 - 0.75 * x2, 0.0)) * inside
    plate = np.exp(-(((y - 0.93) * half_height / 0.9) ** 2)) * (x < 1.0) * 1.2
    flank = np.exp(-(((x - 0.96) * half_width / 0.8) ** 2)) * (y < 1.0) * 0.9
    pedicle_x = np.float32(0.66 * half_width)
    ring = np.sqrt(((np.abs(u) - pedicle_x) / 3.2) ** 2 + ((v + 0.3 * half_height) / 4.6) ** 2)
    pedicle = np.exp(-(((ring - 1.0) * 3.4 / 0.9) ** 2)) * 1.4 + 0.4 * (ring < 1.0)
    drop = 0.55 * level if index >= 5 else 0.25 * level
    spinous = np.sqrt((u / 3.6) ** 2 + ((v - drop) / (0.42 * half_height + 2.0)) ** 2)
    process = np.exp(-(((spinous - 1.0) * 3.6 / 1.0) ** 2)) * 1.9 + 0.9 * (spinous < 1.0)
    wing = np.exp(-(((v + 0.25 * half_height) / 4.5) ** 4)) * (np.abs(u) > half_width * 0.7)
    transverse = 1.0 * wing * np.clip((half_width * 1.75 - np.abs(u)) / 3.0, 0.0, 1.0)
    lamina = (
        1.5 * np.exp(-(((v - 0.35 * half_height) / (0.55 * half_height)) ** 4)) * (np.abs(u) < 0.62 * half_width)
    )
    return np.asarray(marrow + plate + flank + pedicle + process + transverse + lamina, dtype=np.float32)


def _clip(start: int, stop: int, size: int) -> slice:
    return slice(max(start, 0), max(min(stop, size), 0))


# ------------------------------------------------------------------------- shoulders
def clavicle(body: Anatomy, side: float) -> Curve:
    """One clavicle, from the sternum to the shoulder."""
    f = body.frame
    rng = stream(body.recipe.seed, f"clavicle{side}")
    lift = float(stream(body.recipe.seed, "shoulder").normal(0.0, 9.0)) + float(rng.normal(0.0, 3.0))
    width = body.chest_half_mm[0] / f.across
    knots = np.array(
        [
            [17.0, -66.0, 57.0],
            [48.0, -72.0, 63.0 + 0.15 * lift],
            [90.0, -52.0, 75.0 + 0.5 * lift],
            [width - 4.0, -16.0, 84.0 + 0.9 * lift],
            [width + 26.0, -4.0, 83.0 + lift],
        ]
    )
    knots[:, 2] = body.lifted(knots[:, 2] * f.long) / f.long
    points = smooth_path(knots * (side * f.across, f.deep, f.long) + (body.spine_x0, 0.0, 0.0), 26)
    radius = np.interp(np.linspace(0, 1, 26), (0, 0.08, 0.3, 0.7, 0.92, 1), (9.0, 8.0, 5.8, 5.6, 7.0, 5.0))
    return Curve(points, radius * f.across, 0.85 * radius * f.deep)


def humerus(body: Anatomy, side: float) -> tuple[Curve, Floats]:
    """One upper arm's bone from its head downwards, and the thickness of its cortex in mm."""
    f = body.frame
    x = body.spine_x0 + side * (body.chest_half_mm[0] + 42.0 * f.across)
    out = body.recipe.body.arms_out_mm
    head = np.array([x - side * 10.0 * f.across, 6.0 * f.deep, float(body.lifted(np.array(64.0 * f.long)))])
    elbow = np.array([x + side * (50.0 * f.across + 2.8 * out), 6.0, -340.0 * f.long])
    share = np.linspace(0.0, 1.0, 32) ** 1.7
    knots = (0.0, 0.03, 0.07, 0.13, 0.25, 1.0)
    radius = np.interp(share, knots, (21.0, 22.0, 18.0, 13.5, 11.5, 11.0)) * f.across
    cortex = np.interp(share, knots, (0.6, 0.6, 0.9, 1.8, 2.5, 2.6)) * f.across
    return Curve(head + (elbow - head) * share[:, None], radius), cortex


def _shoulders(body: Anatomy) -> list[tuple[Curve, float | Floats]]:
    bones: list[tuple[Curve, float | Floats]] = []
    for side in (-1.0, 1.0):
        bones += [(clavicle(body, side), 1.3 * body.frame.across), humerus(body, side)]
    return bones


def _scapulae(scene: Scene, body: Anatomy, gain: float) -> None:
    """Blade by its borders and a thin plate, spine with acromion, coracoid."""
    f = body.frame
    width = body.chest_half_mm[0] / f.across
    turn = float(stream(body.recipe.seed, "scapula").normal(4.0, 10.0))
    for side in (-1.0, 1.0):
        scale = (side * f.across, f.deep, f.long)
        base = np.array([body.spine_x0, 0.0, 0.0])

        def at(
            points: list[tuple[float, float, float]],
            scale: tuple[float, float, float] = scale,
            base: Floats = base,
        ) -> Floats:
            placed = np.asarray(points) * scale + base
            placed[:, 2] = body.lifted(placed[:, 2])
            return np.asarray(placed)

        glenoid, angle = (width + 18.0, 20.0, 52.0), (width - 24.0 + turn, 78.0, -62.0)
        upper, root = (width - 52.0 + turn, 62.0, 74.0), (width - 58.0 + turn, 74.0, 44.0)
        borders = (
            ([glenoid, (width + 8.0, 45.0, 20.0), (width - 10.0 + turn / 2, 66.0, -30.0), angle], 4.2),
            ([angle, (width - 48.0 + turn, 82.0, -20.0), root, upper], 2.2),
            ([upper, (width - 20.0, 40.0, 66.0), (width + 6.0, 24.0, 64.0)], 1.8),
            ([root, (width - 20.0, 80.0, 62.0), (width + 14.0, 62.0, 82.0), (width + 36.0, 22.0, 82.0)], 4.5),
            ([(width + 4.0, 12.0, 62.0), (width + 6.0, -12.0, 64.0), (width + 14.0, -22.0, 56.0)], 5.5),
        )
        for points, radius in borders:
            curve = Curve(smooth_path(at(points), 18), np.full(18, radius * f.across))
            scene.hollow(curve, 0.8 * f.across, 0.6 * gain, 0.8 * gain * MARROW_SHARE)
        _plate(scene, at([glenoid, angle, root, upper, (width + 6.0, 24.0, 64.0)]), 1.5 * gain * f.across)
        socket = smooth_path(
            at([(width + 17.0, 8.0, 66.0), (width + 13.0, 10.0, 52.0), (width + 17.0, 8.0, 36.0)]), 10
        )
        scene.hollow(Curve(socket, np.full(10, 3.2 * f.across)), 1.0, gain, gain * MARROW_SHARE)


def _plate(scene: Scene, outline: Floats, line_integral: float) -> None:
    """A thin flat bone with a soft edge."""
    camera = scene.camera
    points = camera.project(outline)
    rows = _clip(int(points[:, 0].min()) - 6, int(points[:, 0].max()) + 6, camera.rows)
    columns = _clip(int(points[:, 1].min()) - 6, int(points[:, 1].max()) + 6, camera.columns)
    height, width = rows.stop - rows.start, columns.stop - columns.start
    if height <= 0 or width <= 0:
        return
    mask = polygon(points - (rows.start, columns.start), height, width)
    scene.film[rows, columns] += blur(mask, 1.2 / camera.pitch_mm) * np.float32(line_integral)


def _sternum(scene: Scene, body: Anatomy, gain: float) -> None:
    f = body.frame
    z = np.linspace(64.0, -110.0, 20) * f.long
    _, half_depth, centre_y = body.cage_at(z)
    points = np.stack([np.full(20, body.spine_x0), np.minimum(centre_y - half_depth, -62.0 * f.deep), z], 1)
    radius = np.interp(np.linspace(0, 1, 20), (0, 0.12, 0.28, 0.4, 0.8, 1), (26, 24, 13, 15, 18, 8)) * f.across
    scene.hollow(Curve(points, radius, np.full(20, 5.0 * f.deep)), 0.8, 0.35 * gain, gain * 0.8 * MARROW_SHARE)


def _mandible(body: Anatomy) -> list[tuple[Curve, float]]:
    """The jaw's arch from angle to angle, its rami, and the teeth's row."""
    f = body.frame
    s = f.across
    x, y, z = body.chin
    knots = np.array(
        [[-50.0, 76.0, 92.0], [-47.0, 66.0, 48.0], [-38.0, 34.0, 24.0], [-17.0, 10.0, 11.0], [0.0, 5.0, 9.0]]
    )
    knots = np.concatenate([knots, (knots * (-1.0, 1.0, 1.0))[-2::-1]])
    points = smooth_path(knots * s + (x, y, z), 30)
    jaw = Curve(points, np.full(30, 9.0 * s), np.full(30, 5.5 * s))
    teeth = smooth_path(
        np.array(
            [[-26.0, 40.0, 28.0], [-17.0, 16.0, 27.0], [0.0, 8.0, 27.0], [17.0, 16.0, 27.0], [26.0, 40.0, 28.0]]
        )
        * s
        + (x, y, z),
        60,
    )
    crowns = 6.0 + 1.5 * np.sin(np.arange(60) * 1.6)
    return [(jaw, 1.8 * s), (Curve(teeth, crowns * s, np.full(60, 3.0 * s)), 1.6 * s)]
