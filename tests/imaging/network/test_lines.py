"""Lines followed on maps that were drawn by hand."""

from __future__ import annotations

import numpy as np
import pytest

from imaging.network.lines import Grid, follow, length_px, mean_seen, strongest

GRID = Grid(left=100.0, top=50.0, cell_px=5.0)


def band(first: int, last: int, column: float = 20.0, slope: float = 0.0) -> np.ndarray:
    """A line one cell wide from row `first` to row `last` of 60."""
    rows, columns = np.indices((60, 40))
    line = np.abs(columns - column - slope * rows) < 0.8
    return (line & (rows >= first) & (rows <= last)).astype(np.float32)


def test_cells_and_film_are_one_another_s_inverse():
    assert GRID.inward(*GRID.outward(3.0, 7.0)) == pytest.approx((3.0, 7.0))
    assert GRID.outward(0.0, 0.0) == (102.0, 52.0)


def test_a_line_is_followed_up_to_its_end():
    line = follow(band(10, 40), GRID, GRID.outward(20.0, 40.0), -1, 0.0)
    assert len(line) == 31
    assert length_px(line) == 150.0
    assert line[0] == pytest.approx(GRID.outward(20.0, 40.0))


def test_a_slanted_line_is_followed_aside():
    line = follow(band(0, 59, column=5.0, slope=0.5), GRID, GRID.outward(25.0, 40.0), -1, 0.0)
    assert line[-1][0] == pytest.approx(GRID.outward(5.0, 0.0)[0], abs=5.0)


@pytest.mark.parametrize(("gap_px", "rows"), [(10.0, 11), (40.0, 36)])
def test_a_gap_is_bridged_where_it_is_no_longer_than_an_eye(gap_px, rows):
    interrupted = band(0, 59)
    interrupted[25:30] = 0.0
    assert len(follow(interrupted, GRID, GRID.outward(20.0, 40.0), -1, gap_px)) == rows


def test_nothing_is_followed_where_nothing_is_seen():
    assert follow(band(10, 40), GRID, GRID.outward(5.0, 40.0), -1, 10.0) == ()
    assert length_px(()) == 0.0


def test_the_strongest_cell_near_a_place_counts():
    shown = band(10, 40)
    assert strongest(shown, GRID, GRID.outward(22.0, 20.0), 15.0) == 1.0
    assert strongest(shown, GRID, GRID.outward(30.0, 20.0), 15.0) == 0.0


def test_what_several_looks_say_is_averaged_before_it_becomes_a_share():
    looks = [np.array([[0.0, 60.0, -1.0]], np.float32), np.array([[0.0, 40.0, 1.0]], np.float32)]
    assert mean_seen(looks).tolist() == [[0.5, 1.0, 0.5]]
