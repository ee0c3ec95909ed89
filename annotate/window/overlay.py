"""What is drawn on the film, as strokes and words in pixels of true shape; the shapes are those of the picture.

A place (y, x) is (row x pixel aspect, column): pixels made square, so that a circle is one. Sizes that must not
grow with the film on the screen are in screen pixels and multiplied by `scale`, film pixels for one of the screen.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from annotate.drawing.palette import CARINA as CARINA_COLOUR
from annotate.drawing.palette import INK, OTHER, PATH, TIP, ZONE, Colour
from annotate.drawing.ruler import RULER_CM, Ruler, accepted_zone, airway_ruler
from annotate.window.marking import Marking, points_of
from annotate.window.marks import AIRWAY, CARINA, POINTS, WORDS
from annotate.window.marks import TIP as TIP_NAME
from annotate.window.tape import Tape
from measure.accepted_range import AcceptedRange
from measure.estimate import Z95
from measure.landmarks import Landmark, Landmarks, Source

Places = NDArray[np.float64]
Place = tuple[float, float]

RING_PX = 9.0
DASH_PX = 7.0
TICK_PX = 6.0
LINE_TICK_PX = (6.0, 11.0)
FORK_PX = (20.0, 16.0)
CROSS_PX = 8.0
CORNER_PX, CORNER_LENGTH_PX = 26.0, 8.0
TAPE_TICK_PX, GRIP_HALF_PX = 12.0, 5.0
LABEL_PX = 24.0
ABOVE_PX, BELOW_PX = 12.0, 16.0
"""The tip's words stand higher than it, the carina's lower, so that they stay apart."""

NUMBERS_FROM_PX = 26.0
"""Ruler numbers need this much room for a centimetre."""

FAR_SHARE = 0.65
"""Signs of a film that is seen as a whole are so much smaller, so that they do not bury the tip (by eye)."""

LONG_SIDE_CM = 40.0
"""Of a film whose spacing is not known, only to tell whether it is seen as a whole (common practice)."""

ARC_POINTS = 49


class Weight(IntEnum):
    """How thick a stroke is, in screen pixels."""

    THIN = 2
    THICK = 3


@dataclass(frozen=True, eq=False, slots=True)
class Stroke:
    """A line through places of shape (N, 2); dashed where it was proposed, faint where it is not in use."""

    places: Places
    colour: Colour
    weight: Weight = Weight.THIN
    dashed: bool = False
    faint: bool = False


@dataclass(frozen=True, slots=True)
class Label:
    """Words beside a place; `aside` is -1 on its left, 1 on its right."""

    at: Place
    text: str
    colour: Colour
    aside: int = 1


@dataclass(frozen=True, eq=False, slots=True)
class Drawing:
    """All that is drawn on one film; `band` is the outline of the accepted zone, shape (N, 2)."""

    strokes: tuple[Stroke, ...] = ()
    labels: tuple[Label, ...] = ()
    band: Places | None = None


def draw(
    marking: Marking,
    scale: float,
    tells: bool,
    selected: str = "",
    other: Landmarks | None = None,
    other_words: str = "compared",
    tape: Tape | None = None,
) -> Drawing:
    """Draw what stands on a film.

    Parameters
    ----------
    marking : Marking
        The film with its marks.
    scale : float
        Film pixels for one of the screen.
    tells : bool
        Whether ruler and accepted zone may be seen.
    selected : str
        Landmark that the keys move.
    other : Landmarks or None
        Another reader's tip and carina, or the truth; each is joined to the own point.
    other_words : str
        What these points are called.
    tape : Tape or None
        A ruler that a hand has laid there.
    """
    film = marking.film
    cm_px = max(film.shape[0] * film.pixel_aspect, film.shape[1]) / LONG_SIDE_CM
    pen = Pen(film.pixel_aspect, scale, far=cm_px < NUMBERS_FROM_PX * scale)
    strokes: list[Stroke] = []
    labels: list[Label] = []
    band = None
    ruler = airway_ruler(marking.answer.film, marking.reading, rough=True) if tells else None
    if ruler is not None:
        accepted = marking.reading.accepted_range
        if accepted is not None:
            band = None if pen.far else pen.band(ruler, accepted)
            strokes += pen.brackets(ruler, accepted)
        strokes += pen.ruler(ruler)
        labels += pen.numbers(ruler, rough=marking.answer.film.spacing is None)
    if other is not None:
        strokes += pen.compared(marking, other)
        labels += [
            Label(pen.beside(point, -1), f"{name}, {other_words}", INK, aside=-1)
            for name in (TIP_NAME, CARINA)
            for point in points_of(other, name)
        ]
    if tape is not None:
        strokes += pen.tape(tape)
        labels += pen.tape_numbers(tape)
    if not pen.far:
        strokes += pen.tube_line(marking.landmarks.tube_line)
    # The tip comes last: it lies on top.
    for name in reversed(tuple(POINTS)):
        points = marking.points(name)
        if not points or (pen.far and name == AIRWAY != selected):
            continue
        faint = name not in (TIP_NAME, CARINA, selected)
        strokes += (replace(stroke, faint=faint or stroke.faint) for stroke in pen.landmark(name, points))
        labels += pen.words(name, points)
        if name == selected:
            strokes += pen.corners(points)
    return Drawing(tuple(strokes), tuple(labels), band)


@dataclass(frozen=True, slots=True)
class Pen:
    """Draws shapes of constant size on the screen; smaller and fewer where the whole film is seen from afar."""

    aspect: float
    scale: float
    far: bool = False

    @property
    def sign(self) -> float:
        """Film pixels for a screen pixel of a sign."""
        return self.scale * (FAR_SHARE if self.far else 1.0)

    def place(self, row: float, column: float) -> Place:
        """Where a pixel of the film lies."""
        return row * self.aspect, column

    def beside(self, point: Landmark, side: int) -> Place:
        """Where the words of a point begin."""
        y, x = self.place(point.row, point.column)
        return y, x + side * LABEL_PX * self.scale

    def landmark(self, name: str, points: Sequence[Landmark]) -> Iterator[Stroke]:
        """A landmark's sign, and its 95 % interval where it is known."""
        if name == "tip":
            yield from self._tip(points[0])
        elif name == CARINA:
            yield from self._carina(points[0])
        elif name == AIRWAY:
            yield from self._path(points)
            return
        else:
            yield from self._other(points)
        colour = _colour(name)
        for point in points:
            if point.sd_px > 0.0 and not self.far:
                radius = Z95 * point.sd_px
                ring = self._ring(point, radius * self.aspect, radius)
                yield Stroke(ring, colour, Weight.THIN, _dashed(point), faint=True)

    def tube_line(self, points: Sequence[Landmark]) -> Iterator[Stroke]:
        """Ticks on both sides of the line that was followed; the line itself stays to be seen."""
        for point in points:
            y, x = self.place(point.row, point.column)
            for side in (-1.0, 1.0):
                inner, outer = (x + side * away * self.scale for away in LINE_TICK_PX)
                yield Stroke(np.array([(y, inner), (y, outer)]), TIP)

    def words(self, name: str, points: Sequence[Landmark]) -> Iterator[Label]:
        """What a landmark is, and how sure where it was proposed."""
        if name == AIRWAY:
            return
        point = max(points, key=lambda one: one.column)
        word = name if name in ("tip", CARINA) else WORDS[name]
        if point.source is Source.PROPOSED:
            word = f"{word}, proposed ({point.confidence:.0%})"
        elif len(points) < POINTS[name][0]:
            word = f"{word}: other side?"
        y, x = self.beside(point, 1)
        lower = {"tip": -ABOVE_PX, CARINA: BELOW_PX}.get(name, 0.0) * self.scale
        yield Label((y + lower, x), word, _colour(name))

    def corners(self, points: Iterable[Landmark]) -> Iterator[Stroke]:
        """Four corners round what is selected."""
        out, length = CORNER_PX * self.scale, CORNER_LENGTH_PX * self.scale
        for point in points:
            y, x = self.place(point.row, point.column)
            for down in (-1, 1):
                for across in (-1, 1):
                    corner = (y + down * out, x + across * out)
                    ends = (
                        (corner[0] - down * length, corner[1]),
                        corner,
                        (corner[0], corner[1] - across * length),
                    )
                    yield Stroke(np.array(ends), INK)

    def compared(self, marking: Marking, other: Landmarks) -> Iterator[Stroke]:
        """Somebody else's tip and carina, each with a dashed line to the own point."""
        for name in (TIP_NAME, CARINA):
            for point in points_of(other, name):
                yield self._diamond(point)
                here = self.place(point.row, point.column)
                for own in marking.points(name):
                    yield Stroke(np.array([here, self.place(own.row, own.column)]), INK, dashed=True)

    def _diamond(self, point: Landmark) -> Stroke:
        y, x = self.place(point.row, point.column)
        out = 1.2 * CROSS_PX * self.scale
        return Stroke(np.array([(y - out, x), (y, x + out), (y + out, x), (y, x - out), (y - out, x)]), INK)

    def ruler(self, ruler: Ruler) -> Iterator[Stroke]:
        """The airway with a tick each centimetre; from afar the ticks alone."""
        if not self.far:
            heights = np.linspace(0.0, RULER_CM, 4 * RULER_CM + 1)
            yield Stroke(np.array([self.place(*ruler.at(height)) for height in heights]), INK, faint=True)
        tick = TICK_PX * self.sign
        for height in range(0, RULER_CM + 1, 2 if self.far else 1):
            y, x = self.place(*ruler.at(height))
            yield Stroke(np.array([(y, x - tick), (y, x + tick)]), INK, faint=self.far)

    def numbers(self, ruler: Ruler, rough: bool) -> Iterator[Label]:
        """Every second centimetre, and the unit at the top; of a rough scale each says so."""
        about, how = ("~", ", rough") if rough else ("", "")
        roomy = math.dist(self.place(*ruler.at(1.0)), self.place(*ruler.at(0.0))) >= NUMBERS_FROM_PX * self.scale
        for height in range(2, RULER_CM + 1, 2) if roomy else (RULER_CM,):
            y, x = self.place(*ruler.at(height))
            word = f"{about}{height}" + (f" cm{how}" if height == RULER_CM else "")
            yield Label((y, x - 2.0 * TICK_PX * self.scale), word, INK, aside=-1)

    def tape(self, tape: Tape) -> Iterator[Stroke]:
        """A ruler laid by hand: its scale with ticks on one side, and the squares by which it is held."""
        yield Stroke(tape.curve, INK)
        heights = np.arange(0.0, tape.heights_cm[-1] + 1e-6, 0.5 if self._roomy(tape) else 1.0)
        for number, (at, aside) in enumerate(zip(tape.at(heights), tape.aside(heights), strict=True)):
            whole = heights[number] % 1.0 == 0.0
            length = (TAPE_TICK_PX if whole else 0.5 * TAPE_TICK_PX) * self.scale
            yield Stroke(np.array([at, at + length * aside]), INK)
        for grip in tape.grips(self.scale):
            yield self._square(grip, GRIP_HALF_PX * self.scale, INK)

    def tape_numbers(self, tape: Tape) -> Iterator[Label]:
        """Its whole centimetres, every second where they stand close."""
        last = int(tape.heights_cm[-1] + 1e-6)
        heights = np.arange(0, last + 1, 1 if self._roomy(tape) else 2, dtype=float)
        places = tape.at(heights) + 1.6 * TAPE_TICK_PX * self.scale * tape.aside(heights)
        for height, (y, x) in zip(heights, places, strict=True):
            yield Label((y, x), f"{height:.0f} cm" if height == heights[-1] else f"{height:.0f}", INK)

    def _roomy(self, tape: Tape) -> bool:
        return tape.cm_px >= NUMBERS_FROM_PX * self.scale

    def band(self, ruler: Ruler, accepted: AcceptedRange) -> Places:
        """The accepted zone's outline: up its left side, down its right."""
        zone = accepted_zone(ruler, accepted, self.aspect)
        return np.asarray(np.vstack([zone.left, zone.right[::-1]]) * (self.aspect, 1.0))

    def brackets(self, ruler: Ruler, accepted: AcceptedRange) -> Iterator[Stroke]:
        """The accepted zone's edges."""
        zone = accepted_zone(ruler, accepted, self.aspect)
        hook = (zone.middle - zone.left) / 2.0
        for side, inwards in ((zone.left, hook), (zone.right, -hook)):
            line = np.vstack([side[:1] + inwards[:1], side, side[-1:] + inwards[-1:]])
            yield Stroke(line * (self.aspect, 1.0), ZONE, Weight.THICK)

    def _tip(self, tip: Landmark) -> Iterator[Stroke]:
        radius = RING_PX * self.sign
        y, x = self.place(tip.row, tip.column)
        yield Stroke(self._ring(tip, radius, radius), TIP, Weight.THICK, _dashed(tip))
        for side in (-1, 1):
            yield Stroke(np.array([(y, x + side * radius), (y, x + side * 2.2 * radius)]), TIP, Weight.THICK)

    def _carina(self, carina: Landmark) -> Iterator[Stroke]:
        y, x = self.place(carina.row, carina.column)
        down, across = FORK_PX[0] * self.sign, FORK_PX[1] * self.sign
        for side in (-1, 1):
            leg = np.array([(y, x), (y + down, x + side * across)])
            yield Stroke(leg, CARINA_COLOUR, Weight.THICK, _dashed(carina))

    def _path(self, points: Sequence[Landmark]) -> Iterator[Stroke]:
        places = np.array([self.place(point.row, point.column) for point in points])
        if len(points) > 1:
            yield Stroke(places, PATH, Weight.THIN, _dashed(points[0]))
        half = CROSS_PX / 2.0 * self.scale
        for y, x in places:
            yield self._square((y, x), half, PATH)

    def _square(self, at: Place, half: float, colour: Colour) -> Stroke:
        corners = np.array([(-1, -1), (-1, 1), (1, 1), (1, -1), (-1, -1)], float)
        return Stroke(np.add(at, half * corners), colour)

    def _other(self, points: Sequence[Landmark]) -> Iterator[Stroke]:
        arm = CROSS_PX * self.scale
        places = [self.place(point.row, point.column) for point in points]
        if len(places) > 1:
            yield Stroke(np.array(places), OTHER)
        for y, x in places:
            yield Stroke(np.array([(y - arm, x), (y + arm, x)]), OTHER, Weight.THICK)
            yield Stroke(np.array([(y, x - arm), (y, x + arm)]), OTHER, Weight.THICK)

    def _ring(self, centre: Landmark, down: float, across: float) -> Places:
        y, x = self.place(centre.row, centre.column)
        turn = np.linspace(0.0, 2.0 * math.pi, ARC_POINTS)
        return np.column_stack([y + down * np.sin(turn), x + across * np.cos(turn)])


def _colour(name: str) -> Colour:
    return {"tip": TIP, CARINA: CARINA_COLOUR, AIRWAY: PATH}.get(name, OTHER)


def _dashed(point: Landmark) -> bool:
    return point.source is Source.PROPOSED


def nearest(marking: Marking, at: Place, reach: float, chosen: str = "") -> tuple[str, int] | None:
    """The point that the mouse means: name and index of the nearest within `reach` film pixels.

    Tip and carina win over everything; another landmark can be meant only where it was chosen.
    """
    for names in ((TIP_NAME, CARINA), (chosen,) if chosen else ()):
        if found := _nearest_of(marking, names, at, reach):
            return found
    return None


def _nearest_of(marking: Marking, names: Iterable[str], at: Place, reach: float) -> tuple[str, int] | None:
    aspect = marking.film.pixel_aspect
    away = {
        (name, index): math.hypot(point.row * aspect - at[0], point.column - at[1])
        for name in names
        for index, point in enumerate(marking.points(name))
    }
    found = min(away, key=away.__getitem__, default=None)
    return found if found is not None and away[found] <= reach else None
