"""Marks and pixels of a film that lies on its side or upside down, brought upright and back.

Turns are counter-clockwise quarters, as `numpy.rot90` counts them; a film of `shape` is what is turned.
"""

from __future__ import annotations

from dataclasses import fields, replace

from measure.landmarks import KnownObject, Landmark, Landmarks, SpineSeen
from measure.spacing import Spacing

Shape = tuple[int, int]


def turned_shape(shape: Shape, quarter_turns: int) -> Shape:
    """Rows and columns after the turns."""
    return (shape[1], shape[0]) if quarter_turns % 2 else shape


def turned_landmark(mark: Landmark, shape: Shape, quarter_turns: int) -> Landmark:
    """The same point on the turned film; its standard deviation is that of either axis."""
    row, column, there = mark.row, mark.column, shape
    for _ in range(quarter_turns % 4):
        row, column = there[1] - 1 - column, row
        there = turned_shape(there, 1)
    other = None if mark.other is None else turned_landmark(mark.other, shape, quarter_turns)
    return replace(mark, row=row, column=column, other=other)


def turned_landmarks(marks: Landmarks, shape: Shape, quarter_turns: int) -> Landmarks:
    """Every mark on the turned film."""

    def turned(held: object) -> object:
        match held:
            case Landmark():
                return turned_landmark(held, shape, quarter_turns)
            case KnownObject():
                return replace(held, start=turned(held.start), end=turned(held.end))  # type: ignore[arg-type]
            case SpineSeen():
                named = {
                    name: turned_landmark(mark, shape, quarter_turns) for name, mark in held.vertebrae.items()
                }
                return replace(held, vertebrae=named, mandible=turned(held.mandible))  # type: ignore[arg-type]
            case tuple():
                return tuple(map(turned, held))
            case _:
                return held

    named = {name: turned_landmark(mark, shape, quarter_turns) for name, mark in marks.vertebrae.items()}
    single = {item.name: turned(getattr(marks, item.name)) for item in fields(marks) if item.name != "vertebrae"}
    return Landmarks(**single, vertebrae=named)  # type: ignore[arg-type]


def turned_spacing(spacing: Spacing, quarter_turns: int) -> Spacing:
    """A pixel's size on the turned film: rows become columns by an odd number of quarters."""
    if quarter_turns % 2 == 0:
        return spacing
    return replace(spacing, row_mm=spacing.column_mm, column_mm=spacing.row_mm)


def turned_aspect(pixel_aspect: float, quarter_turns: int) -> float:
    """Row spacing over column spacing on the turned film."""
    return 1.0 / pixel_aspect if quarter_turns % 2 else pixel_aspect
