import math

import pytest
from scipy import stats

from measure.errors import MeasureError
from measure.statistics.interval import Interval, two_sided_z, undefined


def test_an_undefined_statistic_has_no_numbers_but_a_reason():
    nothing = undefined("no films")
    assert not nothing.defined
    assert math.isnan(nothing.low)
    assert math.isnan(nothing.high)
    assert nothing.undefined == "no films"


def test_clipping_keeps_missing_ends_missing():
    clipped = Interval(1.2, math.nan, -0.1, "few").clipped(0.0, 1.0)
    assert (clipped.value, clipped.high, clipped.undefined) == (1.0, 0.0, "few")
    assert math.isnan(clipped.low)


def test_quantile_agrees_with_scipy():
    assert two_sided_z(0.9) == pytest.approx(stats.norm.ppf(0.95))


@pytest.mark.parametrize("confidence", [0.0, 1.0, 95.0, -0.1, math.nan])
def test_a_confidence_outside_0_to_1_is_refused(confidence):
    with pytest.raises(MeasureError, match="share between 0 and 1"):
        two_sided_z(confidence)
