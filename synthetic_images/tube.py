"""The endotracheal tube in the patient: wall, radio-opaque line, bevel, Murphy eye, cuff, spiral.

The tube's own axis is counted in mm from its most distal point upwards (`from tip`), so that a bevel, an eye
or a cuff is a function of that distance and of the angle round the wall (0 = patient's left, 90 = front).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from synthetic_images.anatomy import Anatomy
from synthetic_images.materials import Material
from synthetic_images.projection import Floats, Map
from synthetic_images.recipe import LinePattern, Placement, TubeDials
from synthetic_images.ribbons import Curve, Ribbon, arc_mm, ribbon, slant, smooth_path
from synthetic_images.scene import Scene

STEP_MM = 3.0
LINE_WIDTH_MM = 1.1
"""Width of the radio-opaque line in the wall (common practice)."""

EYE_MM = (7.0, 4.2, 9.0)
"""Length and width of the Murphy eye, and its middle above the bevel's middle, at size 8 (memory)."""

DEPTH_MARK_MM = (6.0, 20.0)
"""First opaque mark above the cuff, and from one to the next (memory; most makers' ink does not show)."""

SPIRAL_PITCH_MM, SPIRAL_WIRE_MM = 2.2, 0.35
"""Winding and wire of armoured tubes (memory)."""


@dataclass(frozen=True, slots=True)
class PlacedTube:
    """A tube where it lies.

    Parameters
    ----------
    dials : TubeDials
    axis : ndarray, shape (n, 3)
        Points from the distal end upwards, `STEP_MM` apart.
    from_tip_mm : ndarray, shape (n,)
        Distance of each from the distal end.
    tip : ndarray, shape (3,)
        Most distal point: the long side of the bevel.
    line_end : ndarray, shape (3,)
        Where the radio-opaque line ends.
    cuff_upper, cuff_lower : ndarray or None
        The cuff's edges on the axis.
    cuff_radius_mm : float
        As far as the trachea lets it open.
    """

    dials: TubeDials
    axis: Floats
    from_tip_mm: Floats
    tip: Floats
    line_end: Floats
    cuff_upper: Floats | None
    cuff_lower: Floats | None
    cuff_radius_mm: float

    def at(self, from_tip_mm: float) -> Floats:
        """The axis' point at a distance from the distal end."""
        return np.array([np.interp(from_tip_mm, self.from_tip_mm, self.axis[:, i]) for i in range(3)])


def bevel_length_mm(dials: TubeDials) -> float:
    """Length of the bevel along the axis."""
    return dials.outside_diameter_mm / math.tan(math.radians(dials.bevel_angle_deg))


def bevel_at_mm(dials: TubeDials, angle_deg: float) -> float:
    """Where the bevel cuts the wall at an angle round it, in mm from the tip; 0 on the long (right) side."""
    return 0.5 * bevel_length_mm(dials) * (1.0 + math.cos(math.radians(angle_deg - dials.roll_deg)))


def place_tube(body: Anatomy) -> PlacedTube | None:
    """Lay the recipe's tube into the body, or None where there is none."""
    dials, distance = body.recipe.tube, body.recipe.tip_distance_mm
    if dials is None or distance is None:
        return None
    lower = _route_mm(body, dials, distance)
    axis = _resampled(np.concatenate([lower, _above_cords(body, lower)]))
    from_tip = arc_mm(axis)
    lateral, front = _cross_frame(axis)
    tip_angle = math.radians(180.0 + dials.roll_deg)
    radius = dials.outside_diameter_mm / 2.0
    tip = axis[0] + radius * (math.cos(tip_angle) * lateral[0] + math.sin(tip_angle) * front[0])
    cut = bevel_at_mm(dials, dials.line_angle_deg)
    line_angle = math.radians(dials.line_angle_deg)
    at = [np.array([np.interp(cut, from_tip, v[:, i]) for i in range(3)]) for v in (axis, lateral, front)]
    wall = radius - _wall_mm(dials) / 2.0
    line_end = at[0] + wall * (math.cos(line_angle) * at[1] + math.sin(line_angle) * at[2])
    room = body.airway.radius_mm * (1.02 if dials.placement is not Placement.OESOPHAGUS else 0.7)
    cuff_low = bevel_length_mm(dials) + dials.bevel_to_cuff_mm
    tube = PlacedTube(
        dials, axis, from_tip, tip, line_end, None, None, max(min(room, dials.cuff_diameter_mm / 2.0), radius)
    )
    if not dials.cuff:
        return tube
    return PlacedTube(
        dials,
        axis,
        from_tip,
        tip,
        line_end,
        tube.at(cuff_low + dials.cuff_length_mm),
        tube.at(cuff_low),
        tube.cuff_radius_mm,
    )


def _wall_mm(dials: TubeDials) -> float:
    return (dials.outside_diameter_mm - dials.size_mm) / 2.0


def _route_mm(body: Anatomy, dials: TubeDials, distance_mm: float) -> Floats:
    """Axis from the tip to the cords: the lumen's centreline, moved within the room the tube has."""
    airway = body.airway
    length = airway.length_mm
    side = "left" if dials.placement is Placement.LEFT_BRONCHUS else "right"
    stations = np.linspace(distance_mm, length, max(int((length - distance_mm) / STEP_MM), 4))
    path = airway.line_to(side, stations)
    if dials.placement is Placement.OESOPHAGUS:
        return _into_oesophagus(body, path)
    free = max(airway.radius_mm - dials.outside_diameter_mm / 2.0, 0.0)
    into = np.clip(stations / (0.25 * length), 0.0, 1.0)
    ends = np.sin(np.pi * np.clip((length - stations) / length, 0.0, 1.0)) ** 0.5
    lateral, front = _cross_frame(path)
    drift = np.cos(np.linspace(0.0, 2.2, len(stations)))[:, None]
    offset = dials.lateral_share * lateral * drift - dials.depth_share * front
    return np.asarray(path + 0.9 * free * (into * ends)[:, None] * offset)


def _into_oesophagus(body: Anatomy, path: Floats) -> Floats:
    """Behind and left of the trachea."""
    radius = body.airway.radius_mm
    shift = np.array([0.75 * radius, radius * 1.9, 0.0])
    reach = np.linspace(1.0, 0.35, len(path))[:, None]
    return path + shift * reach


def _above_cords(body: Anatomy, lower: Floats) -> Floats:
    """Through pharynx and mouth, in the pre-formed curve, out of the corner of the mouth."""
    scale = body.frame.across
    heading = lower[-1] - lower[-2]
    heading /= np.linalg.norm(heading)
    mouth = body.chin + np.array([18.0, -14.0, 42.0]) * scale
    knots = np.stack(
        [
            lower[-1],
            lower[-1] + heading * 28.0 * scale,
            0.45 * lower[-1] + 0.55 * mouth + np.array([0.0, 26.0, 22.0]) * scale,
            mouth,
        ]
    )
    return smooth_path(knots, 40)[1:]


def _resampled(points: Floats) -> Floats:
    arc = arc_mm(points)
    stations = np.arange(0.0, arc[-1], STEP_MM)
    return np.stack([np.interp(stations, arc, points[:, i]) for i in range(3)], axis=1)


def _cross_frame(axis: Floats) -> tuple[Floats, Floats]:
    """Unit vectors to the patient's left and to the front, square to an axis that runs upwards."""
    along = np.gradient(axis, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    left = np.array([1.0, 0.0, 0.0]) - along * along[:, :1]
    left /= np.linalg.norm(left, axis=1, keepdims=True)
    front = np.cross(along, left)
    return left, np.where(front[:, 1:2] > 0.0, -front, front)


# ------------------------------------------------------------------------- drawing
@dataclass(frozen=True, slots=True)
class _Sheet:
    """Pixels near the tube in the tube's own measures."""

    band: Ribbon
    from_tip: Map
    across: Map
    oblique: Map


def draw_tube(scene: Scene, tube: PlacedTube) -> None:
    """Add the tube to the film."""
    radius = tube.dials.outside_diameter_mm / 2.0
    curve = Curve(tube.axis, np.full(len(tube.axis), radius))
    band = ribbon(scene.camera, curve, margin=1.15, caps=False)
    if band is None:
        return
    # The axis runs upwards, so the ribbon's positive side is the film's right: the patient's left.
    sheet = _Sheet(band, band.sample(tube.from_tip_mm), band.beside, band.sample(slant(scene.camera, tube.axis)))
    layer = _wall(scene, tube, sheet)
    scene.film[band.rows, band.columns] += layer
    if tube.dials.line is not LinePattern.NONE:
        _line(scene, tube)
    if tube.dials.armoured:
        _spiral(scene, tube)
    if tube.dials.depth_marks:
        _depth_marks(scene, tube)


def _wall(scene: Scene, tube: PlacedTube, sheet: _Sheet) -> Map:
    """Front and back wall, each cut by the bevel where it lies, the right wall opened by the eye."""
    dials = tube.dials
    radius, inner = dials.outside_diameter_mm / 2.0, dials.size_mm / 2.0
    u = np.clip(sheet.across, -1.3, 1.3)
    outer_half = np.sqrt(np.maximum(1.0 - u**2, 0.0)) * radius
    inner_half = np.sqrt(np.maximum((inner / radius) ** 2 - u**2, 0.0)) * radius
    half_wall = (outer_half - inner_half) * sheet.oblique
    rest = np.sqrt(np.maximum(1.0 - np.minimum(np.abs(u), 1.0) ** 2, 0.0))
    roll = math.radians(dials.roll_deg)
    length = bevel_length_mm(dials)
    soft = 0.6 * scene.camera.pitch_mm / 1.1
    total = np.zeros_like(u, dtype=np.float32)
    for front in (1.0, -1.0):
        facing = u * math.cos(roll) + front * rest * math.sin(roll)
        cut = 0.5 * length * (1.0 + facing)
        present = np.clip((sheet.from_tip - cut) / soft + 0.5, 0.0, 1.0)
        if dials.murphy_eye:
            present = present * _outside_eye(dials, sheet.from_tip, u, (rest * front).astype(np.float32), roll)
        total += (half_wall * present).astype(np.float32)
    material = Material.PVC
    return total * np.float32(scene.mu(material) - scene.mu(Material.AIR))


def _outside_eye(dials: TubeDials, from_tip: Map, u: Map, depth: Map, roll: float) -> Map:
    """1 outside the Murphy eye, which lies on the right, opposite the bevel's face."""
    scale = dials.size_mm / 8.0
    middle = 0.5 * bevel_length_mm(dials) + EYE_MM[2] * scale
    across = (-u * math.sin(roll) + depth * math.cos(roll)) * dials.outside_diameter_mm / 2.0
    facing = u * math.cos(roll) + depth * math.sin(roll)
    ring = ((from_tip - middle) / (EYE_MM[0] * scale / 2.0)) ** 2 + (across / (EYE_MM[1] * scale / 2.0)) ** 2
    return np.where(facing < 0.0, np.clip((ring - 1.0) * 2.0 + 0.5, 0.0, 1.0), 1.0).astype(np.float32)


def wall_curve(tube: PlacedTube, angle_deg: float, start_mm: float, radius_mm: float) -> Floats:
    """A line in the wall at an angle round it, from `start_mm` above the tip upwards."""
    lateral, front = _cross_frame(tube.axis)
    angle = math.radians(angle_deg)
    points = tube.axis + radius_mm * (math.cos(angle) * lateral + math.sin(angle) * front)
    stations = np.concatenate([[start_mm], tube.from_tip_mm[tube.from_tip_mm > start_mm + 0.5]])
    return np.stack([np.interp(stations, tube.from_tip_mm, points[:, i]) for i in range(3)], axis=1)


def _line(scene: Scene, tube: PlacedTube) -> None:
    """The radio-opaque line: a flat strand of barium sulphate within the wall."""
    dials = tube.dials
    scale = (dials.size_mm / 8.0) ** 0.5
    start = bevel_at_mm(dials, dials.line_angle_deg)
    points = wall_curve(tube, dials.line_angle_deg, start, dials.outside_diameter_mm / 2.0 - _wall_mm(dials) / 2.0)
    per_mm = scene.mu(Material.BARIUM_SULPHATE)
    # A strand seen on its edge shows narrow and dense, from its face broad and thin.
    face = abs(math.sin(math.radians(dials.line_angle_deg)))
    wide = (0.35 + 0.65 * face) * LINE_WIDTH_MM * scale
    deep = dials.line_barium_mm * LINE_WIDTH_MM * scale / wide
    radius = np.full(len(points), wide / 2.0)
    curve = Curve(points, radius, np.full(len(points), deep / 2.0))
    band = ribbon(scene.camera, curve, caps=False)
    if band is None:
        return
    length = band.half_chord * band.sample(deep * slant(scene.camera, points))
    if dials.line is LinePattern.INTERRUPTED:
        station = band.sample(start + arc_mm(points))
        length = length * (np.mod(station - start, 9.0) < 6.0)
    scene.film[band.rows, band.columns] += (length * per_mm).astype(np.float32)


def _spiral(scene: Scene, tube: PlacedTube) -> None:
    """The wire of an armoured tube; it ends above the bevel."""
    dials = tube.dials
    start = bevel_length_mm(dials) + 8.0
    stations = np.arange(start, tube.from_tip_mm[-1], SPIRAL_PITCH_MM / 10.0)
    lateral, front = _cross_frame(tube.axis)
    radius = dials.outside_diameter_mm / 2.0 - _wall_mm(dials) / 2.0
    angle = 2.0 * np.pi * stations / SPIRAL_PITCH_MM

    def along(values: Floats) -> Floats:
        return np.stack([np.interp(stations, tube.from_tip_mm, values[:, i]) for i in range(3)], axis=1)

    points = along(tube.axis) + radius * (
        np.cos(angle)[:, None] * along(lateral) + np.sin(angle)[:, None] * along(front)
    )
    wire = Curve(points, np.full(len(points), SPIRAL_WIRE_MM / 2.0))
    scene.solid(wire, scene.mu(Material.STEEL))


def _depth_marks(scene: Scene, tube: PlacedTube) -> None:
    """Bands of opaque ink across the front of the tube, every 2 cm above the cuff."""
    dials = tube.dials
    first = bevel_length_mm(dials) + dials.bevel_to_cuff_mm + dials.cuff_length_mm + DEPTH_MARK_MM[0]
    across = np.array([0.42 * dials.outside_diameter_mm, 0.0, 0.0])
    for station in np.arange(first, tube.from_tip_mm[-1], DEPTH_MARK_MM[1]):
        middle = tube.at(float(station))
        band = Curve(np.linspace(middle - across, middle + across, 4), np.full(4, 0.5), np.full(4, 0.02))
        scene.solid(band, scene.mu(Material.BARIUM_SULPHATE))


def cuff_air(tube: PlacedTube) -> Curve | None:
    """The inflated cuff as an air column, narrowing at both ends."""
    if tube.cuff_upper is None:
        return None
    low = bevel_length_mm(tube.dials) + tube.dials.bevel_to_cuff_mm
    length = tube.dials.cuff_length_mm
    share = np.linspace(0.0, 1.0, 15)
    points = np.stack([tube.at(low + length * s) for s in share])
    tube_radius = tube.dials.outside_diameter_mm / 2.0
    belly = np.clip(1.0 - np.abs(2.0 * share - 1.0) ** 5, 0.0, 1.0) ** 0.6
    radius = tube_radius + (tube.cuff_radius_mm - tube_radius) * belly
    return Curve(points, radius)
