"""Trachea, carina and bronchi as air-filled curves, built round the carina at the origin."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from synthetic_images.projection import Floats
from synthetic_images.recipe import BodyDials
from synthetic_images.ribbons import Curve, arc_mm, smooth_path

RIGHT_MAIN_LENGTH, LEFT_MAIN_LENGTH = 1.25, 2.75
"""Length of the main bronchi over the tracheal width: about 22 and 48 mm in adults (textbook, memory)."""

RIGHT_MAIN_RADIUS, LEFT_MAIN_RADIUS = 0.42, 0.36
"""Radius over the tracheal width: about 15 and 13 mm wide in adults (textbook, memory)."""

DEPTH_OVER_WIDTH = 1.08
"""Sagittal over coronal diameter of the trachea (adults, memory)."""

BRONCHUS_SAG = 0.06
"""Backward bow of a main bronchus over its length (ours)."""

PATH_POINTS = 121


@dataclass(frozen=True, slots=True)
class Airway:
    """The airway in patient coordinates.

    Parameters
    ----------
    carina : ndarray, shape (3,)
        The spur between the main bronchi.
    trachea : ndarray, shape (n, 3)
        Centreline from the cords (first) to the carina (last).
    radius_mm : float
        Coronal half-width of the trachea.
    right, left : ndarray, shape (n, 3)
        Centrelines of the main bronchi, from the point where they leave the trachea's centreline.
    branches : tuple of Curve
        Lobar bronchi and the bronchus intermedius.
    """

    carina: Floats
    trachea: Floats
    radius_mm: float
    right: Floats
    left: Floats
    branches: tuple[Curve, ...]

    @property
    def length_mm(self) -> float:
        """Cords to carina along the airway."""
        return float(arc_mm(self.trachea)[-1])

    @property
    def fork_height_mm(self) -> float:
        """How far above the carina the bronchi's centrelines leave that of the trachea."""
        return float(np.linalg.norm(self.right[0] - self.carina))

    def above_carina(self, distance_mm: float, side: str = "right") -> Floats:
        """The centreline's point that lies `distance_mm` above the carina; below, in the bronchus of `side`.

        In a bronchus the distance is counted from the fork of the centrelines, so that it grows without a
        jump and is zero at the carina's level.
        """
        return self.line_to(side, np.asarray(distance_mm))

    def line_to(self, side: str, distance_mm: Floats) -> Floats:
        """Points of trachea, fork, bronchus at signed distances above the carina, shape (...) to (..., 3)."""
        above, below = self._route(side)
        whole = np.concatenate([above, below])
        arc = arc_mm(whole)
        station = arc[len(above)] + self.fork_height_mm - np.asarray(distance_mm)
        return np.stack([np.interp(station, arc, whole[:, i]) for i in range(3)], axis=-1)

    def _route(self, side: str) -> tuple[Floats, Floats]:
        """Centreline from the cords to the fork, and from there into the main and the lower lobar bronchus."""
        bronchus, lower = (self.right, self.branches[1]) if side == "right" else (self.left, self.branches[3])
        above = np.linalg.norm(self.trachea - self.carina, axis=1) > self.fork_height_mm + 1e-6
        return self.trachea[above], np.concatenate([bronchus, lower.points_mm[1:]])

    def air(self) -> tuple[Curve, ...]:
        """Every air column, wide to narrow."""
        half = np.full(PATH_POINTS, self.radius_mm)
        widths = (self.radius_mm * 2.0 * RIGHT_MAIN_RADIUS, self.radius_mm * 2.0 * LEFT_MAIN_RADIUS)
        trachea = Curve(self.trachea, half, half * DEPTH_OVER_WIDTH)
        mains = tuple(
            Curve(path, np.full(len(path), radius))
            for path, radius in zip((self.right, self.left), widths, strict=True)
        )
        return (trachea, *mains, *self.branches)


def build_airway(body: BodyDials, bow_mm: float, sag_mm: float) -> Airway:
    """Build the airway from the dials.

    Parameters
    ----------
    bow_mm, sag_mm : float
        Sideways and front-to-back bow of the trachea at its middle; the ends stay, so the mean lean does.
    """
    down, left = _frame(body)
    backward = np.cross(down, left)
    width = body.trachea_width_mm
    radii = (width * RIGHT_MAIN_RADIUS, width * LEFT_MAIN_RADIUS)
    right_angle = body.subcarinal_angle_deg * body.right_share
    angles = (math.radians(right_angle), math.radians(body.subcarinal_angle_deg - right_angle))
    carina = np.zeros(3)
    fork = carina - _fork_offset(radii, angles, down, left)
    trachea = _trachea(body.trachea_length_mm, fork, down, left, backward, (bow_mm, sag_mm))
    stub = float(np.linalg.norm(fork))
    right = _bronchus(fork, down, -left, backward, angles[0], stub + RIGHT_MAIN_LENGTH * width)
    left_main = _bronchus(fork, down, left, backward, angles[1], stub + LEFT_MAIN_LENGTH * width)
    branches = _lobar(right, left_main, width)
    return Airway(carina, trachea, width / 2.0, right, left_main, branches)


def _frame(body: BodyDials) -> tuple[Floats, Floats]:
    """Unit vectors down the trachea and to the left across it."""
    lean, side = math.radians(body.lean_deg), math.radians(body.side_lean_deg)
    down = np.array([-math.cos(lean) * math.sin(side), math.sin(lean), -math.cos(lean) * math.cos(side)])
    left = np.array([1.0, 0.0, 0.0]) - down[0] * down
    return down, left / np.linalg.norm(left)


def _fork_offset(radii: tuple[float, float], angles: tuple[float, float], down: Floats, left: Floats) -> Floats:
    """From the fork of the centrelines to the spur, where the two medial walls meet."""
    (r_right, r_left), (a_right, a_left) = radii, angles
    # On the medial walls: right, across cos + along sin = r; left, -across cos + along sin = r.
    matrix = np.array([[math.cos(a_right), math.sin(a_right)], [-math.cos(a_left), math.sin(a_left)]])
    across, along = np.linalg.solve(matrix, np.array([r_right, r_left]))
    return np.asarray(across * left + along * down)


def _trachea(
    length_mm: float,
    fork: Floats,
    down: Floats,
    left: Floats,
    backward: Floats,
    bows_mm: tuple[float, float],
) -> Floats:
    """Centreline of exactly `length_mm` from the cords to the carina, straight in its last part."""
    share = np.linspace(0.0, 1.0, PATH_POINTS - 2)
    stub = float(np.linalg.norm(fork))
    top = length_mm - stub
    bump = np.sin(np.pi * share) ** 2
    shape = bump[:, None] * (bows_mm[0] * left + bows_mm[1] * backward)
    for _ in range(4):
        upper = fork - down * top * (1.0 - share[:, None]) + shape
        top -= float(arc_mm(upper)[-1]) - (length_mm - stub)
    return np.concatenate([upper[:-1], np.linspace(fork, np.zeros(3), 3)])


def _bronchus(
    fork: Floats, down: Floats, side: Floats, backward: Floats, angle: float, length_mm: float
) -> Floats:
    """From the fork; `length_mm` beyond the carina's level."""
    direction = math.cos(angle) * down + math.sin(angle) * side
    share = np.linspace(0.0, 1.0, 25)[:, None]
    return np.asarray(fork + direction * length_mm * share + backward * BRONCHUS_SAG * length_mm * share**2)


def _lobar(right: Floats, left: Floats, width: float) -> tuple[Curve, ...]:
    """Bronchus intermedius, upper and lower lobar bronchi, tapering."""

    def branch(start: Floats, steps: tuple[tuple[float, float, float], ...], radius: float) -> Curve:
        points = smooth_path(start + width * np.vstack([[0.0, 0.0, 0.0], steps]), 14)
        return Curve(points, np.linspace(radius, 0.55 * radius, 14) * width)

    return (
        branch(right[-3], ((-0.55, 0.1, 0.15), (-1.3, 0.1, 0.7)), 0.27),
        branch(right[-1], ((-0.25, 0.15, -0.75), (-0.7, 0.45, -1.9)), 0.31),
        branch(left[-3], ((0.5, -0.1, 0.1), (1.1, -0.2, 0.6)), 0.25),
        branch(left[-1], ((0.3, 0.2, -0.6), (0.8, 0.6, -1.7)), 0.27),
    )
