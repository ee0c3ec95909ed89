import math

import numpy as np
import pingouin
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, norm
from statsmodels.api import OLS, add_constant
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint, proportions_ztest

from measure.errors import MeasureError
from measure.statistics.rates import (
    Count,
    equal_rates,
    holm,
    newcombe_difference,
    rogan_gladen,
    variance_explained,
    wilson,
)

SCHWARTZ = Count(42, 271)
"""Malpositioned after emergency intubation. Schwartz DE et al. Crit Care Med 1994."""

PREHOSPITAL_LOW, PREHOSPITAL_BRONCHUS = Count(64, 435), Count(25, 435)
"""Crit Care abstract cc7167."""

TRAUMA_BRONCHUS = Count(26, 616)
"""PMC9234407."""

PUBLISHED = [
    (SCHWARTZ, 0.155),
    (Count(26, 42), 0.619),
    (PREHOSPITAL_LOW, 0.147),
    (PREHOSPITAL_BRONCHUS, 0.057),
    (Count(346, 435), 0.795),
    (TRAUMA_BRONCHUS, 0.042),
]

counts = st.integers(1, 400).flatmap(lambda n: st.builds(Count, st.integers(0, n), st.just(n)))


@pytest.mark.outside
@pytest.mark.parametrize(("count", "published"), PUBLISHED)
def test_published_rates_and_their_wilson_intervals(count, published):
    found = wilson(count)
    assert found.value == pytest.approx(published, abs=0.0006)
    assert (found.low, found.high) == pytest.approx(
        proportion_confint(count.events, count.films, method="wilson"), abs=1e-12
    )


@pytest.mark.outside
@given(counts, st.sampled_from([0.9, 0.95, 0.99]))
def test_wilson_agrees_with_statsmodels(count, confidence):
    found = wilson(count, confidence)
    other = proportion_confint(count.events, count.films, alpha=1 - confidence, method="wilson")
    assert (found.low, found.high) == pytest.approx(other, abs=1e-12)
    assert 0.0 <= found.low <= found.value <= found.high <= 1.0


@pytest.mark.outside
@given(counts, counts)
def test_newcombe_agrees_with_statsmodels(first, second):
    found = newcombe_difference(first, second)
    other = confint_proportions_2indep(
        first.events, first.films, second.events, second.films, method="newcomb", compare="diff"
    )
    assert (found.low, found.high) == pytest.approx(other, abs=1e-9)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("first", "second", "low", "high"),
    [
        (Count(56, 70), Count(48, 80), 0.0524, 0.3339),
        (Count(9, 10), Count(3, 10), 0.1705, 0.8090),
        (Count(6, 7), Count(2, 7), 0.0582, 0.8062),
        (Count(5, 56), Count(0, 29), -0.0381, 0.1926),
        (Count(10, 10), Count(0, 10), 0.6075, 1.0000),
    ],
)
def test_newcombe_reproduces_the_published_table(first, second, low, high):
    """Table II, method 10, of Newcombe RG. Stat Med 1998;17:873-890 (from memory)."""
    found = newcombe_difference(first, second)
    assert (found.low, found.high) == pytest.approx((low, high), abs=6e-5)


@pytest.mark.outside
def test_women_are_malpositioned_more_often_where_the_films_are_as_many():
    """Schwartz 1994: 26 of the 42 in women. How many of the 271 were women is not quoted: half is assumed."""
    women, men = Count(26, 135), Count(16, 136)
    other = confint_proportions_2indep(26, 135, 16, 136, method="newcomb", compare="diff")
    found = newcombe_difference(women, men)
    assert (found.low, found.high) == pytest.approx(other)
    assert found.value > 0.0


@given(counts, counts)
def test_a_difference_turned_round_changes_its_sign(first, second):
    one, other = newcombe_difference(first, second), newcombe_difference(second, first)
    assert (one.value, one.low, one.high) == pytest.approx((-other.value, -other.high, -other.low), abs=1e-12)


@pytest.mark.outside
def test_equal_rates_is_the_chi_squared_test_of_statsmodels_times_n_less_one_over_n():
    for a, n, b, m in ((8, 10, 1, 6), (30, 200, 12, 190), (0, 10, 3, 10)):
        score, _ = proportions_ztest([a, b], [n, m])
        expected = 2.0 * norm.sf(abs(score) * np.sqrt((n + m - 1.0) / (n + m)))
        assert equal_rates(Count(a, n), Count(b, m)) == pytest.approx(expected)


def test_equal_rates_holds_its_level_in_small_groups():
    """All pairs of outcomes of 12 and 15 films with a rate of 0.25 added up: at most about one in twenty is called
    different.
    """
    called = sum(
        binom.pmf(a, 12, 0.25) * binom.pmf(b, 15, 0.25)
        for a in range(13)
        for b in range(16)
        if equal_rates(Count(a, 12), Count(b, 15)) < 0.05
    )
    assert 0.02 < called < 0.06


@pytest.mark.outside
@pytest.mark.parametrize("size", [1, 2, 7, 40])
def test_holm_agrees_with_statsmodels(size):
    p_values = np.random.default_rng(size).beta(0.3, 2.0, size).round(3).tolist()
    assert holm(p_values) == pytest.approx(multipletests(p_values, method="holm")[1])


def test_holm_of_nothing_is_nothing():
    assert holm([]) == ()


def test_what_is_no_probability_is_refused():
    with pytest.raises(MeasureError, match="0 to 1"):
        holm([0.2, 1.3])


@pytest.mark.parametrize(("events", "films"), [(-1, 5), (6, 5), (0, -1)])
def test_counts_that_cannot_be_are_refused(events, films):
    with pytest.raises(MeasureError, match="none to all"):
        Count(events, films)


def test_no_films_give_no_rate_but_a_reason():
    for nothing in (wilson(Count(0, 0)), newcombe_difference(Count(0, 0), SCHWARTZ)):
        assert not nothing.defined
        assert nothing.undefined == "no films"
    assert equal_rates(Count(0, 0), SCHWARTZ) == 1.0


def test_rogan_gladen_undoes_misclassification():
    """A prevalence of 20 % seen through sensitivity 90 % and specificity 95 % looks like 22 %."""
    found = rogan_gladen(Count(2200, 10_000), Count(900, 1000), Count(950, 1000))
    assert found.value == pytest.approx(0.20)
    assert found.low < 0.20 < found.high


def test_rogan_gladen_with_a_faultless_classifier_is_close_to_wilson():
    found, plain = rogan_gladen(SCHWARTZ, Count(10**7, 10**7), Count(10**7, 10**7)), wilson(SCHWARTZ)
    assert (found.value, found.low, found.high) == pytest.approx((plain.value, plain.low, plain.high), abs=0.003)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("prevalence", "sensitivity", "specificity", "films", "read"),
    [(0.15, 0.85, 0.95, 500, 80), (0.05, 0.80, 0.98, 300, 60), (0.40, 0.95, 0.90, 1000, 100)],
)
def test_rogan_gladen_interval_holds_the_truth_as_published(prevalence, sensitivity, specificity, films, read):
    """Lang & Reiczigel 2014 report a coverage close to the nominal 95 %."""
    random = np.random.default_rng(11)
    apparent = prevalence * sensitivity + (1 - prevalence) * (1 - specificity)
    drawn = zip(
        random.binomial(films, apparent, 4000),
        random.binomial(read, sensitivity, 4000),
        random.binomial(read, specificity, 4000),
        strict=True,
    )
    found = [rogan_gladen(Count(int(a), films), Count(int(b), read), Count(int(c), read)) for a, b, c in drawn]
    coverage = np.mean([interval.low <= prevalence <= interval.high for interval in found])
    assert 0.945 <= coverage <= 0.992


@pytest.mark.parametrize(
    ("sensitivity", "specificity", "why"),
    [(Count(5, 10), Count(5, 10), "no better than chance"), (Count(0, 0), Count(9, 10), "none truly positive")],
)
def test_rogan_gladen_says_where_it_cannot(sensitivity, specificity, why):
    found = rogan_gladen(SCHWARTZ, sensitivity, specificity)
    assert not found.defined
    assert why in found.undefined


@pytest.mark.outside
def test_variance_explained_agrees_with_statsmodels_and_pingouin():
    random = np.random.default_rng(12)
    lip_mark = random.normal(22.0, 1.5, 60)
    distance = 26.0 - lip_mark + random.normal(0.0, 1.2, 60)
    found = variance_explained(lip_mark, distance)
    assert found.value == pytest.approx(OLS(distance, add_constant(lip_mark)).fit().rsquared)
    ends = sorted(r**2 for r in pingouin.corr(lip_mark, distance)["CI95"].iloc[0])
    assert (found.low, found.high) == pytest.approx(ends, abs=0.01)


def test_an_interval_about_no_relation_starts_at_zero():
    found = variance_explained([1, 2, 3, 4, 5, 6], [2.0, 1.0, 3.0, 1.5, 2.5, 1.9])
    assert found.low == 0.0
    assert found.value < found.high < 1.0


def test_variance_explained_says_where_it_cannot():
    assert "does not vary" in variance_explained([22, 22, 22, 22], [1, 2, 3, 4]).undefined
    few = variance_explained([1, 2, 3], [1, 2, 4])
    assert few.defined
    assert math.isnan(few.low)
    assert "fewer than 4" in few.undefined
    perfect = variance_explained([1, 2, 3, 4], [2, 4, 6, 8])
    assert (perfect.value, perfect.low) == pytest.approx((1.0, 1.0))
    for pairs in (([1], [1]), ([1, 2], [1]), ([1, math.nan], [1, 2])):
        with pytest.raises(MeasureError):
            variance_explained(*pairs)
