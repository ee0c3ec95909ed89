"""Every number of an audit's report: counts, rates, differences, and how they change over time."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from annotate.audit.report_films import FACTORS, MALPOSITIONED, NOT_KNOWN, levels
from annotate.audit.report_suppression import Key, Sum, hidden_cells
from measure.statistics.control_chart import PChart, p_chart
from measure.statistics.interval import Interval, undefined
from measure.statistics.rates import Count, fisher_exact, holm, newcombe_difference, wilson
from measure.verdict import Verdict

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

OVERALL = "all films"
FILMS, ANSWERED, MALPOSITION = "films", "answered", "malpositioned"

PARTS: Mapping[str, tuple[str, ...]] = {
    FILMS: (ANSWERED, Verdict.CANNOT_SAY.value),
    ANSWERED: (MALPOSITION, Verdict.WITHIN_RANGE.value, Verdict.NEAR_A_LIMIT.value),
    MALPOSITION: tuple(verdict.value for verdict in MALPOSITIONED),
}
"""How the counts of a group of films add up."""

OUTCOMES: Mapping[str, str] = {
    MALPOSITION: ANSWERED,
    **{verdict.value: ANSWERED for verdict in MALPOSITIONED},
    Verdict.WITHIN_RANGE.value: ANSWERED,
    Verdict.NEAR_A_LIMIT.value: ANSWERED,
    Verdict.CANNOT_SAY.value: FILMS,
}
"""Each outcome and what it is a share of."""

NAMES = (FILMS, ANSWERED, *OUTCOMES)

NOT_COMPARED = ("month",)
"""Change over time is for the control chart, which asks fewer questions of the same films."""

WILSON = "Wilson"
SMALL = "hidden: small, or it would give away a small one"


@dataclass(frozen=True, slots=True)
class Figure:
    """One number of the report, as it stands in the CSV.

    Parameters
    ----------
    section, group, level, name : str
        Where it belongs and what it is.
    interval : Interval
        The number with its 95 % interval.
    unit : str
        "share", "cm" and so on; empty for pure numbers.
    count : Count, optional
        What a share was computed from; for other figures the films, as events and films alike.
    p, p_holm : float
        Of the exact test, as it is and adjusted for being one of many; nan where there is none.
    method : str
        How it was computed.
    note : str
        Why a number is missing, or what to mind.
    """

    section: str
    group: str
    level: str
    name: str
    interval: Interval
    unit: str = ""
    count: Count | None = None
    p: float = math.nan
    p_holm: float = math.nan
    method: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Counts:
    """Counts of films by factor, level and outcome; what must not be shown reads as None.

    Parameters
    ----------
    by_factor : mapping
        Levels of each factor, in their order.
    numbers : mapping
        Of (factor, level, name); the whole audit is (OVERALL, OVERALL, name).
    hidden : frozenset
        Keys that must not be shown.
    """

    by_factor: Mapping[str, Sequence[str]]
    numbers: Mapping[Key, int]
    hidden: frozenset[Key] = field(default_factory=frozenset)

    def shown(self, factor: str, level: str, name: str) -> int | None:
        """The count, or None where it is hidden."""
        key = (factor, level, name)
        return None if key in self.hidden else self.numbers[key]

    def count(self, factor: str, level: str, outcome: str) -> Count | None:
        """Events of an outcome among the films that it is a share of; None where either is hidden."""
        events, films = self.shown(factor, level, outcome), self.shown(factor, level, OUTCOMES[outcome])
        return None if events is None or films is None else Count(events, films)


def count_films(films: pd.DataFrame, least: int | None) -> Counts:
    """Count films by every factor that has more than one level, and hide small counts where `least` is given."""
    by_factor = {factor: levels(films, factor) for factor in FACTORS}
    overall = _tally(films["verdict"].value_counts())
    numbers: dict[Key, int] = {(OVERALL, OVERALL, name): number for name, number in overall.items()}
    for factor in by_factor:
        for level, tally in _tallies(films, factor).items():
            numbers |= {(factor, level, name): number for name, number in tally.items()}
    hidden = frozenset[Key]() if least is None else hidden_cells(numbers, tuple(_sums(by_factor)), least)
    return Counts(by_factor, numbers, hidden)


def _tallies(films: pd.DataFrame, by: str) -> dict[str, dict[str, int]]:
    import pandas as pd

    return {str(level): _tally(row) for level, row in pd.crosstab(films[by], films["verdict"]).iterrows()}


def _tally(found: pd.Series[int]) -> dict[str, int]:
    """Counts of `PARTS` and every verdict, from those of the verdicts that there are."""
    tally = {verdict.value: int(found.get(verdict.value, 0)) for verdict in Verdict}
    for name in (MALPOSITION, ANSWERED, FILMS):
        tally[name] = sum(tally[part] for part in PARTS[name])
    return tally


def _sums(by_factor: Mapping[str, Sequence[str]]) -> Iterator[Sum]:
    groups = [(OVERALL, OVERALL), *((factor, level) for factor, found in by_factor.items() for level in found)]
    for factor, level in groups:
        for total, parts in PARTS.items():
            yield Sum((factor, level, total), tuple((factor, level, part) for part in parts))
    for factor, found in by_factor.items():
        for name in NAMES:
            yield Sum((OVERALL, OVERALL, name), tuple((factor, level, name) for level in found))


def rates(counts: Counts) -> Iterator[Figure]:
    """Rate of each outcome, over all and by level, with Wilson's interval."""
    groups = [(OVERALL, OVERALL), *((f, level) for f, found in counts.by_factor.items() for level in found)]
    for factor, level in groups:
        for outcome in OUTCOMES:
            yield rate("rates", FACTORS.get(factor, OVERALL), level, outcome, counts.count(factor, level, outcome))


def rate(section: str, group: str, level: str, name: str, count: Count | None) -> Figure:
    """A share as a Figure; hidden where the count is None."""
    interval = undefined(SMALL) if count is None else wilson(count)
    return Figure(section, group, level, name, interval, "share", count, method=WILSON, note=interval.undefined)


def differences(counts: Counts) -> tuple[Figure, ...]:
    """Malposition in each level against all other levels of its factor, adjusted together.

    Two levels make one comparison. What is not known is left out, and so are counts that must not be shown.
    """
    found = [
        figure for factor in counts.by_factor if factor not in NOT_COMPARED for figure in _compare(counts, factor)
    ]
    adjusted = iter(holm([figure.p for figure in found if not math.isnan(figure.p)]))
    return tuple(figure if math.isnan(figure.p) else replace(figure, p_holm=next(adjusted)) for figure in found)


def _compare(counts: Counts, factor: str) -> Iterator[Figure]:
    known = [level for level in counts.by_factor[factor] if level != NOT_KNOWN]
    if len(known) < 2:
        return
    shown = {level: counts.count(factor, level, MALPOSITION) for level in known}
    for level in known[:1] if len(known) == 2 else known:
        others = [shown[other] for other in known if other != level]
        against = f"{level} against {known[1] if len(known) == 2 else 'all others'}"
        yield _difference(FACTORS[factor], against, shown[level], others)


def _difference(group: str, against: str, one: Count | None, others: Sequence[Count | None]) -> Figure:
    rest = [other for other in others if other is not None]
    method = "Newcombe method 10; Fisher's exact test; Holm"
    if one is None or len(rest) < len(others):
        return Figure(
            "differences", group, against, MALPOSITION, undefined(SMALL), "share", method=method, note=SMALL
        )
    together = Count(sum(other.events for other in rest), sum(other.films for other in rest))
    interval = newcombe_difference(one, together)
    p = fisher_exact(one, together) if interval.defined else math.nan
    return Figure(
        *("differences", group, against, MALPOSITION, interval, "share"),
        count=one,
        p=p,
        method=method,
        note=interval.undefined,
    )


@dataclass(frozen=True, slots=True)
class OverTime:
    """The chart over time.

    Parameters
    ----------
    periods : tuple of str
        Those drawn, in their order.
    counts : tuple of Count
        Malpositioned among answered films.
    chart : PChart
    baseline : int or None
        Number of first periods that the centre line comes from; None for all.
    left_out : int
        Periods without an answered film or with hidden counts.
    """

    periods: tuple[str, ...]
    counts: tuple[Count, ...]
    chart: PChart
    baseline: int | None
    left_out: int


LEAST_PERIODS = 2


def over_time(films: pd.DataFrame, baseline: int | None, least: int | None, counts: Counts) -> OverTime | None:
    """The p-chart of malposition; None with fewer than two periods to draw.

    Where the periods are the months, they are hidden as in the tables; other periods by the same rules among
    themselves.
    """
    known = films[films["period"].notna() & (films["month"] != NOT_KNOWN)]
    periods = sorted(str(period) for period in known["period"].unique())
    if (known["period"] == known["month"]).all():
        found = {period: counts.count("month", period, MALPOSITION) for period in periods}
    else:
        found = _by_period(known, periods, least)
    drawn = {period: count for period, count in found.items() if count is not None and count.films}
    if len(drawn) < LEAST_PERIODS:
        return None
    first = None if baseline is None else min(baseline, len(drawn))
    chart = p_chart(tuple(drawn.values()), first)
    return OverTime(tuple(drawn), tuple(drawn.values()), chart, first, len(periods) - len(drawn))


def _by_period(films: pd.DataFrame, periods: Sequence[str], least: int | None) -> dict[str, Count | None]:
    """Malpositioned among answered films of each period; None where it must not be shown."""
    tallies = _tallies(films, "period")
    found = {period: Count(tallies[period][MALPOSITION], tallies[period][ANSWERED]) for period in periods}
    if least is None:
        return dict(found)
    numbers: dict[Key, int] = {}
    for period, count in found.items():
        parts = {MALPOSITION: count.events, "other": count.films - count.events, ANSWERED: count.films}
        numbers |= {(period, name): number for name, number in parts.items()}
    sums = [Sum((period, ANSWERED), ((period, MALPOSITION), (period, "other"))) for period in periods]
    for name in (MALPOSITION, "other", ANSWERED):
        every = tuple((period, name) for period in periods)
        numbers[(OVERALL, name)] = sum(numbers[key] for key in every)
        sums.append(Sum((OVERALL, name), every))
    hidden = {period for period, name in hidden_cells(numbers, sums, least) if name != "other"}
    return {period: None if period in hidden else count for period, count in found.items()}


def figures_over_time(time: OverTime) -> Iterator[Figure]:
    """Each period's rate with its control limits, and the centre line."""
    chart = time.chart
    method = "p-chart, 3 standard deviations"
    yield Figure(
        *("over time", "centre line", "", MALPOSITION),
        Interval(chart.centre, math.nan, math.nan),
        "share",
        method=method,
    )
    for index, period in enumerate(time.periods):
        fired = "; ".join(
            f"{signal.rule.value}, {'high' if signal.above else 'low'}"
            for signal in chart.signals
            if signal.index == index
        )
        limits = Interval(chart.shares[index], chart.lower[index], chart.upper[index])
        yield Figure(
            *("over time", "period", period, MALPOSITION, limits, "share", time.counts[index]),
            method=f"{method}: low and high are the control limits",
            note=fired,
        )


def spread(section: str, group: str, name: str, values: Iterable[float], unit: str) -> Iterator[Figure]:
    """Number, mean with Student's interval, standard deviation, quartiles and the middle 95 %."""
    import numpy as np
    from scipy.special import stdtrit

    numbers = np.asarray(list(values), dtype=float)
    films = Count(numbers.size, numbers.size)
    if numbers.size < LEAST_FOR_SPREAD:
        why = f"fewer than {LEAST_FOR_SPREAD} films"
        yield Figure(section, group, name, "mean", undefined(why), unit, films, note=why)
        return
    mean, sd = float(numbers.mean()), float(numbers.std(ddof=1))
    half = float(stdtrit(numbers.size - 1, 0.975)) * sd / math.sqrt(numbers.size)
    yield Figure(
        section, group, name, "mean", Interval(mean, mean - half, mean + half), unit, films, method="Student"
    )
    yield Figure(section, group, name, "standard deviation", _alone(sd), unit, films)
    low, quarter, middle, three, high = (float(q) for q in np.percentile(numbers, [2.5, 25, 50, 75, 97.5]))
    yield Figure(section, group, name, "median, with quartiles", Interval(middle, quarter, three), unit, films)
    yield Figure(section, group, name, "median, with the middle 95 %", Interval(middle, low, high), unit, films)


LEAST_FOR_SPREAD = 5
"""Fewer numbers have no distribution to speak of (ours)."""


def _alone(value: float) -> Interval:
    return Interval(value, math.nan, math.nan)


def binned(values: NDArray[np.float64], edges: Sequence[float], least: int | None) -> tuple[int | None, ...]:
    """Counts between edges, everything beyond in the outermost; None where it must not be shown."""
    import numpy as np

    inside = np.clip(values, edges[0], np.nextafter(edges[-1], edges[0]))
    found = np.histogram(inside, bins=np.asarray(edges))[0].tolist()
    keys: list[Key] = [(f"{index:04d}",) for index in range(len(found))]
    numbers = {("all",): len(values), **dict(zip(keys, found, strict=True))}
    hidden = frozenset[Key]() if least is None else hidden_cells(numbers, [Sum(("all",), tuple(keys))], least)
    return tuple(None if key in hidden else number for key, number in zip(keys, found, strict=True))


def what_to_do(moves_cm: NDArray[np.float64]) -> Iterator[Figure]:
    """Share of films whose tube should be left, withdrawn or advanced, of those that got an advice."""
    for name, chosen in (("leave", moves_cm == 0.0), ("withdraw", moves_cm < 0.0), ("advance", moves_cm > 0.0)):
        yield rate("distance", "what to do", "", name, Count(int(chosen.sum()), len(moves_cm)))


def coarse(figures: Iterable[Figure], least: int | None) -> tuple[Figure, ...]:
    """The same with counts rounded to multiples of `least`, so that none gives away a small one elsewhere.

    Chapters count the same films in different ways; the difference between two such counts may be small. Shares
    are computed anew from the rounded counts.
    """
    return tuple(figure if least is None else _coarse(figure, least) for figure in figures)


def _coarse(figure: Figure, least: int) -> Figure:
    if figure.count is None:
        return figure
    films = least * round(figure.count.films / least)
    count = Count(min(least * round(figure.count.events / least), films), films)
    if figure.method == WILSON:
        return rate(figure.section, figure.group, figure.level, figure.name, count)
    return replace(figure, count=count)


def films_between(section: str, group: str, low: float, high: float, count: int | None) -> Figure:
    """A histogram's bar as a Figure."""
    interval = undefined(SMALL) if count is None else _alone(float(count))
    return Figure(section, group, f"{low:g} to {high:g} cm", "films", interval, "films", note=interval.undefined)
