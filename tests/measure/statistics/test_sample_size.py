import pytest
from scipy.stats import binom, fisher_exact
from statsmodels.stats.proportion import (
    proportion_confint,
    samplesize_confint_proportion,
    samplesize_proportions_2indep_onetail,
)

from measure.errors import MeasureError
from measure.statistics.sample_size import design_effect, films_for_change, films_for_margin


def half_width(rate, films):
    low, high = proportion_confint(rate * films, films, method="wilson")
    return (high - low) / 2


@pytest.mark.outside
@pytest.mark.parametrize("rate", [0.02, 0.057, 0.155, 0.5, 0.8])
@pytest.mark.parametrize("margin", [0.01, 0.03, 0.05, 0.1])
def test_the_fewest_films_that_keep_statsmodels_wilson_interval_within_the_margin(rate, margin):
    films = films_for_margin(rate, margin)
    assert half_width(rate, films) <= margin + 1e-9
    assert half_width(rate, films - 1) > margin


@pytest.mark.outside
def test_narrow_margins_need_as_many_films_as_the_textbook_says():
    assert films_for_margin(0.155, 0.01) == pytest.approx(samplesize_confint_proportion(0.155, 0.01), rel=0.005)
    assert films_for_margin(0.5, 0.03) == pytest.approx(1067, abs=5)


@pytest.mark.outside
@pytest.mark.parametrize(("before", "after"), [(0.155, 0.08), (0.2, 0.1), (0.05, 0.15), (0.5, 0.45)])
@pytest.mark.parametrize("power", [0.8, 0.9])
def test_films_for_a_change_agree_with_statsmodels(before, after, power):
    other = samplesize_proportions_2indep_onetail(
        before - after, after, power, ratio=1, alpha=0.05, alternative="two-sided"
    )
    found = films_for_change(before, after, power=power, exact_test=False)
    assert other <= found <= other + 1.0 + 1e-6


@pytest.mark.parametrize(("before", "after"), [(0.3, 0.1), (0.6, 0.3)])
def test_fisher_s_test_has_the_power_asked_for(before, after):
    """Power by adding up all pairs of outcomes that the exact test calls different."""
    films = films_for_change(before, after)
    events = range(films + 1)
    power = sum(
        binom.pmf(a, films, before) * binom.pmf(b, films, after)
        for a in events
        for b in events
        if binom.pmf(a, films, before) * binom.pmf(b, films, after) > 1e-8
        and fisher_exact([[a, films - a], [b, films - b]]).pvalue < 0.05
    )
    assert power == pytest.approx(0.8, abs=0.03)


def test_several_films_of_one_patient_tell_less():
    assert design_effect(1.0, 0.7) == 1.0
    assert design_effect(5.0, 0.25) == 2.0


@pytest.mark.parametrize(
    "ask",
    [
        lambda: films_for_margin(0.0, 0.1),
        lambda: films_for_margin(15.5, 0.1),
        lambda: films_for_margin(0.2, 0.0),
        lambda: films_for_margin(0.2, 0.5),
        lambda: films_for_change(0.2, 0.2),
        lambda: films_for_change(0.2, 1.0),
        lambda: films_for_change(0.2, 0.1, power=1.0),
        lambda: design_effect(0.5, 0.1),
        lambda: design_effect(2.0, 1.1),
    ],
)
def test_what_cannot_be_planned_is_refused(ask):
    with pytest.raises(MeasureError, match="found"):
        ask()
