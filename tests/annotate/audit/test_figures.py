import math

import duckdb
import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.api import OLS
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint, proportions_ztest
from statsmodels.stats.weightstats import DescrStatsW

from annotate.audit.figures import (
    BY_PATIENT,
    COUNTED,
    MALPOSITION,
    NEAR_CARINA,
    OVERALL,
    PARTS,
    ROUGH,
    SILENT,
    SURE,
    binned,
    coarse,
    count_films,
    differences,
    figures_over_time,
    over_time,
    rates,
    spread,
    what_to_do,
)
from annotate.audit.report_films import FACTORS, Period, Readings, read_audit
from measure.statistics.control_chart import RunRule
from measure.statistics.rates import Count


@pytest.fixture(scope="module")
def audit(results):
    return read_audit(str(results), Readings.PROPOSED)


@pytest.fixture(scope="module")
def counts(audit):
    return count_films(audit.films, None)


def asked(results, question):
    return duckdb.sql(question.format(films=f"'{results}/films/*.parquet'")).fetchall()


@pytest.mark.outside
@pytest.mark.parametrize("factor", ["unit", "shift", "sex", "view", "neck"])
def test_counts_agree_with_duckdb(results, counts, factor):
    answer = asked(
        results,
        f"select coalesce(replace({factor}, 'unknown', 'not known'), 'not known') as level, count(*), "
        "count(chance_within_range), sum(1 - chance_within_range), sum(chance_near_carina), "
        "count(*) filter (chance_within_range <= 0.025) "
        "from {films} where source = 'proposed' group by level",
    )
    assert len(answer) == len(counts.by_factor[factor])
    for level, *numbers in answer:
        names = ("films", COUNTED, MALPOSITION, NEAR_CARINA, SURE)
        assert [counts.shown(factor, level, name) for name in names] == pytest.approx(numbers)


@pytest.mark.outside
def test_rates_and_intervals_agree_with_duckdb_and_statsmodels(results, counts):
    ((bad, sure, counted, silent, films),) = asked(
        results,
        "select sum(1 - chance_within_range), count(*) filter (chance_within_range <= 0.025), "
        "count(chance_within_range), count(*) filter (chance_within_range is null), count(*) "
        "from {films} where source = 'proposed'",
    )
    overall = {figure.name: figure for figure in rates(counts) if figure.group == OVERALL}
    for name, events, among in ((MALPOSITION, bad, counted), (SURE, sure, counted), (SILENT, silent, films)):
        figure = overall[name]
        assert (figure.count.events, figure.count.films) == pytest.approx((events, among))
        other = proportion_confint(events, among, method="wilson")
        assert (figure.interval.low, figure.interval.high) == pytest.approx(other)
    assert overall[SURE].interval.value < overall[MALPOSITION].interval.value


@pytest.mark.outside
def test_where_patients_are_known_the_intervals_are_what_statsmodels_clusters(make, write, tmp_path):
    """The variance that an interval rests on, undone from Wilson's, beside the sandwich over drawn truths."""
    films = read_audit(str(write(tmp_path, make(patients=True))), Readings.PROPOSED).films
    counts = count_films(films, None)
    counted = films[films["chance_within_range"].notna()]
    outside = (1.0 - counted["chance_within_range"]).to_numpy()
    groups = counted["patient"].astype("category").cat.codes.to_numpy()
    random = np.random.default_rng(8)
    drawn = [
        OLS((random.random(outside.size) < outside).astype(float), np.ones(outside.size))
        .fit(cov_type="cluster", cov_kwds={"groups": groups})
        .cov_params()[0, 0]
        for _ in range(200)
    ]
    share, few = outside.mean(), stats.norm.ppf(0.975) / stats.t.ppf(0.975, len(set(groups)) - 1)
    expected = share * (1.0 - share) / np.mean(drawn) * few**2
    assert counts.independent(OVERALL, OVERALL, MALPOSITION).films == pytest.approx(expected, rel=0.05)
    figure = next(f for f in rates(counts) if f.group == OVERALL and f.name == MALPOSITION)
    assert figure.method == BY_PATIENT
    plain = next(f for f in rates(count_films(films.assign(patient=None), None)) if f.name == MALPOSITION)
    assert figure.interval.high - figure.interval.low > 1.05 * (plain.interval.high - plain.interval.low)


def test_a_rough_scale_is_counted_apart_and_in_no_rate(audit):
    films = audit.films.copy()
    certain = films.index[films["chance_within_range"] < 0.01][:50]
    films.loc[certain, "rough"] = True
    before, after = count_films(audit.films, None), count_films(films, None)
    assert after.shown(OVERALL, OVERALL, ROUGH) == 50
    assert before.shown(OVERALL, OVERALL, COUNTED) - after.shown(OVERALL, OVERALL, COUNTED) == 50
    assert after.shown(OVERALL, OVERALL, SURE) == before.shown(OVERALL, OVERALL, SURE) - 50
    gone = before.shown(OVERALL, OVERALL, MALPOSITION) - after.shown(OVERALL, OVERALL, MALPOSITION)
    assert gone == pytest.approx(50, abs=0.5)
    assert (
        sum(f.count.films for f in what_to_do(films) if f.group == "what to do") / 3
        == (films["action"].notna() & ~films["rough"]).sum()
    )


@pytest.mark.parametrize("patients", [False, True])
def test_every_level_adds_up_to_the_whole(make, write, tmp_path, patients):
    films = read_audit(str(write(tmp_path, make(films=300, patients=patients)))).films
    counts = count_films(films, None)
    for total, parts in PARTS:
        whole = counts.shown(OVERALL, OVERALL, total)
        assert sum(counts.shown(OVERALL, OVERALL, part) for part in parts) == pytest.approx(whole)
    for factor, found in counts.by_factor.items():
        for name in ("films", COUNTED, MALPOSITION, "too low", SILENT):
            whole = counts.shown(OVERALL, OVERALL, name)
            assert sum(counts.shown(factor, level, name) for level in found) == pytest.approx(whole)


@pytest.mark.outside
def test_differences_agree_with_statsmodels(counts):
    found = differences(counts)
    sex = next(figure for figure in found if figure.group == "Sex")
    a, b = (counts.count("sex", level, MALPOSITION) for level in ("female", "male"))
    other = confint_proportions_2indep(a.events, a.films, b.events, b.films, method="newcomb", compare="diff")
    assert (sex.interval.low, sex.interval.high) == pytest.approx(other)
    score, _ = proportions_ztest([a.events, b.events], [a.films, b.films])
    films = a.films + b.films
    assert sex.p == pytest.approx(2.0 * stats.norm.sf(abs(score) * math.sqrt((films - 1.0) / films)))
    adjusted = multipletests([figure.p for figure in found], method="holm")[1]
    assert [figure.p_holm for figure in found] == pytest.approx(adjusted.tolist())


def test_two_levels_make_one_comparison_and_the_unknown_none(counts):
    by_group = {}
    for figure in differences(counts):
        by_group.setdefault(figure.group, []).append(figure.level)
    assert by_group["Sex"] == ["female against male"]
    assert len(by_group["Tube size"]) == 3
    assert len(by_group["Operator's grade"]) == 3
    assert not any("not known against" in level for levels in by_group.values() for level in levels)
    assert FACTORS["month"] not in by_group


def test_a_change_half_way_shows_on_the_chart(audit, counts):
    time = over_time(audit.films, 6, None, counts)
    assert len(time.periods) == 12
    beyond = {s.index for s in time.chart.signals if s.rule is RunRule.BEYOND_LIMIT and not s.above}
    assert beyond
    assert min(beyond) >= 6
    figures = list(figures_over_time(time))
    centre = figures[0].interval.value
    first = time.counts[:6]
    assert centre == pytest.approx(sum(c.events for c in first) / sum(c.films for c in first))
    assert "one point beyond 3 standard deviations, low" in " ".join(figure.note for figure in figures)


def test_weeks_may_be_charted_and_small_ones_are_left_out(results):
    audit = read_audit(str(results), Readings.PROPOSED, Period.WEEK)
    counts = count_films(audit.films, 5)
    everything = over_time(audit.films, None, None, counts)
    kept = over_time(audit.films, None, 5, counts)
    assert len(everything.periods) in (52, 53)
    assert kept.left_out > 0
    assert all(round(c.events, 1) == 0 or c.events >= 5 - 0.05 for c in kept.counts)


def test_one_period_is_no_chart(audit):
    january = audit.films[audit.films["month"] == "2025-01"]
    assert over_time(january, None, None, count_films(january, None)) is None


def test_hidden_counts_give_neither_rate_nor_difference(audit):
    few = audit.films.head(150)
    counts = count_films(few, 5)
    assert counts.hidden
    for factor, level, name in counts.hidden:
        assert counts.shown(factor, level, name) is None
    for figure in rates(counts):
        assert figure.count is None or round(figure.count.events, 1) == 0 or figure.count.events >= 5 - 0.05
        if figure.count is None:
            assert not figure.interval.defined
    for figure in differences(counts):
        assert figure.interval.defined or math.isnan(figure.p_holm)


@pytest.mark.outside
def test_no_small_count_of_the_tables_can_be_worked_out(audit, attacker):
    """By linear programming over all sums of all tables together."""
    counts = count_films(audit.films.head(250), 5)
    sums = [
        ((factor, level, total), [(factor, level, part) for part in parts])
        for factor, level in {key[:2] for key in counts.numbers}
        for total, parts in PARTS
    ]
    sums += [
        ((OVERALL, OVERALL, name), [(factor, level, name) for level in found])
        for factor, found in counts.by_factor.items()
        for name in {key[2] for key in counts.numbers}
    ]
    numbers = {key: round(number, 1) for key, number in counts.numbers.items()}
    small = [key for key, number in numbers.items() if 0 < number < 5]
    assert len(small) > 30
    for key in small[::3]:
        low, high = attacker(key, counts.numbers, sums, counts.hidden)
        assert high - low >= 1.0 - 1e-6, key


def advised(actions, urgencies=None):
    return pd.DataFrame({"action": actions, "urgency": urgencies or actions, "rough": False})


def test_rounded_counts_hide_small_differences():
    actions = ["withdraw"] * 23 + ["leave"] * 72 + ["advance"] * 3
    found = list(what_to_do(advised(actions)))[:3]
    assert coarse(found, None) == tuple(found)
    rounded = {figure.name: figure for figure in coarse(found, 5)}
    assert {name: f.count for name, f in rounded.items()} == {
        "leave": Count(70, 100),
        "withdraw": Count(25, 100),
        "advance": Count(5, 100),
    }
    assert rounded["leave"].interval.value == 0.7


@pytest.mark.outside
def test_spread_agrees_with_statsmodels_and_numpy():
    values = np.random.default_rng(1).normal(4.0, 2.0, 80)
    found = {figure.name: figure.interval for figure in spread("s", "g", "", values, "cm")}
    assert (found["mean"].low, found["mean"].high) == pytest.approx(DescrStatsW(values).tconfint_mean())
    assert found["standard deviation"].value == pytest.approx(values.std(ddof=1))
    assert found["median, with quartiles"].value == pytest.approx(np.median(values))


def test_a_handful_of_films_has_no_spread():
    (only,) = spread("s", "g", "", [1.0, 2.0], "cm")
    assert not only.interval.defined
    assert "fewer than 5" in only.note


def test_bars_hold_everything_and_hide_the_small():
    values = np.array([-99.0, 0.1, 0.2, 0.3, 0.4, 0.6, 0.7, 0.8, 1.1, 1.2, 1.3, 1.4, 1.5, 99.0])
    edges = (0.0, 0.5, 1.0, 2.0)
    assert binned(values, edges, None) == (5, 3, 6)
    assert binned(values, edges, 5) == (None, None, 6)


def test_advice_is_counted_by_its_direction():
    films = advised(
        [*["withdraw"] * 2, *["leave"] * 3, "advance", None], ["now", *["advised"] * 2, *["leave"] * 3, None]
    )
    found = [(f.group, f.name, f.count) for f in what_to_do(films) if f.count.events]
    assert set(found) == {
        ("what to do", "leave", Count(3, 6)),
        ("what to do", "withdraw", Count(2, 6)),
        ("what to do", "advance", Count(1, 6)),
        ("how soon", "now", Count(1, 6)),
        ("how soon", "advised", Count(2, 6)),
        ("how soon", "leave", Count(3, 6)),
    }


def test_a_factor_that_nobody_noted_is_one_level(audit):
    films = audit.films.assign(shift="not known")
    assert count_films(films, None).by_factor["shift"] == ["not known"]
    assert not [f for f in differences(count_films(films, None)) if f.group == "Shift"]


def test_films_without_a_time_stay_out_of_the_chart(audit):
    films = audit.films.astype({"month": object, "period": object})
    films.loc[:9, "month"] = "not known"
    films.loc[:9, "period"] = pd.NA
    time = over_time(films, None, None, count_films(films, None))
    counted = int(films["chance_within_range"].notna().to_numpy()[10:].sum())
    assert sum(count.films for count in time.counts) == counted
