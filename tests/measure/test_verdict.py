import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from measure.accepted_range import GOODMAN, OTHER_PUBLISHED
from measure.estimate import Estimate
from measure.patient import Patient
from measure.posture import NeckPosture, Part, given_posture, shifts_from_neutral
from measure.verdict import Place, Verdict, judge

NEUTRAL = GOODMAN[NeckPosture.NEUTRAL]
STILL = (Part(1.0, Estimate(0.0)),)


def at(height_cm, sd_cm, accepted=NEUTRAL, shifts=STILL):
    height = Estimate(height_cm, sd_cm)
    return Place(height, height, shifts, accepted, 1.0)


@pytest.mark.parametrize(
    ("height_cm", "sd_cm", "verdict"),
    [
        (5.0, 0.3, Verdict.WITHIN_RANGE),
        (2.0, 0.3, Verdict.TOO_LOW),
        (0.2, 0.3, Verdict.TOO_LOW),
        (0.1, 0.3, Verdict.TOO_LOW),
        (-0.01, 0.3, Verdict.IN_A_MAIN_BRONCHUS),
        (-1.0, 0.3, Verdict.IN_A_MAIN_BRONCHUS),
        (-0.5, 0.85, Verdict.IN_A_MAIN_BRONCHUS),
        (8.0, 0.3, Verdict.TOO_HIGH),
        (3.2, 0.3, Verdict.NEAR_A_LIMIT),
        (6.8, 0.3, Verdict.NEAR_A_LIMIT),
        (5.0, 1.5, Verdict.NEAR_A_LIMIT),
    ],
)
def test_verdict_by_height_and_interval(height_cm, sd_cm, verdict):
    """Limits 3 and 7 cm: Goodman 1976, neck neutral."""
    assert judge(at(height_cm, sd_cm)).verdict is verdict


def test_an_open_limit_is_named_with_the_probability_of_each_side():
    judgement = judge(at(3.2, 0.3))
    (limit,) = judgement.open_limits
    assert (limit.name, limit.at_cm) == ("lower limit", 3.0)
    assert limit.probability_below == pytest.approx(stats.norm.cdf(3.0, 3.2, 0.3))


def test_a_wide_interval_leaves_both_limits_open():
    names = [limit.name for limit in judge(at(5.0, 1.5)).open_limits]
    assert names == ["lower limit", "upper limit"]


def test_a_range_without_an_upper_limit_is_never_too_high():
    assert judge(at(30.0, 0.3, OTHER_PUBLISHED["prehospital"])).verdict is Verdict.WITHIN_RANGE


@given(st.floats(-8.0, 14.0), st.floats(0.0, 4.0), st.sampled_from([*GOODMAN.values(), *OTHER_PUBLISHED.values()]))
def test_probabilities_add_up_and_a_sure_verdict_is_the_likeliest_zone(height_cm, sd_cm, accepted):
    judgement = judge(at(height_cm, sd_cm, accepted))
    zones = judgement.chances
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


UNKNOWN = shifts_from_neutral(given_posture(NeckPosture.UNKNOWN), Patient(60.0))


@given(st.floats(-4.0, 12.0), st.floats(0.05, 1.5))
def test_the_neck_has_no_part_in_where_the_tip_is_now(height_cm, sd_cm):
    still, unknown = judge(at(height_cm, sd_cm)).chances, judge(at(height_cm, sd_cm, shifts=UNKNOWN)).chances
    assert still.in_a_main_bronchus == unknown.in_a_main_bronchus
    assert still.near_carina == unknown.near_carina


def test_an_unknown_neck_lowers_the_chance_of_a_tip_in_the_middle_only_a_little():
    """It held such a tip for near a limit; now it is probably within range."""
    unknown = judge(at(5.0, 0.5, shifts=UNKNOWN))
    assert unknown.verdict is Verdict.NEAR_A_LIMIT
    assert unknown.chances.likeliest is Verdict.WITHIN_RANGE
    assert 0.9 < unknown.chances.within_range < judge(at(5.0, 0.5)).chances.within_range


def test_a_newborns_levels_leave_the_carinas_error_out():
    """What moves the limits and the height alike cancels: only the held height is asked about the range."""
    place = Place(Estimate(2.0, 1.0), Estimate(2.0, 0.05), STILL, NEUTRAL, 1.0)
    shifted = Place(Estimate(4.0, 1.0), Estimate(4.0, 0.05), STILL, NEUTRAL, 1.0)
    assert judge(place).chances.within_range < 0.01
    assert judge(shifted).verdict is Verdict.WITHIN_RANGE
