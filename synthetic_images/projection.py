"""The pinhole: a point source, a flat detector, and everything in the patient's own frame.

Patient coordinates are millimetres along x to the patient's left, y to the back, z to the head (the axes of
DICOM PS3.3 C.7.6.2.1.1); the origin is the carina. Rotating the patient is done by turning source and
detector the other way, so that anatomy is built once, upright.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from measure.magnification import View

Floats = NDArray[np.float64]
Map = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Rays:
    """Straight lines x = x0 + x_slope * y, z = z0 + z_slope * y, one a sample of the detector.

    Parameters
    ----------
    x0, z0, x_slope, z_slope : ndarray of float32, shape (rows, columns)
    stretch : ndarray of float32
        Length along the ray for one mm along y.
    """

    x0: Map
    z0: Map
    x_slope: Map
    z_slope: Map
    stretch: Map

    def where(self, part: NDArray[np.bool_]) -> Rays:
        """The rays of a part of the detector, in one row."""
        return Rays(self.x0[part], self.z0[part], self.x_slope[part], self.z_slope[part], self.stretch[part])


@dataclass(frozen=True, eq=False)
class Camera:
    """Source and detector in patient coordinates.

    Parameters
    ----------
    source, centre : ndarray, shape (3,)
        Focal spot; middle of the detector, in mm.
    right, down : ndarray, shape (3,)
        Unit vectors along growing columns and growing rows of the upright film.
    rows, columns : int
        Size of the film in pixels.
    pitch_mm : float
        Distance between pixel centres at the detector.
    """

    source: Floats
    centre: Floats
    right: Floats
    down: Floats
    rows: int
    columns: int
    pitch_mm: float

    @cached_property
    def normal(self) -> Floats:
        """Unit vector normal to the detector, pointing away from the source."""
        normal = np.cross(self.right, self.down)
        return normal if (self.centre - self.source) @ normal > 0.0 else -normal

    @cached_property
    def source_to_detector_mm(self) -> float:
        """Distance from the focal spot to the detector's plane."""
        return float((self.centre - self.source) @ self.normal)

    def magnification(self, points_mm: Floats) -> Floats:
        """Source-to-detector over source-to-object distance at each point, shape (..., 3) to (...)."""
        depth: Floats = (np.asarray(points_mm) - self.source) @ self.normal
        return self.source_to_detector_mm / depth

    def project(self, points_mm: Floats) -> Floats:
        """Points in mm, shape (..., 3), to (row, column) in pixels, shape (..., 2)."""
        points = np.asarray(points_mm, dtype=np.float64)
        hit = self.source + (points - self.source) * self.magnification(points)[..., None] - self.centre
        row = (hit @ self.down) / self.pitch_mm + (self.rows - 1) / 2.0
        column = (hit @ self.right) / self.pitch_mm + (self.columns - 1) / 2.0
        return np.stack([row, column], axis=-1)

    def view_direction(self, points_mm: Floats) -> Floats:
        """Unit vectors along the ray through each point."""
        ray = np.asarray(points_mm) - self.source
        return np.asarray(ray / np.linalg.norm(ray, axis=-1, keepdims=True))

    def rays(self, step_px: int = 1) -> Rays:
        """Rays through the middles of blocks of `step_px` by `step_px` pixels."""
        offset = (step_px - 1) / 2.0
        row = np.arange(0, self.rows, step_px) + offset - (self.rows - 1) / 2.0
        column = np.arange(0, self.columns, step_px) + offset - (self.columns - 1) / 2.0
        down = row[:, None, None] * self.pitch_mm * self.down
        right = column[None, :, None] * self.pitch_mm * self.right
        direction = self.centre + down + right - self.source
        x_slope = direction[..., 0] / direction[..., 1]
        z_slope = direction[..., 2] / direction[..., 1]
        x0 = self.source[0] - x_slope * self.source[1]
        z0 = self.source[2] - z_slope * self.source[1]
        stretch = np.sqrt(1.0 + x_slope**2 + z_slope**2)
        return Rays(*(a.astype(np.float32) for a in (x0, z0, x_slope, z_slope, stretch)))


def rotation(axis: int, degrees: float) -> Floats:
    """Right-handed rotation matrix about one patient axis (0 = x, 1 = y, 2 = z)."""
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    i, j = ((1, 2), (2, 0), (0, 1))[axis]
    matrix = np.eye(3)
    matrix[i, i] = matrix[j, j] = c
    matrix[i, j], matrix[j, i] = -s, s
    return matrix


@dataclass(frozen=True, slots=True)
class Stand:
    """How the patient stands or lies before the detector.

    Parameters
    ----------
    view : View
        AP: source in front, detector behind; PA the other way round.
    source_to_detector_mm : float
    patient_to_detector_mm : float
        From the origin's coronal plane (through the carina) to the detector.
    centre_x_mm, centre_z_mm : float
        Where the central ray crosses that plane.
    rotation_deg : float
        Patient's turn about the long axis, left side towards the back positive.
    tilt_deg : float
        Source above the perpendicular (caudal angulation) positive.
    roll_deg : float
        Film turned in its own plane.
    detector_tilt_deg : float
        Detector not square to the central ray, about the patient's left-right axis.
    """

    view: View
    source_to_detector_mm: float
    patient_to_detector_mm: float
    centre_x_mm: float = 0.0
    centre_z_mm: float = 0.0
    rotation_deg: float = 0.0
    tilt_deg: float = 0.0
    roll_deg: float = 0.0
    detector_tilt_deg: float = 0.0


def camera(stand: Stand, rows: int, columns: int, pitch_mm: float) -> Camera:
    """Place source and detector round the patient."""
    back = -1.0 if stand.view is View.PA else 1.0
    to_detector = np.array([0.0, back, 0.0])
    turn = rotation(2, stand.rotation_deg) @ rotation(0, stand.tilt_deg * back)
    centred = np.array([stand.centre_x_mm, 0.0, stand.centre_z_mm])
    source = centred - to_detector * (stand.source_to_detector_mm - stand.patient_to_detector_mm)
    centre = centred + to_detector * stand.patient_to_detector_mm
    face = rotation(0, stand.detector_tilt_deg) @ rotation(1, stand.roll_deg)
    return Camera(
        source=centred + turn @ (source - centred),
        centre=centred + turn @ (centre - centred),
        right=turn @ face @ np.array([1.0, 0.0, 0.0]),
        down=turn @ face @ np.array([0.0, 0.0, -1.0]),
        rows=rows,
        columns=columns,
        pitch_mm=pitch_mm,
    )
