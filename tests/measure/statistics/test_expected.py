import numpy as np
import pytest
import statsmodels.api as sm

from measure.errors import MeasureError
from measure.statistics.expected import Alike, effective, mean_variance
from measure.statistics.rates import Count, wilson


def sandwich(values, patients):
    """Variance of the mean by statsmodels: a constant alone, errors clustered by patient."""
    fitted = sm.OLS(values, np.ones(len(values))).fit(cov_type="cluster", cov_kwds={"groups": patients})
    return float(fitted.cov_params()[0, 0])


def alike(random, patients=60, most=9, share=0.2, alikeness=4.0):
    """Films of patients whose tubes tend to lie wrong or right: truth, probability told, patient."""
    films = random.integers(1, most, patients)
    own = random.beta(share * alikeness, (1.0 - share) * alikeness, patients)
    whose = np.repeat(np.arange(patients), films)
    return own[whose], whose


@pytest.mark.outside
def test_where_all_is_known_it_is_the_sandwich_of_statsmodels():
    random = np.random.default_rng(1)
    told, whose = alike(random)
    truth = (random.random(told.size) < told).astype(float)
    assert mean_variance(truth, whose) == pytest.approx(sandwich(truth, whose))


@pytest.mark.outside
def test_what_is_unsure_adds_what_statsmodels_sees_over_many_drawn_truths():
    """Multiple imputation: each film's truth drawn by its probability, the sandwich of each draw, their mean."""
    random = np.random.default_rng(2)
    told, whose = alike(random)
    drawn = [sandwich((random.random(told.size) < told).astype(float), whose) for _ in range(400)]
    assert mean_variance(told, whose) == pytest.approx(np.mean(drawn), rel=0.03)
    assert mean_variance(told, whose) > sandwich(told, whose)


def test_films_of_their_own_patients_give_the_binomial_variance():
    told = np.random.default_rng(3).beta(0.5, 2.0, 500)
    share = told.mean()
    assert mean_variance(told) == pytest.approx(share * (1.0 - share) / 500, rel=0.003)


def test_levels_are_what_each_gives_alone():
    random = np.random.default_rng(4)
    told, whose = alike(random)
    level = random.integers(0, 3, told.size)
    together = Alike(level, whose, 3).mean_variances(told)
    alone = [mean_variance(told[level == place], whose[level == place]) for place in range(3)]
    assert together == pytest.approx(alone)
    assert Alike(level, whose, 3).patients().tolist() == [len(set(whose[level == place])) for place in range(3)]


@pytest.mark.outside
def test_intervals_hold_the_true_rate_where_films_of_a_patient_are_alike():
    """Simulated: 95 % intervals by patient hold the rate, those that take films for independent do not."""
    random = np.random.default_rng(5)
    held = {"by patient": 0, "films alone": 0}
    rounds, share = 1500, 0.2
    for _ in range(rounds):
        told, whose = alike(random, patients=30, share=share, alikeness=1.5)
        count = Count(float(told.sum()), told.size)
        known = wilson(effective(count, mean_variance(told, whose), 30))
        plain = wilson(count)
        held["by patient"] += known.low <= share <= known.high
        held["films alone"] += plain.low <= share <= plain.high
    assert 0.93 <= held["by patient"] / rounds <= 0.99
    assert held["films alone"] / rounds < 0.85


def test_few_patients_and_rates_of_nothing_have_an_interval():
    nothing = wilson(effective(Count(0.0, 40), 0.0, 4))
    assert (nothing.low, nothing.value) == (0.0, 0.0)
    assert nothing.high == pytest.approx(wilson(Count(0, 4)).high)
    one = wilson(effective(Count(3.0, 12), float("nan"), 1))
    assert one.high - one.low > 0.5
    assert effective(Count(10.0, 40), 1e-9, 20).films == 40.0


def test_what_is_no_probability_is_refused():
    with pytest.raises(MeasureError, match="0 to 1 expected"):
        mean_variance([0.2, float("nan")])
