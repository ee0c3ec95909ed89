"""The part of a film round trachea and carina, where a closer look is worth it."""

from __future__ import annotations

from dataclasses import dataclass

from imaging.film import Film
from measure.landmarks import Landmarks

HEIGHT_MM = 170.0
"""Of the part on the film where the spacing is known; ours: the trachea and two vertebrae more each way."""

HEIGHT_SHARE = 0.45
"""Of the part as a share of the film where the spacing is not known (ours)."""


@dataclass(frozen=True, slots=True)
class CloseUp:
    """A square part of the film: its middle, and its height in rows."""

    middle_row: float
    middle_column: float
    height: float


def close_up(film: Film, landmarks: Landmarks) -> CloseUp:
    """The part round tip and carina, or the film's middle where neither is marked."""
    marks = [mark for mark in (landmarks.tip, landmarks.carina) if mark is not None]
    rows, columns = film.shape
    height = HEIGHT_SHARE * rows if film.spacing is None else HEIGHT_MM / film.spacing.row_mm
    if not marks:
        return CloseUp(rows / 2.0, columns / 2.0, height)
    row = sum(mark.row for mark in marks) / len(marks)
    return CloseUp(row, sum(mark.column for mark in marks) / len(marks), height)
