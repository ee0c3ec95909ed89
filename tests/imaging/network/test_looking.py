"""What is made of the networks' maps and the picture together, on pictures drawn by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from imaging.network.lines import Grid
from imaging.network.looking import Sight, Spot, at_line_end

GRID = Grid(left=0.0, top=0.0, cell_px=0.5)
PX_PER_MM = 1.6
END_Y, TIP_Y, TUBE_X = 200.0, 212.0, 160.0
"""Where the line ends, and where the networks' tip lies, in film pixels."""


@pytest.fixture
def view() -> np.ndarray:
    """A straight line 1.5 mm wide in grain."""
    rows, columns = np.indices((640, 640)) * GRID.cell_px
    line = 0.1 * np.exp(-0.5 * ((columns - TUBE_X) / PX_PER_MM / 0.65) ** 2) * (rows <= END_Y)
    return (0.5 + line + np.random.default_rng(2).normal(0.0, 0.01, line.shape)).astype(np.float32)


def spot(x: float, y: float) -> Spot:
    return Spot(x, y, 0.9, 0.0, 3.0, 1.0, 1.0, (0.0, 0.0))


@pytest.fixture
def sight() -> Sight:
    tube = tuple((TUBE_X, float(y)) for y in np.arange(TIP_Y, TIP_Y - 130.0, -2.5))
    return Sight(
        tip=spot(TUBE_X, TIP_Y), carina=spot(165.0, 300.0), unusual=0.0, tube_far=3.0, tube_near=3.0,
        tracheostomy=-3.0, airway=(), tube_line=tube, gullet_at_tip=0.0, below_mm=0.0, line_mm=80.0,
    )  # fmt: skip


def test_the_tip_is_put_at_its_lines_end_and_the_tubes_line_ends_there_too(sight, view):
    moved = at_line_end(sight, view, GRID, PX_PER_MM)
    assert (moved.tip.x, moved.tip.y) == pytest.approx((TUBE_X, END_Y), abs=1.5)
    assert moved.line_end_mm == pytest.approx((TIP_Y - END_Y) / PX_PER_MM, abs=1.0)
    assert max(y for _, y in moved.tube_line) <= moved.tip.y
    assert moved.line_mm == pytest.approx(72.5, abs=2.5)


def test_a_tip_is_never_lifted_from_below_the_carina(sight, view):
    between = replace(sight, carina=spot(165.0, (END_Y + TIP_Y) / 2.0))
    assert at_line_end(between, view, GRID, PX_PER_MM) == between
    above = replace(sight, carina=spot(165.0, END_Y - 10.0))
    assert at_line_end(above, view, GRID, PX_PER_MM).line_end_mm > 0.0


def test_without_a_plain_line_nothing_moves(sight, view):
    assert at_line_end(sight, np.full_like(view, 0.5), GRID, PX_PER_MM) == sight
