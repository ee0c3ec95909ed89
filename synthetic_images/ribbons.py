"""Long thin things drawn along their projected centreline with the chord length of their cross-section.

`Ribbon` holds, for the pixels near a projected curve, how far along and how far beside the curve each lies.
Ribs, bronchi, vessels, tubes and wires are profiles over these two coordinates.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from synthetic_images.projection import Camera, Floats, Map

THIN = 0.1
"""Half a pixel over the radius above which a curve is averaged over each pixel rather than sampled (ours)."""

STEEPEST = 0.45
"""Least sine between ray and curve: a curve along the ray is no longer than it is wide, roughly (ours)."""


@dataclass(frozen=True, slots=True)
class Curve:
    """A centreline with a radius.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 3)
    radius_mm : ndarray, shape (n,)
        Half-width as seen from the front.
    depth_mm : ndarray, shape (n,), optional
        Half-thickness along the beam where it isn't round.
    """

    points_mm: Floats
    radius_mm: Floats
    depth_mm: Floats | None = None


@dataclass(frozen=True, slots=True)
class Ribbon:
    """Curve coordinates of the pixels of a window of the film.

    Parameters
    ----------
    rows, columns : slice
        The window.
    along : ndarray of float32
        Position along the curve in units of its points' index; NaN-free, valid where `beside` < 1.
    beside : ndarray of float32
        Signed distance from the centreline over the local radius (positive to the right of the direction
        of travel as seen on the film); beyond +-1 outside.
    half_pixel : float
        Half a pixel over the curve's usual radius.
    """

    rows: slice
    columns: slice
    along: Map
    beside: Map
    half_pixel: float

    @property
    def half_chord(self) -> Map:
        """Half the chord through a unit circle at `beside`, averaged over a pixel's width where that matters."""
        if self.half_pixel > THIN:
            low, high = self.beside - np.float32(self.half_pixel), self.beside + np.float32(self.half_pixel)
            return np.asarray((_area(high) - _area(low)) * np.float32(0.5 / self.half_pixel))
        return np.asarray(np.sqrt(np.maximum(np.float32(1.0) - self.beside * self.beside, np.float32(0.0))))

    def sample(self, values: Floats) -> Map:
        """A quantity given at the curve's points, at every pixel."""
        return np.interp(self.along, np.arange(len(values)), values).astype(np.float32)


def _area(to: Map) -> Map:
    """Integral of sqrt(1 - u**2) from 0 to `to`, constant beyond the circle."""
    inside = np.clip(to, np.float32(-1.0), np.float32(1.0))
    return np.asarray(0.5 * (inside * np.sqrt(1.0 - inside * inside) + np.arcsin(inside)), dtype=np.float32)


def ribbon(camera: Camera, curve: Curve, margin: float = 1.0, caps: bool = True) -> Ribbon | None:
    """Curve coordinates of the pixels within `margin` radii of a projected curve, or None off the film.

    Parameters
    ----------
    caps : bool
        Round ends; without, pixels beyond the ends are outside.
    """
    path = camera.project(curve.points_mm)
    scale = camera.magnification(curve.points_mm) / camera.pitch_mm
    radius = np.maximum(curve.radius_mm * scale, 1e-3)
    reach = radius * margin + 1.0
    low = np.floor((path - reach[:, None]).min(axis=0)).astype(int)
    high = np.ceil((path + reach[:, None]).max(axis=0)).astype(int) + 1
    row0, column0 = max(low[0], 0), max(low[1], 0)
    row1, column1 = min(high[0], camera.rows), min(high[1], camera.columns)
    if row1 <= row0 or column1 <= column0:
        return None
    along: Map = np.zeros((row1 - row0, column1 - column0), np.float32)
    beside: Map = np.full(along.shape, np.float32(9.0))
    local = path - (row0, column0)
    for i in range(len(path) - 1):
        _segment(along, beside, local[i : i + 2], radius[i : i + 2], float(reach[i : i + 2].max()), i)
    if not caps:
        _cut_ends(along, beside, len(path) - 1)
    return Ribbon(slice(row0, row1), slice(column0, column1), along, beside, float(0.5 / np.median(radius)))


def _segment(along: Map, beside: Map, ends: Floats, radius: Floats, reach: float, index: int) -> None:
    """Let one straight piece claim the pixels that lie nearer to it than to the pieces before."""
    low = np.maximum(np.floor(ends.min(axis=0) - reach).astype(int), 0)
    high = np.minimum(np.ceil(ends.max(axis=0) + reach).astype(int) + 1, along.shape)
    if (high <= low).any():
        return
    window = (slice(low[0], high[0]), slice(low[1], high[1]))
    step = ends[1] - ends[0]
    length2 = float(step @ step) + 1e-9
    rows = np.arange(low[0], high[0], dtype=np.float32)[:, None] - np.float32(ends[0, 0])
    columns = np.arange(low[1], high[1], dtype=np.float32)[None, :] - np.float32(ends[0, 1])
    t = np.clip(
        rows * np.float32(step[0] / length2) + columns * np.float32(step[1] / length2),
        np.float32(0.0),
        np.float32(1.0),
    )
    away_row = rows - t * np.float32(step[0])
    away_column = columns - t * np.float32(step[1])
    distance = np.sqrt(away_row * away_row + away_column * away_column)
    distance /= np.float32(radius[0]) + t * np.float32(radius[1] - radius[0])
    side = np.where(
        rows * np.float32(step[1]) - columns * np.float32(step[0]) > 0.0, np.float32(1.0), np.float32(-1.0)
    )
    here = beside[window]
    nearer = distance < np.abs(here)
    here[nearer] = (side * distance)[nearer]
    along[window][nearer] = t[nearer] + np.float32(index)


def _cut_ends(along: Map, beside: Map, last: int) -> None:
    beside[(along <= 0.0) | (along >= last)] = np.float32(9.0)


def slant(camera: Camera, points_mm: Floats) -> Floats:
    """How much longer the chord is because the curve runs obliquely to the ray: 1 / sin, bounded."""
    tangent = np.gradient(points_mm, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True) + 1e-12
    cosine = np.sum(tangent * camera.view_direction(points_mm), axis=1)
    return np.asarray(1.0 / np.sqrt(np.maximum(1.0 - cosine**2, STEEPEST**2)))


def chord(camera: Camera, curve: Curve, caps: bool = True) -> tuple[Ribbon, Map] | None:
    """Path length in mm through a solid curve, on the ribbon's window."""
    band = ribbon(camera, curve, caps=caps)
    if band is None:
        return None
    depth = curve.radius_mm if curve.depth_mm is None else curve.depth_mm
    return band, band.half_chord * band.sample(2.0 * depth * slant(camera, curve.points_mm))


def add_chord(film: Map, camera: Camera, curve: Curve, per_mm: float, caps: bool = True) -> None:
    """Add a solid curve's attenuation to a map of line integrals."""
    drawn = chord(camera, curve, caps)
    if drawn is not None:
        band, length = drawn
        film[band.rows, band.columns] += length * np.float32(per_mm)


def add_hollow(
    film: Map, camera: Camera, curve: Curve, wall_mm: float | Floats, wall_per_mm: float, core_per_mm: float
) -> None:
    """Add a curve with a wall of one material round a core of another; the wall may vary along it."""
    band = ribbon(camera, curve)
    if band is None:
        return
    depth = curve.radius_mm if curve.depth_mm is None else curve.depth_mm
    oblique = slant(camera, curve.points_mm)
    share = np.clip(1.0 - wall_mm / curve.radius_mm, 0.05, 1.0)
    inner_depth = np.maximum(depth - wall_mm, 0.05)
    inner = np.sqrt(np.maximum(1.0 - (band.beside / band.sample(share)) ** 2, 0.0)).astype(np.float32)
    core = inner * band.sample(2.0 * inner_depth * oblique)
    whole = band.half_chord * band.sample(2.0 * depth * oblique)
    film[band.rows, band.columns] += (
        np.float32(wall_per_mm) * np.maximum(whole - core, 0.0) + np.float32(core_per_mm) * core
    )


class Strands(NamedTuple):
    """Many short straight round pieces.

    Parameters
    ----------
    start_mm, end_mm : ndarray, shape (n, 3)
    radius_mm : ndarray, shape (n,)
    """

    start_mm: Floats
    end_mm: Floats
    radius_mm: Floats


def add_strands(film: Map, camera: Camera, strands: Strands, per_mm: float) -> None:
    """Add many straight pieces at once, with the chords of `add_chord`; where like ones meet, the densest counts.

    Fine ones are drawn as lines of the same area.
    """
    along = strands.end_mm - strands.start_mm
    along = along / np.linalg.norm(along, axis=1, keepdims=True)
    cosine = np.sum(along * camera.view_direction(strands.start_mm), axis=1)
    peak = 2.0 * per_mm * strands.radius_mm / np.sqrt(np.maximum(1.0 - cosine**2, STEEPEST**2))
    radius_px = np.maximum(strands.radius_mm * camera.magnification(strands.start_mm) / camera.pitch_mm, 1e-3)
    start, end = camera.project(strands.start_mm), camera.project(strands.end_mm)
    down, across = (end - start).T
    slanting = (2.0 * down * across / (down**2 + across**2 + 1e-9)) ** 4
    least = 0.0
    for thickness, (below, width) in LINES.items():
        fine = (radius_px >= least) & (radius_px < below)
        area = (width - SLANTING_LESS * slanting)[fine]
        _add_lines(film, start[fine], end[fine], 0.5 * np.pi * (radius_px * peak)[fine] / area, thickness)
        least = below
    rest = radius_px >= least
    wide = zip(start[rest], end[rest], radius_px[rest].tolist(), peak[rest].tolist(), strict=True)
    layer = np.zeros_like(film)
    for first, second, radius, height in wide:
        _strand(layer, first, second, radius, height)
    film += layer


LINES = {1: (1.0, 1.38), 2: (2.1, 3.39), 3: (3.4, 5.4)}
"""Fine strands are drawn as OpenCV's lines: thickness; radius in pixels up to which it serves (ours); area per
length over the grey value (measured, horizontal)."""

SLANTING_LESS = 0.2
"""What that area loses at 45 degrees, less by the fourth power of sin(2 angle) elsewhere (measured within 4 %)."""

LINE_SHIFT = 4
"""Fractional bits of the coordinates of OpenCV's lines."""


def _add_lines(film: Map, start: Floats, end: Floats, height: Floats, thickness: int) -> None:
    import cv2

    if len(height) == 0:
        return
    order = np.argsort(height)
    fixed = np.round(np.concatenate([start, end], axis=1)[order][:, [1, 0, 3, 2]] * 2**LINE_SHIFT).astype(int)
    unit = float(height.max()) / 255.0
    layer = np.zeros(film.shape, np.uint8)
    for (x0, y0, x1, y1), grey in zip(fixed.tolist(), (height[order] / unit).tolist(), strict=True):
        cv2.line(layer, (x0, y0), (x1, y1), grey, thickness, cv2.LINE_AA, LINE_SHIFT)
    film += layer * np.float32(unit)


def _strand(film: Map, start: Floats, end: Floats, radius: float, height: float) -> None:
    """One straight piece with round ends."""
    (r0, c0), (r1, c1) = start.tolist(), end.tolist()
    top, bottom = max(int(min(r0, r1) - radius), 0), min(int(max(r0, r1) + radius) + 2, film.shape[0])
    left, right = max(int(min(c0, c1) - radius), 0), min(int(max(c0, c1) + radius) + 2, film.shape[1])
    length = math.hypot(r1 - r0, c1 - c0)
    if bottom <= top or right <= left or length < 0.5:
        return
    down, across = np.float32((r1 - r0) / length), np.float32((c1 - c0) / length)
    rows = np.arange(top - r0, bottom - r0, dtype=np.float32)[: bottom - top, None]
    columns = np.arange(left - c0, right - c0, dtype=np.float32)[None, : right - left]
    station = np.clip(rows * down + columns * across, np.float32(0.0), np.float32(length))
    away = (rows - station * down) ** 2 + (columns - station * across) ** 2
    rest = np.sqrt(np.maximum(np.float32(1.0) - away * np.float32(1.0 / radius**2), np.float32(0.0)))
    window = film[top:bottom, left:right]
    np.maximum(window, rest * np.float32(height), out=window)


def smooth_path(points_mm: NDArray[np.float64], count: int) -> Floats:
    """A natural cubic curve through points, sampled evenly in chord length."""
    from scipy.interpolate import CubicSpline

    points = np.asarray(points_mm, dtype=np.float64)
    knots = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    return np.asarray(CubicSpline(knots, points, bc_type="natural")(np.linspace(0.0, knots[-1], count)))


def arc_mm(points_mm: Floats) -> Floats:
    """Length along a polyline up to each of its points."""
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points_mm, axis=0), axis=1))])
