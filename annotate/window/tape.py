"""A ruler that a hand lays on the film and bends along the airway, in centimetres on the film."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from annotate.window.camera import Place
from imaging.film import Film
from measure.distance import film_per_measured

LENGTH_CM = 10.0
CURVE_POINTS = 81
SHARES = np.linspace(0.0, 1.0, CURVE_POINTS)[:, None]

FOOT, MIDDLE, TOP, WHOLE = range(4)
"""What of it can be held: the ends, the bend, all of it."""

GRIP_PX, ON_LINE_PX = 24.0, 8.0
"""Grips stand so far off the scale that they do not cover what is measured; a press this near to the scale holds
all of it; both in screen pixels (ours)."""


@dataclass(frozen=True, slots=True)
class Tape:
    """A smooth line through three places, in film pixels of true shape.

    Parameters
    ----------
    places : tuple of three (float, float)
        Zero of the scale, its bend, its other end.
    cm_px : float
        Film pixels for a centimetre on the film.
    """

    places: tuple[Place, Place, Place]
    cm_px: float

    @property
    def curve(self) -> NDArray[np.float64]:
        """The line, shape (CURVE_POINTS, 2): the parabola through the three places."""
        foot, middle, top = map(np.array, self.places)
        bend = 4.0 * (middle - (foot + top) / 2.0)
        return np.asarray(foot + (top - foot) * SHARES + bend * SHARES * (1.0 - SHARES))

    @property
    def heights_cm(self) -> NDArray[np.float64]:
        """Length of the line from its zero to each of its points."""
        steps = np.hypot(*np.diff(self.curve, axis=0).T)
        return np.concatenate([[0.0], np.cumsum(steps)]) / self.cm_px

    def at(self, heights_cm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Places at so many centimetres from its zero, shape (n, 2)."""
        curve, along = self.curve, self.heights_cm
        return np.column_stack([np.interp(heights_cm, along, curve[:, axis]) for axis in (0, 1)])

    def aside(self, heights_cm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Unit vectors across the line there, to the right of its way up, shape (n, 2)."""
        near = 0.01 * self.heights_cm[-1]
        high = np.clip(heights_cm, near, self.heights_cm[-1] - near)
        way = self.at(high + near) - self.at(high - near)
        return np.asarray(np.column_stack([way[:, 1], -way[:, 0]]) / np.hypot(*way.T)[:, None])

    def grips(self, pixel: float) -> tuple[Place, Place, Place]:
        """Where its ends and its bend are held; `pixel` is film pixels for one of the screen."""
        curve, off = self.curve, GRIP_PX * pixel
        half = self.heights_cm[-1:] / 2.0
        bend = self.at(half)[0] - off * self.aside(half)[0]
        return _beyond(curve[1], curve[0], off), _place(bend), _beyond(curve[-2], curve[-1], off)

    def part_near(self, at: Place, pixel: float, reach: float) -> int | None:
        """What a press at a place holds; None where it is not on the ruler. `reach` in film pixels."""
        away = [math.dist(at, grip) for grip in self.grips(pixel)]
        nearest = int(np.argmin(away))
        if away[nearest] <= reach:
            return nearest
        off = float(np.hypot(*(self.curve - at).T).min())
        return WHOLE if off <= ON_LINE_PX * pixel else None

    def moved(self, part: int, by: Place) -> Tape:
        """The same with a part of it elsewhere; an end takes half of its way along to the bend."""
        shares = {
            FOOT: (1.0, 0.5, 0.0),
            MIDDLE: (0.0, 1.0, 0.0),
            TOP: (0.0, 0.5, 1.0),
            WHOLE: (1.0, 1.0, 1.0),
        }[part]
        foot, middle, top = (
            (place[0] + share * by[0], place[1] + share * by[1])
            for place, share in zip(self.places, shares, strict=True)
        )
        return replace(self, places=(foot, middle, top))


def straight(foot: Place, towards: Place, cm_px: float) -> Tape:
    """A ruler of `LENGTH_CM` from a place towards another."""
    away = np.subtract(towards, foot)
    way = away / float(np.hypot(*away)) * LENGTH_CM * cm_px
    middle, top = (_place(np.add(foot, share * way)) for share in (0.5, 1.0))
    return Tape((foot, middle, top), cm_px)


def pixels_per_cm(film: Film) -> float | None:
    """Pixels of true shape for a centimetre on the film; None where its spacing is not known."""
    if film.spacing is None:
        return None
    return 10.0 / (film.spacing.column_mm * film_per_measured(film.spacing.plane, film.magnification).value)


def _beyond(inner: NDArray[np.float64], end: NDArray[np.float64], off: float) -> Place:
    way = end - inner
    return _place(end + off * way / max(float(np.hypot(*way)), 1e-9))


def _place(at: NDArray[np.float64]) -> Place:
    return float(at[0]), float(at[1])
