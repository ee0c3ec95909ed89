"""Tube geometry against the measured ranges of size 8 tubes (PubMed 7198412) and Monte Carlo."""

import math

import numpy as np
import pytest

from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.tube import Tube, cuff_upper_edge_from_tip_cm, outside_diameter_estimate_mm

DRAWS = 400_000


def _drawn_cuff_edge_mm(outside_mm: np.ndarray, size_mm: np.ndarray | float) -> np.ndarray:
    draws = np.random.default_rng(3)
    bevel = outside_mm / np.tan(np.radians(draws.uniform(39.0, 56.0, DRAWS)))
    gap, cuff = draws.uniform(15.4, 24.4, DRAWS), draws.uniform(29.7, 45.3, DRAWS)
    return bevel + (gap + cuff) * size_mm / 8.0


@pytest.mark.parametrize("size", [3.0, 6.0, 7.5, 8.0, 9.0])
def test_cuff_edge_from_size_against_monte_carlo(size: float) -> None:
    wall = np.random.default_rng(4).uniform(1.14, 2.37, DRAWS) * size / 8.0
    drawn = _drawn_cuff_edge_mm(size + 2.0 * wall, size)
    edge = cuff_upper_edge_from_tip_cm(Tube(size_mm=size))
    assert edge is not None
    assert edge.value == pytest.approx(drawn.mean() / 10.0, rel=0.002)
    assert edge.sd == pytest.approx(drawn.std() / 10.0, rel=0.01)


def test_cuff_edge_from_outside_diameter_alone_against_monte_carlo() -> None:
    draws = np.random.default_rng(5)
    outside = draws.normal(11.0, 0.1, DRAWS)
    size = outside / (1.0 + 2.0 * draws.uniform(1.14, 2.37, DRAWS) / 8.0)
    drawn = _drawn_cuff_edge_mm(outside, size)
    edge = cuff_upper_edge_from_tip_cm(Tube(outside_diameter_mm=11.0))
    assert edge is not None
    assert edge.value == pytest.approx(drawn.mean() / 10.0, rel=0.01)
    assert edge.sd == pytest.approx(drawn.std() / 10.0, rel=0.03)


def test_cuff_edge_worked_by_hand_between_the_extremes() -> None:
    """Shortest 10.28 / tan 56 + 15.4 + 29.7 = 52.0 mm, longest 12.74 / tan 39 + 24.4 + 45.3 = 85.4 mm."""
    edge = cuff_upper_edge_from_tip_cm(Tube(size_mm=8.0))
    assert edge is not None
    assert 5.20 < edge.low < edge.value < edge.high < 8.54


def test_the_users_own_cuff_edge_wins() -> None:
    own = Estimate(6.2, 0.1)
    assert cuff_upper_edge_from_tip_cm(Tube(8.0, 10.9, own)) == own


def test_nothing_known_gives_nothing() -> None:
    assert cuff_upper_edge_from_tip_cm(Tube()) is None
    assert outside_diameter_estimate_mm(Tube()) is None


def test_outside_diameter_from_size_8() -> None:
    """8 + 2 x 1.14 = 10.28 and 8 + 2 x 2.37 = 12.74 mm; makes differ by up to 2 mm (Ezri 2004)."""
    outside = outside_diameter_estimate_mm(Tube(size_mm=8.0))
    assert outside is not None
    assert outside.value == pytest.approx((10.28 + 12.74) / 2.0)
    assert outside.sd == pytest.approx((12.74 - 10.28) / math.sqrt(12.0))
    assert outside.high - outside.low > 2.0


def test_printed_outside_diameter_wins_over_size() -> None:
    outside = outside_diameter_estimate_mm(Tube(8.0, 10.9))
    assert outside is not None
    assert outside.value == 10.9
    assert outside.sd < 0.2


@pytest.mark.parametrize("size", [1.9, 11.1, -8.0, 0.0, 24.0, math.nan, math.inf])
def test_sizes_that_no_tube_has(size: float) -> None:
    with pytest.raises(MeasureError, match="tube size"):
        Tube(size_mm=size)


@pytest.mark.parametrize("size", [2.0, 11.0])
def test_smallest_and_largest_size(size: float) -> None:
    assert Tube(size_mm=size).size_mm == size


@pytest.mark.parametrize(("size", "outside"), [(8.0, 8.0), (8.0, 7.0), (8.0, 14.1), (3.0, 11.0)])
def test_contradictory_diameters(size: float, outside: float) -> None:
    with pytest.raises(MeasureError, match="outside diameter"):
        Tube(size, outside)


@pytest.mark.parametrize("edge_cm", [-1.0, 60.0])
def test_cuff_edge_in_another_unit(edge_cm: float) -> None:
    with pytest.raises(MeasureError, match="cuff"):
        Tube(8.0, None, Estimate(edge_cm))
