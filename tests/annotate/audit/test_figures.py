import math

import duckdb
import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint
from statsmodels.stats.weightstats import DescrStatsW

from annotate.audit.figures import (
    MALPOSITION,
    OVERALL,
    PARTS,
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

BAD = "('too low', 'too high', 'in a main bronchus')"


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
        f"count(*) filter (verdict <> 'cannot say'), count(*) filter (verdict in {BAD}) "
        "from {films} where source = 'proposed' group by level",
    )
    assert len(answer) == len(counts.by_factor[factor])
    for level, films, answered, bad in answer:
        found = [counts.shown(factor, level, name) for name in ("films", "answered", MALPOSITION)]
        assert found == [films, answered, bad]


@pytest.mark.outside
def test_rates_and_intervals_agree_with_duckdb_and_statsmodels(results, counts):
    ((bad, answered, silent, films),) = asked(
        results,
        f"select count(*) filter (verdict in {BAD}), count(*) filter (verdict <> 'cannot say'), "
        "count(*) filter (verdict = 'cannot say'), count(*) from {films} where source = 'proposed'",
    )
    overall = {figure.name: figure for figure in rates(counts) if figure.group == OVERALL}
    for name, events, among in ((MALPOSITION, bad, answered), ("cannot say", silent, films)):
        figure = overall[name]
        assert figure.count == Count(events, among)
        other = proportion_confint(events, among, method="wilson")
        assert (figure.interval.low, figure.interval.high) == pytest.approx(other)


def test_every_level_adds_up_to_the_whole(counts):
    for factor, found in counts.by_factor.items():
        for name in ("films", "answered", MALPOSITION, "too low", "cannot say"):
            whole = counts.shown(OVERALL, OVERALL, name)
            assert sum(counts.shown(factor, level, name) for level in found) == whole


@pytest.mark.outside
def test_differences_agree_with_statsmodels_and_scipy(counts):
    found = differences(counts)
    sex = next(figure for figure in found if figure.group == "Sex")
    a, b = (counts.count("sex", level, MALPOSITION) for level in ("female", "male"))
    other = confint_proportions_2indep(a.events, a.films, b.events, b.films, method="newcomb", compare="diff")
    assert (sex.interval.low, sex.interval.high) == pytest.approx(other)
    table = [[c.events, c.films - c.events] for c in (a, b)]
    assert sex.p == pytest.approx(stats.fisher_exact(table).pvalue)
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
    assert all(c.events == 0 or c.events >= 5 for c in kept.counts)


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
        assert figure.count is None or figure.count.events == 0 or figure.count.events >= 5
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
        for total, parts in PARTS.items()
    ]
    sums += [
        ((OVERALL, OVERALL, name), [(factor, level, name) for level in found])
        for factor, found in counts.by_factor.items()
        for name in {key[2] for key in counts.numbers}
    ]
    small = [key for key, number in counts.numbers.items() if 0 < number < 5]
    assert len(small) > 30
    for key in small:
        low, high = attacker(key, counts.numbers, sums, counts.hidden)
        assert high - low >= 1.0 - 1e-6, key


def test_rounded_counts_hide_small_differences():
    found = list(what_to_do(np.array([-1.0] * 23 + [0.0] * 72 + [2.0] * 3)))
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
    found = {f.name: f.count for f in what_to_do(np.array([-1.0, -2.5, 0.0, 0.0, 0.0, 0.5]))}
    assert found == {"leave": Count(3, 6), "withdraw": Count(2, 6), "advance": Count(1, 6)}


def test_a_factor_that_nobody_noted_is_one_level(audit):
    films = audit.films.assign(shift="not known")
    assert count_films(films, None).by_factor["shift"] == ["not known"]
    assert not [f for f in differences(count_films(films, None)) if f.group == "Shift"]


def test_films_without_a_time_stay_out_of_the_chart(audit):
    films = audit.films.copy()
    films.loc[:9, "month"] = "not known"
    films.loc[:9, "period"] = pd.NA
    time = over_time(films, None, None, count_films(films, None))
    silent = int((films["verdict"] != "cannot say").to_numpy()[10:].sum())
    assert sum(count.films for count in time.counts) == silent
