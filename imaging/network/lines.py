"""Long lines followed on the networks' maps: from the tip up to the neck, and down to where they end."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Band = NDArray[np.float32]
Coordinates = TypeVar("Coordinates", float, NDArray[np.float64])
Line = tuple[tuple[float, float], ...]
"""Points (x, y)."""

_STEP_CELLS = 3.0
_SEEN = 0.3
"""A line is followed by at most so many cells sideways a row, while its map shows at least so much; ours."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Where the cells of a map lie on the film.

    Parameters
    ----------
    left, top : float
        The window's first column and row, in square film pixels.
    cell_px : float
        Side of a cell in square film pixels.
    """

    left: float
    top: float
    cell_px: float

    def inward(self, x: Coordinates, y: Coordinates) -> tuple[Coordinates, Coordinates]:
        """A place on the film, or many, in cells."""
        return (x - self.left + 0.5) / self.cell_px - 0.5, (y - self.top + 0.5) / self.cell_px - 0.5

    def outward(self, x: float, y: float) -> tuple[float, float]:
        """A place in cells, on the film."""
        return (x + 0.5) * self.cell_px - 0.5 + self.left, (y + 0.5) * self.cell_px - 0.5 + self.top


def mean_seen(looks: Sequence[Band]) -> Band:
    """What several looks' logits say on average: 0 to 1."""
    return np.asarray(1.0 / (1.0 + np.exp(-np.mean(looks, axis=0, dtype=np.float32))), np.float32)


def follow(band: Band, grid: Grid, start: tuple[float, float], step: int, gap_px: float) -> Line:
    """A line followed row by row from a place, as far as its map shows it; empty where it does not.

    Parameters
    ----------
    band : ndarray, shape (rows, columns)
        0 to 1.
    grid : Grid
    start : (x, y)
        On the film.
    step : int
        -1 goes up, 1 down.
    gap_px : float
        The line may begin so far from the place, and be missing for as long on its way: a bevel, an eye.
    """
    x, y = grid.inward(*start)
    row = math.floor(y)
    columns = np.arange(band.shape[1])
    line: list[tuple[float, float]] = []
    missing, most = 0.0, gap_px / grid.cell_px
    while 0 <= row < band.shape[0] and missing <= most:
        share = band[row] * (np.abs(columns - x) <= _STEP_CELLS)
        if share.max(initial=0.0) < _SEEN:
            missing += 1.0
        else:
            missing = 0.0
            x = float((share * columns).sum() / share.sum())
            line.append(grid.outward(x, row))
        row += step
    return tuple(line)


def length_px(line: Line) -> float:
    """Rows between a line's ends, in film pixels."""
    return abs(line[-1][1] - line[0][1]) if line else 0.0


def strongest(band: Band, grid: Grid, place: tuple[float, float], reach_px: float) -> float:
    """The most that a map shows within `reach_px` of a place."""
    x, y = grid.inward(*place)
    rows, columns = np.indices(band.shape)
    near = np.hypot(rows - y, columns - x) <= max(reach_px / grid.cell_px, 1.0)
    return float(band[near].max(initial=0.0))
