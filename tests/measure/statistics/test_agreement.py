import math

import numpy as np
import pandas as pd
import pingouin
import pytest
from scipy import stats
from sklearn.metrics import cohen_kappa_score, confusion_matrix
from sklearn.metrics import mean_absolute_error as sklearn_mae
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.weightstats import DescrStatsW

from measure.errors import MeasureError
from measure.statistics.agreement import (
    Weighting,
    bland_altman,
    cohen_kappa,
    contingency_table,
    intraclass_correlation,
    mean_absolute_error,
    tolerance_factor,
)

WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI_WRIGHT = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
"""Peak flow in l/min, first measurements of 17 people. Bland JM, Altman DG. Lancet 1986;i:307-310, from memory."""

SHROUT_FLEISS = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
"""6 targets by 4 judges. Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428, from memory."""


def random_table(seed, categories=4, pairs=150):
    random = np.random.default_rng(seed)
    first = random.integers(0, categories, pairs)
    second = np.clip(first + random.integers(-1, 2, pairs), 0, categories - 1)
    return confusion_matrix(first, second, labels=range(categories)), first, second


@pytest.mark.outside
def test_bland_altman_reproduces_the_peak_flow_example():
    """Published: bias -2.1 l/min, SD 38.8, limits -79.7 and 75.5 with 2 SD in place of 1.96."""
    found = bland_altman(WRIGHT, MINI_WRIGHT)
    assert found.pairs == 17
    assert found.bias.value == pytest.approx(-2.1, abs=0.05)
    assert found.sd == pytest.approx(38.8, abs=0.05)
    assert found.bias.value - 2 * found.sd == pytest.approx(-79.7, abs=0.1)
    assert found.bias.value + 2 * found.sd == pytest.approx(75.5, abs=0.1)


@pytest.mark.outside
def test_bias_and_limits_agree_with_pingouin():
    axes = pingouin.plot_blandaltman(np.array(WRIGHT), np.array(MINI_WRIGHT), confidence=0.95)
    drawn = sorted({round(line.get_ydata()[0], 6) for line in axes.get_lines() if len(line.get_ydata()) == 2})
    found = bland_altman(WRIGHT, MINI_WRIGHT)
    for limit in (found.lower_limit, found.bias, found.upper_limit):
        assert any(abs(height - limit.value) < 1e-4 for height in drawn), (limit, drawn)


@pytest.mark.outside
def test_interval_of_the_bias_agrees_with_statsmodels():
    differences = DescrStatsW(np.array(WRIGHT) - np.array(MINI_WRIGHT))
    found = bland_altman(WRIGHT, MINI_WRIGHT)
    assert (found.bias.low, found.bias.high) == pytest.approx(differences.tconfint_mean())


@pytest.mark.outside
@pytest.mark.parametrize(
    ("n", "share", "probability", "published"),
    [
        (5, 0.95, 0.95, 4.203),
        (10, 0.95, 0.95, 2.911),
        (20, 0.95, 0.95, 2.396),
        (30, 0.95, 0.95, 2.220),
        (43, 0.90, 0.99, 1.873),
    ],
)
def test_tolerance_factors_are_the_published_ones(n, share, probability, published):
    """One-sided normal tolerance factors: Natrella, NBS Handbook 91, and NIST's handbook 7.2.6.3 (from memory)."""
    assert tolerance_factor(n, stats.norm.ppf(share), probability) == pytest.approx(published, abs=0.002)


def test_exact_limits_hold_the_true_limits_in_95_percent_of_small_samples():
    random = np.random.default_rng(3)
    held = 0
    for sample in random.normal(0.4, 1.3, (4000, 6)):
        upper = bland_altman(sample, np.zeros(6)).upper_limit
        held += upper.low <= 0.4 + 1.96 * 1.3 <= upper.high
    assert held / 4000 == pytest.approx(0.95, abs=0.01)


def test_exact_limits_come_near_the_1999_approximation_in_large_samples():
    n = 5000
    sample = np.random.default_rng(4).normal(0.0, 1.0, n)
    found = bland_altman(sample, np.zeros(n))
    half = 1.96 * found.sd * math.sqrt(1 / n + 1.96**2 / (2 * (n - 1)))
    assert found.lower_limit.low == pytest.approx(found.lower_limit.value - half, abs=0.002)
    assert found.lower_limit.high == pytest.approx(found.lower_limit.value + half, abs=0.002)


def test_the_two_limits_mirror_each_other():
    found, turned = bland_altman(WRIGHT, MINI_WRIGHT), bland_altman(MINI_WRIGHT, WRIGHT)
    assert found.lower_limit.low == pytest.approx(-turned.upper_limit.high)
    assert found.lower_limit.high == pytest.approx(-turned.upper_limit.low)


def test_equal_differences_have_limits_without_width():
    found = bland_altman([1.0, 2.0, 3.0], [0.5, 1.5, 2.5])
    assert found.sd == 0.0
    assert (found.lower_limit.low, found.upper_limit.high) == (0.5, 0.5)


@pytest.mark.outside
def test_mean_absolute_error_agrees_with_scikit_learn_and_statsmodels():
    found = mean_absolute_error(WRIGHT, MINI_WRIGHT)
    assert found.value == pytest.approx(sklearn_mae(WRIGHT, MINI_WRIGHT))
    errors = DescrStatsW(np.abs(np.array(WRIGHT) - np.array(MINI_WRIGHT)))
    assert (found.low, found.high) == pytest.approx(errors.tconfint_mean())


@pytest.mark.parametrize(("n", "coverage"), [(10, 0.92), (30, 0.94)])
def test_interval_of_the_mean_absolute_error_holds_the_truth_as_often_as_stated(n, coverage):
    random, truth = np.random.default_rng(5), math.sqrt(2 / math.pi)
    found = [mean_absolute_error(sample, np.zeros(n)) for sample in random.normal(size=(5000, n))]
    assert np.mean([i.low <= truth <= i.high for i in found]) == pytest.approx(coverage, abs=0.012)


@pytest.mark.parametrize("compare", [bland_altman, mean_absolute_error])
@pytest.mark.parametrize(
    ("first", "second", "words"),
    [
        ([1.0], [1.0], "at least 2"),
        ([], [], "at least 2"),
        ([1.0, 2.0], [1.0], "as long"),
        ([1.0, math.nan], [1.0, 2.0], "leave those out"),
        ([1.0, 2.0], [1.0, math.inf], "leave those out"),
    ],
)
def test_pairs_that_cannot_be_compared_are_refused(compare, first, second, words):
    with pytest.raises(MeasureError, match=words):
        compare(first, second)


@pytest.mark.outside
def test_icc_reproduces_shrout_and_fleiss():
    """Published: ICC(2,1) 0.29, ICC(3,1) 0.71; the intervals are those that R's psych package prints (memory)."""
    found = intraclass_correlation(SHROUT_FLEISS)
    assert found.agreement.value == pytest.approx(0.29, abs=0.005)
    assert found.consistency.value == pytest.approx(0.71, abs=0.006)
    assert (found.agreement.low, found.agreement.high) == pytest.approx((0.019, 0.761), abs=0.001)
    assert (found.consistency.low, found.consistency.high) == pytest.approx((0.342, 0.946), abs=0.001)


@pytest.mark.outside
@pytest.mark.parametrize("seed", range(6))
def test_icc_and_intervals_agree_with_pingouin(seed):
    random = np.random.default_rng(seed)
    targets, raters = int(random.integers(4, 30)), int(random.integers(2, 6))
    table = (
        random.normal(5, 2, (targets, 1)) + random.normal(0, 0.8, raters) + random.normal(size=(targets, raters))
    )
    long = pd.DataFrame(table).melt(ignore_index=False).reset_index()
    other = pingouin.intraclass_corr(long, "index", "variable", "value").set_index("Type")
    found = intraclass_correlation(table)
    for name, icc in (("ICC(A,1)", found.agreement), ("ICC(C,1)", found.consistency)):
        assert icc.value == pytest.approx(other.loc[name, "ICC"])
        assert (icc.low, icc.high) == pytest.approx(tuple(other.loc[name, "CI95"]), abs=0.0051)


def test_a_constant_bias_lowers_agreement_and_leaves_consistency():
    truth = np.array([3.0, 4.5, 5.1, 6.2, 7.7])
    found = intraclass_correlation(np.column_stack([truth, truth + 2.0]))
    assert found.consistency.value == pytest.approx(1.0)
    assert found.agreement.value < 0.7
    assert found.agreement.low < found.agreement.value < found.agreement.high


def test_perfect_ratings_correlate_perfectly():
    found = intraclass_correlation(np.column_stack([[0.1, 0.2, 0.7], [0.1, 0.2, 0.7]]))
    assert (found.agreement.value, found.consistency.value) == (1.0, 1.0)


@pytest.mark.parametrize("table", [np.full((4, 2), 0.1), [[0.1, 0.3], [0.1, 0.3], [0.1, 0.3]]])
def test_targets_that_do_not_differ_leave_icc_undefined(table):
    found = intraclass_correlation(table)
    assert not found.agreement.defined
    assert not found.consistency.defined
    assert "do not differ" in found.agreement.undefined


@pytest.mark.parametrize("table", [[[1.0, 2.0]], [[1.0], [2.0]], [1.0, 2.0], [[1.0, 2.0], [3.0, math.nan]]])
def test_tables_too_small_or_with_gaps_are_refused(table):
    with pytest.raises(MeasureError):
        intraclass_correlation(table)


@pytest.mark.outside
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    ("weighting", "sklearn_name"),
    [(Weighting.NONE, None), (Weighting.LINEAR, "linear"), (Weighting.QUADRATIC, "quadratic")],
)
def test_kappa_agrees_with_scikit_learn_and_statsmodels(seed, weighting, sklearn_name):
    table, first, second = random_table(seed)
    found = cohen_kappa(table, weighting).kappa
    assert found.value == pytest.approx(cohen_kappa_score(first, second, weights=sklearn_name))
    other = cohens_kappa(table, wt=sklearn_name)
    assert found.value == pytest.approx(other.kappa)
    assert (found.low, found.high) == pytest.approx((other.kappa_low, other.kappa_upp))


@pytest.mark.outside
def test_kappa_of_a_fourfold_table_worked_by_hand():
    """20 + 15 of 50 agree: observed 0.70, by chance 0.50, kappa 0.40 (much printed; common practice)."""
    found = cohen_kappa([[20, 5], [10, 15]])
    assert (found.observed, found.expected, found.kappa.value) == pytest.approx((0.70, 0.50, 0.40))


def test_kappa_interval_holds_the_truth_in_about_95_percent():
    random = np.random.default_rng(8)
    shares = np.array([[0.45, 0.05], [0.10, 0.40]])
    truth = cohen_kappa((shares * 10_000).astype(int)).kappa.value
    tables = random.multinomial(300, shares.ravel(), 3000).reshape(-1, 2, 2)
    held = [k.low <= truth <= k.high for k in (cohen_kappa(table).kappa for table in tables)]
    assert np.mean(held) == pytest.approx(0.95, abs=0.015)


def test_contingency_table_counts_in_the_order_of_the_categories():
    table = contingency_table(["low", "low", "high"], ["low", "high", "high"], ["low", "within", "high"])
    assert table.tolist() == [[1, 0, 1], [0, 0, 0], [0, 0, 1]]


def test_one_category_only_leaves_kappa_undefined():
    found = cohen_kappa([[7, 0], [0, 0]], Weighting.LINEAR)
    assert not found.kappa.defined
    assert "one and the same category" in found.kappa.undefined
    assert (found.pairs, found.observed) == (7, 1.0)


def test_perfect_agreement_is_1_without_width():
    kappa = cohen_kappa(np.diag([4, 5, 6]), Weighting.QUADRATIC).kappa
    assert (kappa.value, kappa.low, kappa.high) == pytest.approx((1.0, 1.0, 1.0))


@pytest.mark.parametrize(
    "table", [[[1, 0], [0, 0]], [[1, 2, 3], [4, 5, 6]], [[-1, 2], [3, 4]], [[0.5, 2], [3, 4]], [1, 2]]
)
def test_tables_that_are_no_counts_are_refused(table):
    with pytest.raises(MeasureError):
        cohen_kappa(table)


def test_strange_categories_and_unequal_lengths_are_refused():
    with pytest.raises(MeasureError, match="'middle' found"):
        contingency_table(["low"], ["middle"], ["low", "high"])
    with pytest.raises(MeasureError, match="equally many"):
        contingency_table(["low"], [], ["low", "high"])
