import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from measure.accepted_range import GOODMAN
from measure.adjustment import CUFF_BELOW_CORDS_CM, STEP_CM, Action, highest_tip_cm, leave, move
from measure.estimate import Estimate
from measure.posture import NeckPosture

NEUTRAL = GOODMAN[NeckPosture.NEUTRAL]
FACTOR = Estimate(1.08, 0.03)
ONE_TO_ONE = Estimate(1.0)


def test_a_low_tube_is_withdrawn_and_the_mark_at_the_lip_falls():
    adjusted = move(Estimate(1.0, 0.2), NEUTRAL, ONE_TO_ONE, 24.0, None)
    assert (adjusted.action, adjusted.by_cm) == (Action.WITHDRAW, 4.0)
    assert (adjusted.from_mark_cm, adjusted.to_mark_cm) == (24.0, 20.0)
    assert adjusted.lands_on_film_cm.value == pytest.approx(5.0)


def test_a_high_tube_is_advanced_under_direct_vision():
    adjusted = move(Estimate(8.0, 0.2), NEUTRAL, ONE_TO_ONE, 20.0, None)
    assert (adjusted.action, adjusted.by_cm, adjusted.to_mark_cm) == (Action.ADVANCE, 3.0, 23.0)
    assert any("direct vision" in limit for limit in adjusted.limits)


def test_a_move_over_four_centimetres_asks_for_direct_vision():
    small = move(Estimate(1.0), NEUTRAL, ONE_TO_ONE, None, None)
    large = move(Estimate(0.9), NEUTRAL, ONE_TO_ONE, None, None)
    assert not any("direct vision" in limit for limit in small.limits)
    assert any("direct vision" in limit for limit in large.limits)


def test_a_film_centimetre_is_less_in_the_patient():
    assert move(Estimate(0.0), NEUTRAL, Estimate(1.25), None, None).by_cm == 4.0


@pytest.mark.parametrize(("height_cm", "by_cm"), [(1.2, 4.0), (1.4, 4.0), (1.5, 3.5)])
def test_withdrawing_is_rounded_up_away_from_the_carina(height_cm, by_cm):
    assert move(Estimate(height_cm), NEUTRAL, ONE_TO_ONE, None, None).by_cm == by_cm


@pytest.mark.parametrize(("height_cm", "by_cm"), [(8.2, 3.0), (8.4, 3.0), (8.5, 3.5)])
def test_advancing_is_rounded_down_away_from_the_carina(height_cm, by_cm):
    assert move(Estimate(height_cm), NEUTRAL, ONE_TO_ONE, None, None).by_cm == by_cm


def test_the_cuff_limits_the_target_and_turns_the_rounding():
    """Cords 11.6 cm (women, J Med Assoc Thai 2005), cuff's upper edge 6.1 cm: the tip may lie 4 cm up."""
    highest = highest_tip_cm(Estimate(11.6, 1.3), Estimate(6.1, 0.5))
    assert highest.value == pytest.approx(11.6 - 6.1 - CUFF_BELOW_CORDS_CM)
    adjusted = move(Estimate(1.3), NEUTRAL, ONE_TO_ONE, 22.0, highest)
    assert adjusted.target_on_film_cm == pytest.approx(4.0)
    assert adjusted.by_cm == 2.5
    assert any("cords" in limit for limit in adjusted.limits)


def test_a_cuff_that_fits_nowhere_aims_at_the_lower_limit_and_says_so():
    adjusted = move(Estimate(0.5), NEUTRAL, ONE_TO_ONE, 22.0, Estimate(2.0, 1.0))
    assert adjusted.target_on_film_cm == 3.0
    assert adjusted.lands_on_film_cm.value >= 3.0
    assert any("another tube" in limit for limit in adjusted.limits)


def test_a_mark_that_no_tube_has_is_not_given():
    adjusted = move(Estimate(-3.0), NEUTRAL, ONE_TO_ONE, 6.0, None)
    assert adjusted.to_mark_cm is None
    assert any("check the present mark" in limit for limit in adjusted.limits)


def test_leaving_keeps_the_mark():
    left = leave(Estimate(5.0, 0.2), NEUTRAL, 22.5)
    assert (left.action, left.by_cm, left.from_mark_cm, left.to_mark_cm) == (Action.LEAVE, 0.0, 22.5, 22.5)


outside = st.one_of(st.floats(-4.0, 2.9), st.floats(7.1, 12.0))
factors = st.floats(0.95, 1.3)


@given(outside, factors, st.one_of(st.none(), st.floats(1.0, 9.0)))
def test_moving_then_measuring_again_lands_in_range(height_cm, factor, highest_cm):
    highest = None if highest_cm is None else Estimate(highest_cm, 1.0)
    adjusted = move(Estimate(height_cm), NEUTRAL, Estimate(factor), 25.0, highest)
    assert NEUTRAL.low_cm.value - 1e-6 <= adjusted.lands_on_film_cm.value <= NEUTRAL.high_cm.value + 1e-6
    assert adjusted.by_cm % STEP_CM == 0.0


@given(st.floats(-4.0, 1.8), factors)
def test_a_tip_one_centimetre_higher_is_withdrawn_one_centimetre_less(height_cm, factor):
    higher = height_cm + factor
    assume(higher < 2.9)
    first, second = (move(Estimate(h), NEUTRAL, Estimate(factor), None, None) for h in (height_cm, higher))
    assert first.by_cm - second.by_cm == pytest.approx(1.0, abs=1e-9)
