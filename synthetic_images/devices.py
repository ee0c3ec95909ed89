"""What else lies on and in intensive-care patients: tubes, lines, wires, electrodes, letters.

Sizes are those usual in the trade, from memory. Each device is a function of the scene, the body and its own
random stream, so that adding one never moves another.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from synthetic_images.anatomy import Anatomy
from synthetic_images.materials import Material
from synthetic_images.projection import Floats, Map
from synthetic_images.ribbons import Curve, smooth_path
from synthetic_images.scene import Scene
from synthetic_images.streams import stream

FILLED_PLASTIC = 0.06
"""Barium sulphate by volume in radio-opaque plastic (memory: 20 to 40 % by weight)."""

Painter = Callable[[Scene, Anatomy, np.random.Generator], None]


def draw_devices(scene: Scene, body: Anatomy) -> None:
    """Add every device that the recipe asks for."""
    for name, painter in PAINTERS.items():
        for count in range(getattr(body.recipe.devices, name)):
            painter(scene, body, stream(body.recipe.seed, f"{name}{count}"))


# ------------------------------------------------------------------------- helpers
def _place(body: Anatomy, *points: tuple[float, float, float]) -> Floats:
    """Points of an adult of 175 cm in this body; shoulders and neck move with the rib cage."""
    f = body.frame
    placed = np.asarray(points, dtype=np.float64) * (f.across, f.deep, f.long)
    placed[:, 0] += body.spine_x0
    placed[:, 2] = body.lifted(placed[:, 2])
    return placed


def _skin_y(body: Anatomy, z_mm: float) -> float:
    """Depth of the skin on the front of the chest."""
    _, half_depth, centre_y = body.cage_at(np.array(z_mm))
    return float(centre_y - half_depth - 0.85 * body.wall_mm)


def _plastic(scene: Scene) -> float:
    """Attenuation per mm that radio-opaque plastic adds where it displaces tissue."""
    filled = (1.0 - FILLED_PLASTIC) * scene.mu(Material.WATER) + FILLED_PLASTIC * scene.mu(
        Material.BARIUM_SULPHATE
    )
    return filled - scene.mu(Material.SOFT_TISSUE)


def _wire(scene: Scene, points: Floats, radius_mm: float, per_mm: float, count: int = 60) -> None:
    path = smooth_path(points, count)
    scene.solid(Curve(path, np.full(count, radius_mm)), per_mm)


def _hose(scene: Scene, path: Floats, radius_mm: float, wall_mm: float, line: bool = True) -> None:
    """A plastic tube with air in it and a radio-opaque line along one side."""
    curve = Curve(path, np.full(len(path), radius_mm))
    inside = scene.instead_of(Material.AIR)
    scene.hollow(curve, wall_mm, scene.instead_of(Material.PVC), inside)
    if line:
        strand = path + np.array([0.55 * radius_mm, -0.6 * radius_mm, 0.0])
        scene.solid(Curve(strand, np.full(len(path), 0.5)), 0.2 * scene.mu(Material.BARIUM_SULPHATE))


def _oesophagus(body: Anatomy, top: float, bottom: float, count: int) -> Floats:
    """Points down the oesophagus between two heights (adult of 175 cm)."""
    z = body.lifted(np.linspace(top, bottom, count) * body.frame.long)
    centre = body.spine_at(z)
    side = np.interp(np.linspace(0.0, 1.0, count), (0.0, 0.4, 0.7, 1.0), (2.0, 6.0, 4.0, 16.0))
    x = body.mediastinum_x0 + side * body.frame.across
    y = centre[:, 1] - np.interp(np.linspace(0, 1, count), (0, 1), (24.0, 34.0)) * body.frame.deep
    return np.stack([x, y, z], axis=1)


# -------------------------------------------------------------------- tubes and lines
def gastric_tube_path(body: Anatomy, rng: np.random.Generator) -> Floats:
    """Centreline from the mouth down the oesophagus into the stomach, shape (110, 3)."""
    dome = body.dome_mm[1] / body.frame.long
    gullet = _oesophagus(body, 130.0, dome - 12.0, 9)
    stomach = _place(body, (40.0, 10.0, dome - 48.0), (58.0, -20.0, dome - 80.0), (30.0, -40.0, dome - 105.0))
    mouth = body.chin + np.array([-12.0, -10.0, 40.0]) * body.frame.across
    nasal = mouth[None, :] + np.array([[0.0, 60.0, 20.0]]) * body.frame.across
    keep = int(rng.integers(1, 4))
    path = smooth_path(np.concatenate([mouth[None, :], nasal, gullet, stomach[:keep]]), 110)
    path += np.cumsum(rng.normal(0.0, 0.12, (110, 3)), axis=0) * body.frame.across
    return path


def gastric_tube(scene: Scene, body: Anatomy, rng: np.random.Generator) -> None:
    """A tube into the stomach."""
    scale = max(body.frame.across, 0.45)
    _hose(scene, gastric_tube_path(body, rng), 2.6 * scale, 0.7 * scale)


def central_line_path(body: Anatomy, rng: np.random.Generator) -> Floats:
    """Centreline into the superior vena cava, from the neck or from below a clavicle, shape (70, 3)."""
    depth = float(rng.uniform(-35.0, 15.0))
    end = [(-24.0, -18.0, 38.0), (-23.0, -18.0, depth)]
    ways = (
        [(-52.0, -40.0, 165.0), (-34.0, -26.0, 130.0), (-28.0, -24.0, 90.0), (-25.0, -20.0, 62.0)],
        [(-105.0, -75.0, 52.0), (-72.0, -66.0, 62.0), (-44.0, -44.0, 72.0), (-29.0, -28.0, 62.0)],
        [(105.0, -75.0, 52.0), (70.0, -64.0, 64.0), (36.0, -48.0, 68.0), (0.0, -42.0, 58.0), (-18.0, -28.0, 48.0)],
        [
            (50.0, -40.0, 165.0),
            (34.0, -28.0, 120.0),
            (28.0, -36.0, 78.0),
            (4.0, -44.0, 58.0),
            (-18.0, -28.0, 48.0),
        ],
    )
    points = _place(body, *ways[int(rng.integers(len(ways)))], *end)
    points[1:-1] += rng.normal(0.0, 1.5, points[1:-1].shape) * body.frame.across
    return smooth_path(points, 70)


def central_line(scene: Scene, body: Anatomy, rng: np.random.Generator) -> None:
    """A catheter in a central vein."""
    path = central_line_path(body, rng)
    radius = float(rng.uniform(0.9, 1.6)) * max(body.frame.across, 0.35)
    scene.solid(Curve(path, np.full(len(path), radius)), _plastic(scene))


def tracheostomy_tube(scene: Scene, body: Anatomy, rng: np.random.Generator) -> None:
    """A short curved tube through the front of the neck, with its flange: a decoy."""
    airway, f = body.airway, body.frame
    stations = np.linspace(0.72, 0.72 - float(rng.uniform(0.32, 0.5)), 8) * airway.length_mm
    inside = airway.line_to("right", stations)
    stoma = inside[0] + np.array([0.0, -42.0, 10.0]) * f.deep
    path = smooth_path(np.concatenate([[stoma, stoma + np.array([0.0, 22.0, -1.0]) * f.deep], inside[1:]]), 40)
    radius = min(5.4 * max(f.across, 0.4), 0.85 * airway.radius_mm)
    _hose(scene, path, radius, 1.4 * radius / 5.4)
    flange = stoma + np.linspace([-32.0, 4.0, 2.0], [32.0, 4.0, 2.0], 6) * f.across
    plate = Curve(flange, np.full(6, 8.0 * f.across), np.full(6, 1.2))
    scene.solid(plate, scene.mu(Material.PVC))


def drain(scene: Scene, body: Anatomy, rng: np.random.Generator) -> None:
    """A chest drain from between the ribs, towards apex or base."""
    side = float(rng.choice([-1.0, 1.0]))
    width = body.chest_half_mm[0] / body.frame.across
    low = float(rng.uniform(-95.0, -45.0))
    target = (52.0, 20.0, 70.0) if rng.random() < 0.65 else (45.0, 40.0, low - 10.0)
    knots = [
        (side * (width + 62.0), -10.0, low - 28.0),
        (side * (width + 6.0), 0.0, low),
        (side * (width - 22.0), 12.0, low + 28.0),
        (side * (target[0] + width) / 2.0, 24.0, (low + target[2]) / 2.0 + 22.0),
        (side * target[0], target[1], target[2]),
    ]
    path = smooth_path(_place(body, *knots), 70)
    _hose(scene, path, float(rng.uniform(3.0, 5.5)) * max(body.frame.across, 0.4), 1.2)


def temperature_probe_path(body: Anatomy, rng: np.random.Generator) -> Floats:
    """Down the oesophagus to behind the heart, shape (60, 3)."""
    return smooth_path(_oesophagus(body, 160.0, float(rng.uniform(-70.0, -10.0)), 8), 60)


def temperature_probe(scene: Scene, body: Anatomy, rng: np.random.Generator) -> None:
    """A thin cable in the oesophagus that ends in a sensor."""
    path = temperature_probe_path(body, rng)
    scene.solid(Curve(path, np.full(60, 0.55)), 0.5 * scene.mu(Material.COPPER))
    scene.solid(Curve(path[-3:], np.full(3, 1.3)), 0.6 * scene.mu(Material.STEEL))


# ------------------------------------------------------------------------ on the skin
def ecg_lead(scene: Scene, body: Anatomy, rng: np.random.Generator) -> None:
    """An electrode with its clip or snap, and the cable that leaves the film."""
    f = body.frame
    width = body.chest_half_mm[0] / f.across
    x, z = float(rng.uniform(-width - 12.0, width + 12.0)), float(rng.uniform(-150.0, 62.0))
    spot = _place(body, (x, 0.0, z))[0]
    spot[1] = _skin_y(body, z * f.long) * (1.0 - 0.35 * min(abs(x) / width, 1.2) ** 4)
    turn = float(rng.uniform(0.0, 2.0 * np.pi))
    small = max(f.across, 0.5)
    axis = np.array([np.cos(turn), 0.0, np.sin(turn)]) * small
    across = np.array([-np.sin(turn), 0.0, np.cos(turn)]) * small
    pad = np.linspace(spot - 7.0 * axis, spot + 7.0 * axis, 3)
    scene.solid(Curve(pad, np.full(3, 9.0 * small), np.full(3, 0.5)), scene.mu(Material.WATER))
    if rng.random() < 0.6:
        _clip_electrode(scene, spot, axis, across, small)
    else:
        snap = Curve(np.stack([spot, spot + 0.4 * axis]), np.full(2, 4.6 * small), np.full(2, 0.3))
        scene.solid(snap, scene.mu(Material.STEEL))
    exit_side = np.sign(x) if rng.random() < 0.75 else -np.sign(x)
    away = spot + np.array([exit_side * 420.0 * f.across, -10.0, float(rng.uniform(-120.0, 60.0)) * f.long])
    middle = 0.65 * spot + 0.35 * away + np.array([0.0, -6.0, float(rng.normal(-25.0, 30.0)) * f.long])
    cable = np.stack([spot + 8.0 * axis, spot + 24.0 * axis + 3.0 * across, middle, away])
    _wire(scene, cable, 0.5, 0.35 * scene.mu(Material.COPPER), 60)
    _wire(scene, cable, 1.2, scene.mu(Material.PVC) * 0.7, 60)


def _clip_electrode(scene: Scene, spot: Floats, axis: Floats, across: Floats, small: float) -> None:
    """A spring clip of two jaws: an angled outline of metal."""
    steel = 0.8 * scene.mu(Material.STEEL)
    outline = [
        (-6.0, 0.0),
        (-3.0, 3.5),
        (4.0, 4.0),
        (7.0, 1.5),
        (7.0, -1.5),
        (2.0, -4.0),
        (-2.0, -2.5),
        (-6.0, 0.0),
    ]
    points = np.array([spot + a * axis + b * across for a, b in outline])
    scene.solid(Curve(points, np.full(len(points), 0.8 * small), np.full(len(points), 0.5)), steel)
    bar = np.stack([spot - 2.0 * axis + 2.0 * across, spot + 8.0 * axis - 1.0 * across])
    scene.solid(Curve(bar, np.full(2, 1.6 * small), np.full(2, 0.4)), steel)


def necklace(scene: Scene, body: Anatomy, rng: np.random.Generator) -> None:
    """A chain round the base of the neck, hanging to the sternum."""
    drop = float(rng.uniform(20.0, 60.0))
    knots = [
        (-62.0, 10.0, 108.0),
        (-44.0, -50.0, 78.0),
        (0.0, -88.0, 66.0 - drop),
        (44.0, -50.0, 78.0),
        (62.0, 10.0, 108.0),
    ]
    path = smooth_path(_place(body, *knots), 420)
    swell = 0.35 + 0.45 * (np.sin(np.arange(420) * 1.25) > -0.2)
    scene.solid(Curve(path, swell * float(rng.uniform(0.8, 1.4))), scene.mu(Material.COPPER))


# ----------------------------------------------------------------------- implants
def sternal_wires(scene: Scene, body: Anatomy, rng: np.random.Generator) -> None:
    """Five to seven steel loops down the sternum, twisted in front."""
    steel = scene.mu(Material.STEEL)
    for z in np.linspace(48.0, -95.0, int(rng.integers(5, 8))):
        _, half_depth, centre_y = body.cage_at(np.array(z * body.frame.long))
        y = float(centre_y - half_depth) / body.frame.deep
        half = float(rng.uniform(8.0, 12.0))
        angle = np.linspace(0.0, 2.0 * np.pi, 26)
        tilt = float(rng.normal(0.0, 0.25))
        ring = np.stack(
            [half * np.cos(angle), y + 7.0 * np.sin(angle), z + 4.0 * np.sin(angle) + tilt * half * np.cos(angle)],
            axis=1,
        )
        placed = _place(body, *map(tuple, ring))
        scene.solid(Curve(placed, np.full(26, 0.42)), steel)
        knot = _place(
            body, (0.0, y - 8.0, z), (rng.normal(0, 2), y - 10.0, z - 4.0), (rng.normal(0, 4), y - 9.0, z - 7.0)
        )
        scene.solid(Curve(knot, np.full(3, 0.75)), steel)


def pacemaker(scene: Scene, body: Anatomy, rng: np.random.Generator) -> None:
    """A case below a clavicle, one or two leads through the vena cava into the heart."""
    side = 1.0 if rng.random() < 0.85 else -1.0
    case = _place(body, (side * 98.0, 0.0, 38.0))[0]
    case[1] = _skin_y(body, 38.0 * body.frame.long) + 8.0
    for height, half, metal, depth in ((16.0, 22.0, Material.TITANIUM, 1.2), (4.0, 11.0, Material.STEEL, 1.6)):
        bar = np.linspace(case - [0.0, 0.0, height / 2], case + np.array([0.0, 0.0, height / 2]), 3)
        scene.solid(Curve(bar, np.full(3, half), np.full(3, depth)), scene.mu(metal))
    dome = body.dome_mm[1] / body.frame.long
    ends = [(42.0, -48.0, dome + 22.0), (-22.0, -42.0, -52.0)][: int(rng.integers(1, 3))]
    for end in ends:
        vein = [(side * 60.0, -62.0, 66.0), (side * 30.0, -46.0, 68.0), (-16.0, -30.0, 52.0), (-24.0, -18.0, 10.0)]
        path = [(side * 84.0, -84.0, 52.0), *vein, (-20.0, -22.0, -45.0), end]
        points = _place(body, *path)
        _wire(scene, points, 0.9, 0.45 * scene.mu(Material.STEEL), 90)
        tip = points[-1] + np.array([[0.0, 0.0, 0.0], [3.0, 0.0, -1.5], [6.0, 0.0, -3.0]])
        scene.solid(Curve(tip, np.full(3, 1.2)), scene.mu(Material.STEEL))


def spinal_hardware(scene: Scene, body: Anatomy, rng: np.random.Generator) -> None:
    """Two rods with pedicle screws."""
    first = int(rng.integers(2, 8))
    names = [f"T{n}" for n in range(first, min(first + int(rng.integers(3, 6)), 13))]
    titanium = scene.mu(Material.TITANIUM)
    for side in (-1.0, 1.0):
        heads = np.stack(
            [body.vertebrae[n] + np.array([side * 14.0, 32.0, 4.0]) * body.frame.across for n in names]
        )
        _wire(scene, heads, 2.7 * body.frame.across, titanium, 30)
        for head in heads:
            screw = np.linspace(head, head + np.array([-side * 9.0, -38.0, -2.0]) * body.frame.across, 10)
            scene.solid(Curve(screw, np.full(10, 2.4) * body.frame.across), titanium)


# ------------------------------------------------------------------------- letters
LETTER_LINE_INTEGRAL = 2.6
"""Lead letters of about 1 mm, weakened as screens show them (ours)."""


def letter(scene: Scene, body: Anatomy, rng: np.random.Generator) -> None:
    """A lead letter for the side, on the detector, with the invented initials of who placed it."""
    import cv2

    camera = scene.camera
    side = "L" if rng.random() < 0.75 else "R"
    column = float(rng.uniform(0.86, 0.91)) if side == "L" else float(rng.uniform(0.09, 0.14))
    row = float(rng.uniform(0.06, 0.22)) if rng.random() < 0.85 else float(rng.uniform(0.8, 0.92))
    height_px = max(int(rng.uniform(13.0, 20.0) / camera.pitch_mm * body.frame.across**0.5), 9)
    canvas = np.zeros((height_px * 5, height_px * 5), np.uint8)
    middle = canvas.shape[0] // 2
    thick = max(round(height_px / float(rng.uniform(6.0, 14.0))), 1)
    font = int(rng.choice([cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_TRIPLEX]))
    _text(canvas, side, (middle - height_px // 3, middle), height_px, thick, font)
    if rng.random() < 0.5:
        below = str(rng.choice(SECOND_LINES)) if rng.random() < 0.4 else "".join(rng.choice(list(INITIALS), 2))
        corner = (middle - height_px * len(below) // 4, middle + height_px)
        _text(canvas, below, corner, height_px // 2, max(thick // 2, 1), font)
    frame = rng.random()
    if frame < 0.3:
        circle = (middle, middle - height_px // 2)
        cv2.circle(canvas, circle, int(0.95 * height_px), 255, max(thick // 2, 1), cv2.LINE_AA)
    elif frame < 0.45:
        top, bottom = middle - round(1.3 * height_px), middle + round(0.3 * height_px)
        box = canvas[top:bottom, middle - round(0.6 * height_px) : middle + round(0.7 * height_px)]
        np.subtract(200, np.minimum(box, 200), out=box)
    if rng.random() < 0.08:
        canvas = canvas[:, ::-1].copy()
    turn = cv2.getRotationMatrix2D((middle, middle), float(rng.normal(0.0, 8.0)), 1.0)
    mark = np.asarray(cv2.warpAffine(canvas, turn, canvas.shape), dtype=np.float32) / np.float32(255.0)
    strength = np.float32(LETTER_LINE_INTEGRAL * float(rng.uniform(0.5, 1.2)))
    _stamp(scene.film, mark * strength, row * camera.rows, column * camera.columns)


SECOND_LINES = ("AP", "PA", "SUPINE", "MOBILE", "ERECT", "BED")
INITIALS = "ABCDEFGHKMPRSTVW"
"""What stands below the side's letter: how the film was taken, or who placed the letter (invented)."""


def _text(canvas: object, text: str, corner: tuple[int, int], height_px: int, thick: int, font: int) -> None:
    import cv2

    cv2.putText(canvas, text, corner, font, height_px / 21.0, 255, thick, cv2.LINE_AA)  # type: ignore[call-overload]


def _stamp(film: Map, mark: Map, row: float, column: float) -> None:
    """Add a small picture with its middle at a place, cut at the film's edges."""
    top, left = int(row) - mark.shape[0] // 2, int(column) - mark.shape[1] // 2
    rows = slice(max(top, 0), min(top + mark.shape[0], film.shape[0]))
    columns = slice(max(left, 0), min(left + mark.shape[1], film.shape[1]))
    film[rows, columns] += mark[rows.start - top : rows.stop - top, columns.start - left : columns.stop - left]


PAINTERS: dict[str, Painter] = {
    "gastric_tube": gastric_tube,
    "central_lines": central_line,
    "tracheostomy_tube": tracheostomy_tube,
    "ecg_leads": ecg_lead,
    "temperature_probe": temperature_probe,
    "sternal_wires": sternal_wires,
    "pacemaker": pacemaker,
    "spinal_hardware": spinal_hardware,
    "drains": drain,
    "necklace": necklace,
    "letters": letter,
}
"""Device by its dial's name."""
