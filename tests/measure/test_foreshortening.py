import numpy as np
import pytest

from measure.foreshortening import CENTRAL_RAY_SD_MM, SOURCE_TO_DETECTOR_MM, foreshortening
from measure.magnification import View

SOURCE_TO_DETECTOR, SOURCE_TO_CARINA = 1150.0, 980.0


def pinhole_factor(view, lean_deg, carina_above_ray_mm, length_mm, source_to_detector=SOURCE_TO_DETECTOR):
    """Film length over magnified length, both ends projected from a point source; and the tip drawn."""
    lean = np.radians(lean_deg)
    nearer = np.sin(lean) * (1.0 if view is View.AP else -1.0)
    depths = np.array([SOURCE_TO_CARINA, SOURCE_TO_CARINA - nearer * length_mm])
    heights = carina_above_ray_mm + np.array([0.0, np.cos(lean) * length_mm])
    drawn = heights * source_to_detector / depths
    magnification = source_to_detector / SOURCE_TO_CARINA
    return (drawn[1] - drawn[0]) / (magnification * length_mm), drawn[1]


@pytest.mark.parametrize("view", [View.AP, View.PA])
@pytest.mark.parametrize("carina_above_ray_mm", [-40.0, 0.0, 60.0])
@pytest.mark.parametrize("length_mm", [10.0, 50.0, 90.0])
def test_factor_agrees_with_a_pinhole(view, carina_above_ray_mm, length_mm):
    """Mean lean of Zanella 2015, 20.6 degrees, at the typical source distance of the view."""
    distance = SOURCE_TO_DETECTOR_MM[view].value
    exact, tip_drawn_mm = pinhole_factor(view, 20.6, carina_above_ray_mm, length_mm, distance)
    second_order = 1.0 - np.radians(6.9) ** 2 / 2.0
    assert foreshortening(view, tip_drawn_mm).value == pytest.approx(exact * second_order, abs=0.002)


@pytest.mark.parametrize("view", [View.AP, View.PA])
def test_spread_agrees_with_monte_carlo(view):
    """Lean 20.6 +- 6.9 degrees (Zanella 2015); central ray and source distance as the tables say."""
    random = np.random.default_rng(8)
    draws = 300_000
    lean = np.radians(random.normal(20.6, 6.9, draws))
    distance = random.normal(SOURCE_TO_DETECTOR_MM[view].value, SOURCE_TO_DETECTOR_MM[view].sd, draws)
    slope = random.normal(80.0, CENTRAL_RAY_SD_MM, draws) / distance
    drawn = np.cos(lean) + (1.0 if view is View.AP else -1.0) * slope * np.sin(lean)
    factor = foreshortening(view, 80.0)
    assert factor.value == pytest.approx(drawn.mean(), abs=0.002)
    assert factor.sd == pytest.approx(drawn.std(), rel=0.05)


def test_unknown_view_covers_both():
    either = foreshortening(View.UNKNOWN, 100.0)
    for view in (View.AP, View.PA):
        assert either.low < foreshortening(view, 100.0).value < either.high


def test_without_a_place_only_the_lean_is_left():
    drawn = np.cos(np.radians(np.random.default_rng(2).normal(20.6, 6.9, 500_000)))
    assert foreshortening(View.AP, None).value == pytest.approx(drawn.mean(), abs=0.0005)
