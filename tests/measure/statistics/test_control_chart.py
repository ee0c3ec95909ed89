import math

import numpy as np
import pytest

from measure.errors import MeasureError
from measure.statistics.control_chart import (
    WESTERN_ELECTRIC,
    RunRule,
    average_run_length,
    binomial_cusum,
    decision_limit,
    p_chart,
    run_signals,
)
from measure.statistics.rates import Count

# fmt: off
CANS = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]
"""Leaking cans in 30 samples of 50: Montgomery DC. Introduction to statistical quality control (from memory)."""
# fmt: on


@pytest.mark.outside
def test_p_chart_reproduces_montgomery_s_cans():
    """Published: centre 0.2313, limits 0.0524 and 0.4102, samples 15 and 23 beyond the upper limit."""
    chart = p_chart([Count(events, 50) for events in CANS])
    assert chart.centre == pytest.approx(0.2313, abs=5e-5)
    assert (chart.lower[0], chart.upper[0]) == pytest.approx((0.0524, 0.4102), abs=5e-5)
    beyond = [s.index + 1 for s in chart.signals if s.rule is RunRule.BEYOND_LIMIT]
    assert beyond == [15, 23]


def test_limits_follow_the_films_of_each_period():
    chart = p_chart([Count(10, 100), Count(1, 10), Count(100, 1000)])
    widths = np.subtract(chart.upper, chart.centre)
    assert widths[1] > widths[0] > widths[2]
    assert chart.lower[1] == 0.0


def test_a_baseline_keeps_what_comes_after_out_of_the_centre_line():
    before, after = [Count(20, 100)] * 8, [Count(5, 100)] * 8
    chart = p_chart(before + after, baseline=8)
    assert chart.centre == 0.2
    assert {s.index for s in chart.signals if s.rule is RunRule.BEYOND_LIMIT} == set(range(8, 16))
    assert not any(s.above for s in chart.signals)


def test_a_baseline_without_events_puts_every_event_beyond():
    chart = p_chart([Count(0, 50), Count(0, 50), Count(3, 50)], baseline=2)
    assert (chart.lower, chart.upper) == ((0.0,) * 3, (0.0,) * 3)
    assert [s.index for s in chart.signals if s.rule is RunRule.BEYOND_LIMIT] == [2]


@pytest.mark.parametrize(
    ("periods", "baseline"),
    [([], None), ([Count(1, 5)], 2), ([Count(1, 5)], 0), ([Count(1, 5), Count(0, 0)], None)],
)
def test_charts_that_cannot_be_drawn_are_refused(periods, baseline):
    with pytest.raises(MeasureError):
        p_chart(periods, baseline)


@pytest.mark.parametrize(
    ("rule", "scores", "fires_at"),
    [
        (RunRule.BEYOND_LIMIT, [0, 3.1, 0, -3.1], [1, 3]),
        (RunRule.BEYOND_LIMIT, [0, 3.0], []),
        (RunRule.TWO_OF_THREE, [2.1, 0, 2.1, 0], [2]),
        (RunRule.TWO_OF_THREE, [2.1, 0, 0, 2.1], []),
        (RunRule.TWO_OF_THREE, [2.1, -2.1, 0], []),
        (RunRule.FOUR_OF_FIVE, [1.1, 1.1, 0, 1.1, 1.1, 0], [4]),
        (RunRule.FOUR_OF_FIVE, [1.1, 1.1, 0, 0, 1.1, 1.1], []),
        (RunRule.EIGHT_ON_ONE_SIDE, [0.1] * 8, [7]),
        (RunRule.EIGHT_ON_ONE_SIDE, [0.1] * 7 + [-0.1], []),
        (RunRule.EIGHT_ON_ONE_SIDE, [-0.1] * 9, [7, 8]),
        (RunRule.SIX_RISING_OR_FALLING, [0, 0.1, 0.2, 0.3, 0.4, 0.5], [5]),
        (RunRule.SIX_RISING_OR_FALLING, [0, 0.1, 0.2, 0.3, 0.4, 0.4], []),
        (RunRule.SIX_RISING_OR_FALLING, [0, -0.1, -0.2, -0.3, -0.4, -0.5], [5]),
        (RunRule.BEYOND_LIMIT, [], []),
        (RunRule.SIX_RISING_OR_FALLING, [], []),
    ],
)
def test_each_rule_fires_at_the_last_point_of_its_pattern(rule, scores, fires_at):
    assert [signal.index for signal in run_signals(scores, [rule])] == fires_at


@pytest.mark.outside
@pytest.mark.parametrize(
    ("rules", "published"),
    [
        ([RunRule.BEYOND_LIMIT], 370.40),
        ([RunRule.BEYOND_LIMIT, RunRule.TWO_OF_THREE], 225.44),
        ([RunRule.BEYOND_LIMIT, RunRule.FOUR_OF_FIVE], 166.05),
        ([RunRule.BEYOND_LIMIT, RunRule.EIGHT_ON_ONE_SIDE], 152.73),
        (WESTERN_ELECTRIC, 91.75),
    ],
)
def test_rules_raise_false_alarms_as_often_as_published(rules, published):
    """Mean run lengths in control: Champ CW, Woodall WH. Technometrics 1987;29:393-399 (from memory)."""
    random = np.random.default_rng(20)
    lengths = []
    for _ in range(2500):
        signals = run_signals(random.standard_normal(int(12 * published)), rules)
        lengths.append(signals[0].index + 1 if signals else 12 * published)
    assert np.mean(lengths) == pytest.approx(published, rel=4 / math.sqrt(len(lengths)))


def test_binomial_cusum_adds_log_likelihood_ratios_and_starts_anew():
    found = binomial_cusum([True, False, True, True, True], 0.1, 0.2, limit=1.5)
    up, down = math.log(2.0), math.log(0.8 / 0.9)
    expected = [up, up + down, 2 * up + down, 3 * up + down, up]
    assert found.scores == pytest.approx(expected)
    assert found.signals == (3,)


def test_a_learning_curve_is_seen_from_the_other_side():
    """With the beginner's rate first, a run of successes says: learnt."""
    found = binomial_cusum([True] * 5 + [False] * 60, 0.4, 0.1, limit=3.0)
    assert found.signals
    assert found.scores[4] == 0.0


@pytest.mark.parametrize(("rate", "other", "limit"), [(0.1, 0.2, 2.5), (0.3, 0.15, 2.0), (0.05, 0.1, 3.0)])
def test_run_lengths_agree_with_simulation(rate, other, limit):
    random = np.random.default_rng(22)
    failures = random.random(1_500_000) < rate
    signals = binomial_cusum(failures.tolist(), rate, other, limit).signals
    gaps = np.diff(signals)
    tolerance = 4 / math.sqrt(gaps.size) + 0.03
    assert average_run_length(rate, rate, other, limit) == pytest.approx(gaps.mean(), rel=tolerance)


def test_the_decision_limit_gives_the_run_length_asked_for():
    limit = decision_limit(0.1, 0.2, 200.0)
    assert average_run_length(0.1, 0.1, 0.2, limit) >= 200.0
    assert average_run_length(0.1, 0.1, 0.2, 0.95 * limit) < 200.0
    assert average_run_length(0.2, 0.1, 0.2, limit) < 60.0


@pytest.mark.parametrize(
    "ask",
    [
        lambda: binomial_cusum([True], 0.1, 0.1, 2.0),
        lambda: binomial_cusum([True], 0.1, 1.0, 2.0),
        lambda: binomial_cusum([True], 0.1, 0.2, 0.0),
        lambda: decision_limit(0.1, 0.2, 1.0),
    ],
)
def test_what_cannot_be_charted_is_refused(ask):
    with pytest.raises(MeasureError):
        ask()
