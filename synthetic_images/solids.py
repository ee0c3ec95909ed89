"""Large smooth organs as solids that every ray enters once and leaves once.

A solid answers, for every ray, the depth y where it is entered and left. What a film needs is the length of
a union of such intervals, or of one outside the others; both follow from sorting, without any voxels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from synthetic_images.projection import Floats, Map, Rays

NOWHERE_MM = np.float32(1e4)
"""Start of an empty interval: far behind everything."""


class Interval(NamedTuple):
    """Where rays are inside a solid: from `start` to `end` along y in mm; empty where end <= start."""

    start: Map
    end: Map

    @property
    def length(self) -> Map:
        """Length along y, zero where empty."""
        return np.asarray(np.maximum(self.end - self.start, np.float32(0.0)))

    def within(self, other: Interval) -> Interval:
        """The part inside another interval."""
        return Interval(np.maximum(self.start, other.start), np.minimum(self.end, other.end))


class Solid(Protocol):
    """Anything that rays enter and leave once."""

    def interval(self, rays: Rays) -> Interval:
        """Entry and exit depth for every ray."""
        ...


@dataclass(frozen=True, slots=True)
class Ellipsoid:
    """An ellipsoid.

    Parameters
    ----------
    centre : ndarray, shape (3,)
    axes : ndarray, shape (3, 3)
        Rows are the semi-axes as vectors in mm, mutually perpendicular.
    """

    centre: Floats
    axes: Floats

    def interval(self, rays: Rays) -> Interval:
        """Entry and exit depth for every ray (the quadratic's two roots)."""
        scaled = self.axes / np.sum(self.axes**2, axis=1, keepdims=True)
        a = np.float32(0.0)
        b = np.float32(0.0)
        c = np.float32(-1.0)
        for axis in scaled.astype(np.float32):
            slope = axis[0] * rays.x_slope + axis[1] + axis[2] * rays.z_slope
            offset = axis[0] * rays.x0 + axis[2] * rays.z0 - np.float32(axis @ self.centre.astype(np.float32))
            a = a + slope * slope
            b = b + slope * offset
            c = c + offset * offset
        inside = b * b - a * c
        root = np.sqrt(np.maximum(inside, np.float32(0.0)))
        start = np.where(inside > 0.0, (-b - root) / a, NOWHERE_MM)
        end = np.where(inside > 0.0, (-b + root) / a, -NOWHERE_MM)
        return Interval(start, end)


def upright(centre: Sequence[float], half_mm: Sequence[float]) -> Ellipsoid:
    """An ellipsoid along the patient's axes."""
    return Ellipsoid(np.asarray(centre, dtype=np.float64), np.diag(np.asarray(half_mm, dtype=np.float64)))


def oblique(centre: Sequence[float], long_axis: Sequence[float], half_mm: Sequence[float]) -> Ellipsoid:
    """An ellipsoid whose first semi-axis points along `long_axis`, the third as near the head as can be."""
    first = np.asarray(long_axis, dtype=np.float64)
    first = first / np.linalg.norm(first)
    second = np.cross([0.0, 0.0, 1.0], first)
    second = second / np.linalg.norm(second)
    third = np.cross(first, second)
    axes = np.stack([first, second, third]) * np.asarray(half_mm, dtype=np.float64)[:, None]
    return Ellipsoid(np.asarray(centre, dtype=np.float64), axes)


TABLE_STEP_MM = 0.5
CROSSING_STEPS = 2
"""Fixed-point steps for entry and exit; the third changes less than 0.1 mm at the film's edge."""


@dataclass(frozen=True)
class Stack:
    """Axial slices, each a superellipse, piled up and joined smoothly.

    Parameters
    ----------
    nodes : ndarray, shape (n, 5)
        One row a level, from below upwards: z, centre x, centre y, half-width, half-depth, in mm.
    power : float
        Exponent of the superellipse: 2 is an ellipse, more is boxier.
    """

    nodes: Floats
    power: float = 2.0

    @cached_property
    def _table(self) -> NDArray[np.float32]:
        z = self.nodes[:, 0]
        levels = np.arange(z[0], z[-1] + TABLE_STEP_MM, TABLE_STEP_MM)
        values = PchipInterpolator(z, self.nodes[:, 1:], axis=0, extrapolate=False)(levels.clip(z[0], z[-1]))
        table = np.vstack([values[:1], values, values[-1:]])
        table[[0, -1], 2:] = 1e-3
        return np.ascontiguousarray(table.T, dtype=np.float32)

    def at(self, z_mm: Map) -> tuple[Map, Map, Map, Map]:
        """Centre x, centre y, half-width and half-depth at each height."""
        table = self._table
        place = (z_mm - np.float32(self.nodes[0, 0])) * np.float32(1.0 / TABLE_STEP_MM) + np.float32(1.5)
        index = np.clip(place, 0, table.shape[1] - 1).astype(np.intp)
        return table[0][index], table[1][index], table[2][index], table[3][index]

    def interval(self, rays: Rays) -> Interval:
        """Entry and exit depth for every ray, by fixed-point steps on the slice met there."""
        middle = np.float32(self.nodes[:, 2].mean())
        first = self._surface(rays, np.full_like(rays.x0, middle))
        sides = []
        for side in (np.float32(-1.0), np.float32(1.0)):
            y = first[0] + side * first[1]
            for _ in range(CROSSING_STEPS - 1):
                centre, half = self._surface(rays, y)
                y = centre + side * half
            sides.append(y)
        return Interval(sides[0], sides[1])

    def _surface(self, rays: Rays, y: Map) -> tuple[Map, Map]:
        centre_x, centre_y, half_width, half_depth = self.at(rays.z0 + rays.z_slope * y)
        across = np.abs((rays.x0 + rays.x_slope * y - centre_x) / half_width)
        if self.power == 2.0:
            rest = np.sqrt(np.maximum(np.float32(1.0) - across * across, np.float32(0.0)))
        else:
            power = np.float32(self.power)
            rest = np.maximum(np.float32(1.0) - across**power, np.float32(0.0)) ** (np.float32(1.0) / power)
        return centre_y, half_depth * rest


def union_length(intervals: Sequence[Interval]) -> Map:
    """Length of the union of intervals along y, in mm, for every ray."""
    starts = np.stack([i.start for i in intervals])
    ends = np.stack([i.end for i in intervals])
    order = np.argsort(starts, axis=0)
    starts = np.take_along_axis(starts, order, axis=0)
    ends = np.take_along_axis(ends, order, axis=0)
    total = np.zeros_like(starts[0])
    reached = np.full_like(total, -NOWHERE_MM)
    for start, end in zip(starts, ends, strict=True):
        total += np.maximum(end - np.maximum(start, reached), np.float32(0.0))
        np.maximum(reached, end, out=reached)
    return np.asarray(total)
