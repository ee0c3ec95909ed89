"""A line's end measured on pictures drawn by hand: how far off it is, and when it is not believed."""

from __future__ import annotations

import math

import numpy as np
import pytest

from imaging.network.line_end import LineEnd, find_line_end
from imaging.network.lines import Grid, Line

PX_PER_MM = 1.6
GRID = Grid(left=40.0, top=30.0, cell_px=2.0 / 3.0)
SIDE = 640
END_Y, TUBE_X, LEAN = 300.0, 260.0, 0.12
"""The line's end and the tube's middle there, in film pixels, and how much the tube leans."""


def tube_x(y: float) -> float:
    return TUBE_X + LEAN * (y - END_Y)


def drawn(height: float = 0.08, aside_mm: float = 3.0, piece: tuple[float, float] | None = None) -> np.ndarray:
    """A grainy view with a line 1.5 mm wide that ends at `END_Y`; a piece may go on so many mm below."""
    rng = np.random.default_rng(4)
    rows, columns = np.indices((SIDE, SIDE))
    x, y = GRID.outward(columns, rows)
    away_mm = (x - TUBE_X - LEAN * (y - END_Y)) / PX_PER_MM - aside_mm
    below_mm = (y - END_Y) / PX_PER_MM
    shown = below_mm <= 0.0
    if piece is not None:
        shown |= (below_mm >= piece[0]) & (below_mm <= piece[1])
    line = height * np.exp(-0.5 * (away_mm / 0.65) ** 2) * shown
    return (0.5 + line + rng.normal(0.0, 0.01, line.shape)).astype(np.float32)


def found(view: np.ndarray, below_mm: float) -> LineEnd | None:
    """What is found where the networks' tip lies so far below the end."""
    y = END_Y + below_mm * PX_PER_MM
    line: Line = tuple((tube_x(at), at) for at in np.arange(y, y - 110.0, -2.5))
    return find_line_end(view, GRID, line, (tube_x(y), y), PX_PER_MM)


@pytest.mark.parametrize("below_mm", [-3.0, 0.0, 4.0, 9.0])
def test_a_plain_line_ends_where_it_was_drawn(below_mm):
    end = found(drawn(), below_mm)
    away_mm = math.hypot(end.x - TUBE_X - 3.0 * PX_PER_MM, end.y - END_Y) / PX_PER_MM
    assert away_mm < 1.2
    assert end.above_mm == pytest.approx(below_mm, abs=1.0)
    assert end.believed


@pytest.mark.parametrize(("below_mm", "aside_mm"), [(16.0, 3.0), (8.5, 7.0)])
def test_a_far_end_leaves_the_tip_to_the_networks(below_mm, aside_mm):
    end = found(drawn(aside_mm=aside_mm), below_mm)
    assert end.above_mm == pytest.approx(below_mm, abs=1.0)
    assert end.away_mm == pytest.approx(math.hypot(below_mm, aside_mm), abs=1.5)
    assert not end.believed


def test_a_piece_beyond_an_eye_leaves_the_tip_to_the_networks():
    end = found(drawn(piece=(4.5, 9.0)), 9.0)
    assert end.piece > 0.85
    assert not end.believed


def test_a_faint_line_leaves_the_tip_to_the_networks():
    assert not found(drawn(height=0.03), 4.0).believed


def test_a_line_that_goes_on_below_the_tip_is_another_one():
    end = found(drawn(), -9.0)
    assert end.above_mm == pytest.approx(-9.0, abs=1.0)
    assert not end.believed


def test_too_short_a_line_is_not_followed():
    assert find_line_end(drawn(), GRID, (), (TUBE_X, END_Y), PX_PER_MM) is None
    short: Line = tuple((tube_x(y), y) for y in np.arange(END_Y, END_Y - 40.0, -1.0))
    assert find_line_end(drawn(), GRID, short, (TUBE_X, END_Y), PX_PER_MM) is None
