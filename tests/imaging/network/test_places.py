"""Where most probability lies together, on maps drawn by hand."""

from __future__ import annotations

import numpy as np
import pytest

from imaging.network.places import find_peak, mean_share, shares

CELL_MM = 2.5


def blob(row: float, column: float, sd: float = 1.0) -> np.ndarray:
    """Probability of each of 60 x 60 cells round a place."""
    rows, columns = np.indices((60, 60))
    spread = np.exp(-0.5 * ((rows - row) ** 2 + (columns - column) ** 2) / sd**2)
    return (spread / spread.sum()).astype(np.float32)


def test_the_place_is_the_middle_of_the_likeliest_blob_and_the_other_one_is_told():
    peak = find_peak(0.7 * blob(20.0, 30.3) + 0.3 * blob(40.0, 12.0), 1.0 / CELL_MM, 1)
    assert peak.place.tolist() == pytest.approx([30.3, 20.0], abs=0.3)
    assert peak.mass == pytest.approx(0.7, abs=0.01)
    assert peak.elsewhere == pytest.approx(0.3, abs=0.01)
    assert peak.other.tolist() == pytest.approx([12.0, 40.0], abs=1.0)


def test_input_pixels_are_counted_from_the_middle_of_the_first():
    assert find_peak(blob(20.0, 30.0), 4.0 / CELL_MM, 4).place.tolist() == pytest.approx([121.5, 81.5], abs=0.1)


def test_a_wide_blob_says_so():
    narrow, wide = (find_peak(blob(30.0, 30.0, sd), 1.0 / CELL_MM, 1) for sd in (1.0, 3.0))
    assert narrow.spread_mm == pytest.approx(CELL_MM, rel=0.1)
    assert wide.mass < narrow.mass
    assert wide.spread_mm > 1.5 * narrow.spread_mm


def test_shares_of_one_look_and_of_several_sum_to_one():
    logits = np.random.default_rng(0).normal(0.0, 5.0, (2, 20, 20)).astype(np.float32)
    assert shares(logits[0]).sum() == pytest.approx(1.0, abs=1e-5)
    together = mean_share(list(logits))
    assert together == pytest.approx((shares(logits[0]) + shares(logits[1])) / 2.0, abs=1e-7)
