import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from measure.accepted_range import GOODMAN, OTHER_PUBLISHED
from measure.estimate import Estimate
from measure.posture import NeckPosture
from measure.verdict import Verdict, judge

NEUTRAL = GOODMAN[NeckPosture.NEUTRAL]


@pytest.mark.parametrize(
    ("height_cm", "sd_cm", "verdict"),
    [
        (5.0, 0.3, Verdict.WITHIN_RANGE),
        (2.0, 0.3, Verdict.TOO_LOW),
        (0.2, 0.3, Verdict.TOO_LOW),
        (0.0, 0.3, Verdict.TOO_LOW),
        (-1.0, 0.3, Verdict.IN_A_MAIN_BRONCHUS),
        (8.0, 0.3, Verdict.TOO_HIGH),
        (3.2, 0.3, Verdict.NEAR_A_LIMIT),
        (6.8, 0.3, Verdict.NEAR_A_LIMIT),
        (5.0, 1.5, Verdict.NEAR_A_LIMIT),
    ],
)
def test_verdict_by_height_and_interval(height_cm, sd_cm, verdict):
    """Limits 3 and 7 cm: Goodman 1976, neck neutral."""
    assert judge(Estimate(height_cm, sd_cm), NEUTRAL).verdict is verdict


def test_an_open_limit_is_named_with_the_probability_of_each_side():
    judgement = judge(Estimate(3.2, 0.3), NEUTRAL)
    (limit,) = judgement.open_limits
    assert (limit.name, limit.at_cm) == ("lower limit", 3.0)
    assert limit.probability_below == pytest.approx(stats.norm.cdf(3.0, 3.2, 0.3))


def test_a_wide_interval_leaves_both_limits_open():
    names = [limit.name for limit in judge(Estimate(5.0, 1.5), NEUTRAL).open_limits]
    assert names == ["lower limit", "upper limit"]


def test_a_range_without_an_upper_limit_is_never_too_high():
    assert judge(Estimate(30.0, 0.3), OTHER_PUBLISHED["prehospital"]).verdict is Verdict.WITHIN_RANGE


@given(st.floats(-8.0, 14.0), st.floats(0.0, 4.0), st.sampled_from([*GOODMAN.values(), *OTHER_PUBLISHED.values()]))
def test_probabilities_add_up_and_a_sure_verdict_is_the_likeliest_zone(height_cm, sd_cm, accepted):
    judgement = judge(Estimate(height_cm, sd_cm), accepted)
    zones = judgement.probabilities
    shares = {
        Verdict.IN_A_MAIN_BRONCHUS: zones.in_a_main_bronchus,
        Verdict.TOO_LOW: zones.too_low,
        Verdict.WITHIN_RANGE: zones.within_range,
        Verdict.TOO_HIGH: zones.too_high,
    }
    assert sum(shares.values()) == pytest.approx(1.0)
    assert min(shares.values()) >= -1e-12
    if judgement.verdict in (Verdict.WITHIN_RANGE, Verdict.TOO_HIGH, Verdict.IN_A_MAIN_BRONCHUS):
        assert max(shares, key=shares.__getitem__) is judgement.verdict
