import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from measure.errors import MeasureError
from measure.estimate import Z95, Estimate, uniform

values = st.floats(-50.0, 50.0)
spreads = st.floats(0.01, 5.0)


def test_interval_is_the_normal_95_percent():
    assert pytest.approx(stats.norm.ppf(0.975)) == Z95
    low, high = stats.norm.interval(0.95, 3.0, 0.7)
    estimate = Estimate(3.0, 0.7)
    assert (estimate.low, estimate.high) == pytest.approx((low, high))


@given(values, spreads, values, spreads)
def test_probability_below_agrees_with_scipy(value, sd, limit, limit_sd):
    expected = stats.norm.cdf(limit, value, np.hypot(sd, limit_sd))
    assert Estimate(value, sd).probability_below(Estimate(limit, limit_sd)) == pytest.approx(expected, abs=1e-12)


def test_probability_without_spread_is_a_step():
    assert Estimate(1.0).probability_below(Estimate(2.0)) == 1.0
    assert Estimate(2.0).probability_below(Estimate(1.0)) == 0.0


@pytest.mark.parametrize("combine", ["plus", "minus", "times", "over"])
def test_first_order_rules_agree_with_monte_carlo(combine):
    random = np.random.default_rng(5)
    a, b = Estimate(4.2, 0.21), Estimate(1.2, 0.05)
    draws_a, draws_b = random.normal(a.value, a.sd, 400_000), random.normal(b.value, b.sd, 400_000)
    drawn = {
        "plus": draws_a + draws_b,
        "minus": draws_a - draws_b,
        "times": draws_a * draws_b,
        "over": draws_a / draws_b,
    }[combine]
    combined = getattr(a, combine)(b)
    assert combined.value == pytest.approx(drawn.mean(), rel=0.005)
    assert combined.sd == pytest.approx(drawn.std(), rel=0.02)


def test_uniform_has_the_moments_of_a_uniform_distribution():
    reference = stats.uniform(1.03, 0.24)
    assert uniform(1.03, 1.27).value == pytest.approx(reference.mean())
    assert uniform(1.03, 1.27).sd == pytest.approx(reference.std())


@pytest.mark.parametrize(("value", "sd"), [(math.nan, 0.0), (1.0, -0.1), (1.0, math.nan)])
def test_what_is_no_estimate_is_refused_at_birth(value, sd):
    with pytest.raises(MeasureError, match="estimate"):
        Estimate(value, sd)
