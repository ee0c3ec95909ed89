"""Every number of an audit's report: counts, rates, differences, and how they change over time."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from annotate.audit.report_films import FACTORS, MALPOSITIONED, NOT_KNOWN, levels
from annotate.audit.report_suppression import Key, Sum, hidden_cells
from measure.advice import Action, NoAction, Urgency
from measure.statistics.control_chart import PChart, p_chart
from measure.statistics.expected import Alike, effective
from measure.statistics.interval import Interval, undefined
from measure.statistics.rates import Count, equal_rates, holm, newcombe_difference, wilson
from measure.verdict import SURE as SURE_FROM
from measure.verdict import Verdict

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import ArrayLike, NDArray

OVERALL = "all films"
FILMS, COUNTED, ROUGH, SILENT = "films", "counted", "rough scale", "no answer"
MALPOSITION, NEAR_CARINA = "malpositioned", "near the carina"
SURE, SURE_WITHIN, UNSURE = "surely malpositioned", "surely within range", "not sure"

EXPECTED: Mapping[str, str] = {
    Verdict.IN_A_MAIN_BRONCHUS.value: "chance_in_main_bronchus",
    Verdict.TOO_LOW.value: "chance_too_low",
    Verdict.TOO_HIGH.value: "chance_too_high",
    Verdict.WITHIN_RANGE.value: "chance_within_range",
    NEAR_CARINA: "chance_near_carina",
}
"""Outcomes that are counted by their probability, and the column of each."""

PARTS: tuple[tuple[str, tuple[str, ...]], ...] = (
    (FILMS, (COUNTED, ROUGH, SILENT)),
    (COUNTED, (MALPOSITION, Verdict.WITHIN_RANGE.value)),
    (MALPOSITION, tuple(verdict.value for verdict in MALPOSITIONED)),
    (COUNTED, (SURE, UNSURE, SURE_WITHIN)),
)
"""How the numbers of a group of films add up."""

OUTCOMES: Mapping[str, str] = {
    **dict.fromkeys((MALPOSITION, SURE, *EXPECTED, SURE_WITHIN, UNSURE), COUNTED),
    **dict.fromkeys((ROUGH, SILENT), FILMS),
}
"""Each outcome and what it is a share of."""

BY_GROUP = (MALPOSITION, SURE, *EXPECTED, SILENT)
"""Outcomes that the tables by group show; all are in the CSV."""

NAMES = (FILMS, COUNTED, *OUTCOMES)

DECIMALS = 1
"""To which sums of probabilities are shown, and hidden where they are small."""

NOT_COMPARED = ("month",)
"""Change over time is for the control chart, which asks fewer questions of the same films."""

WILSON, BY_PATIENT = "Wilson", "Wilson, films of a patient taken together"
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
    """Films by factor, level and outcome, counted or as sums of probabilities; what must not be shown is None.

    Parameters
    ----------
    by_factor : mapping
        Levels of each factor, in their order.
    numbers : mapping
        Of (factor, level, name); the whole audit is (OVERALL, OVERALL, name).
    worth : mapping
        Where patients are known: the count that as many independent films would give, of the same keys.
    hidden : frozenset
        Keys that must not be shown.
    """

    by_factor: Mapping[str, Sequence[str]]
    numbers: Mapping[Key, float]
    worth: Mapping[Key, Count] = field(default_factory=dict)
    hidden: frozenset[Key] = field(default_factory=frozenset)

    def shown(self, factor: str, level: str, name: str) -> float | None:
        """The number, or None where it is hidden."""
        key = (factor, level, name)
        return None if key in self.hidden else self.numbers[key]

    def count(self, factor: str, level: str, outcome: str) -> Count | None:
        """Events of an outcome among the films that it is a share of; None where either is hidden."""
        events, films = self.shown(factor, level, outcome), self.shown(factor, level, OUTCOMES[outcome])
        return None if events is None or films is None else Count(min(events, films), films)

    def independent(self, factor: str, level: str, outcome: str) -> Count | None:
        """The same as independent films would give it: what its interval is taken from."""
        count = self.count(factor, level, outcome)
        return None if count is None else self.worth.get((factor, level, outcome), count)


def count_films(films: pd.DataFrame, least: int | None) -> Counts:
    """Count films by every factor, and hide small numbers where `least` is given."""
    by_factor = {factor: levels(films, factor) for factor in FACTORS}
    events = events_of(films)
    numbers: dict[Key, float] = {}
    worth: dict[Key, Count] = {}
    for factor, found in ({OVERALL: [OVERALL]} | by_factor).items():
        codes = _codes(films, factor, found)
        numbers |= dict(_sums_by_level(factor, found, codes, events))
        worth |= dict(_worth(factor, found, codes, events, films["patient"]))
    hidden = frozenset[Key]()
    if least is not None:
        decided = {key: round(number, DECIMALS) for key, number in numbers.items()}
        hidden = hidden_cells(decided, tuple(_sums(by_factor)), least)
    return Counts(by_factor, numbers, worth, hidden)


Events = Mapping[str, "NDArray[np.float64] | NDArray[np.bool_]"]
"""Of each film, by name: what it adds to the number."""


def events_of(films: pd.DataFrame) -> Events:
    """Of each film: what it adds to each number, a whole film or its probability."""
    import numpy as np

    chances = {name: films[column].to_numpy(float) for name, column in EXPECTED.items()}
    inside, rough = chances[Verdict.WITHIN_RANGE.value], films["rough"].to_numpy(bool)
    counted = ~np.isnan(inside) & ~rough
    known = {name: np.clip(np.where(counted, chance, 0.0), 0.0, 1.0) for name, chance in chances.items()}
    outside = np.clip(np.where(counted, 1.0 - inside, 0.0), 0.0, 1.0)
    sure, sure_within = counted & (outside >= SURE_FROM), counted & (inside >= SURE_FROM)
    whole: dict[str, NDArray[np.bool_]] = {
        FILMS: np.ones(len(films), bool),
        COUNTED: counted,
        ROUGH: rough,
        SILENT: ~counted & ~rough,
        SURE: sure,
        SURE_WITHIN: sure_within,
        UNSURE: counted & ~sure & ~sure_within,
    }
    return {**whole, MALPOSITION: outside, **known}


def _codes(films: pd.DataFrame, factor: str, found: Sequence[str]) -> NDArray[np.int64]:
    """The place of each film's level in the factor's order."""
    import numpy as np
    import pandas as pd

    if factor == OVERALL:
        return np.zeros(len(films), np.int64)
    return np.asarray(pd.Categorical(films[factor], categories=list(found)).codes, np.int64)


def _sums_by_level(
    factor: str, found: Sequence[str], codes: NDArray[np.int64], events: Events
) -> Iterator[tuple[Key, float]]:
    import numpy as np

    for name in NAMES:
        sums = np.bincount(codes, events[name], len(found))
        yield from (((factor, level, name), float(total)) for level, total in zip(found, sums, strict=True))


def _worth(
    factor: str,
    found: Sequence[str],
    codes: NDArray[np.int64],
    events: Events,
    patients: pd.Series[str],
) -> Iterator[tuple[Key, Count]]:
    """What the shares are known from where films of a patient are alike; nothing where no patient is known."""
    import numpy as np

    known = patients.notna().to_numpy()
    if not known.any():
        return
    whose = np.where(known, patients.astype("category").cat.codes, -1 - np.arange(len(patients)))
    for among in dict.fromkeys(OUTCOMES.values()):
        taken = np.asarray(events[among] > 0.0)
        level = codes[taken]
        alike = Alike(level, whose[taken], len(found))
        films, many = np.bincount(level, minlength=len(found)), alike.patients()
        for outcome in (outcome for outcome, whole in OUTCOMES.items() if whole == among):
            values = events[outcome][taken]
            variances, sums = alike.mean_variances(values), np.bincount(level, values, len(found))
            for place, name in enumerate(found):
                count = Count(min(float(sums[place]), float(films[place])), float(films[place]))
                yield (factor, name, outcome), effective(count, float(variances[place]), int(many[place]))


def _sums(by_factor: Mapping[str, Sequence[str]]) -> Iterator[Sum]:
    groups = [(OVERALL, OVERALL), *((factor, level) for factor, found in by_factor.items() for level in found)]
    for factor, level in groups:
        for total, parts in PARTS:
            yield Sum((factor, level, total), tuple((factor, level, part) for part in parts))
    for factor, found in by_factor.items():
        for name in NAMES:
            yield Sum((OVERALL, OVERALL, name), tuple((factor, level, name) for level in found))


def rates(counts: Counts) -> Iterator[Figure]:
    """Rate of each outcome, over all and by level, with Wilson's interval."""
    groups = [(OVERALL, OVERALL), *((f, level) for f, found in counts.by_factor.items() for level in found)]
    for factor, level in groups:
        for outcome in OUTCOMES:
            count, worth = counts.count(factor, level, outcome), counts.independent(factor, level, outcome)
            yield rate("rates", FACTORS.get(factor, OVERALL), level, outcome, count, worth)


def rate(
    section: str, group: str, level: str, name: str, count: Count | None, worth: Count | None = None
) -> Figure:
    """A share as a Figure, its interval from what the count is worth; hidden where the count is None."""
    interval = undefined(SMALL) if count is None else wilson(worth or count)
    method = WILSON if worth is None or worth == count else BY_PATIENT
    return Figure(section, group, level, name, interval, "share", count, method=method, note=interval.undefined)


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
    shown = {level: counts.independent(factor, level, MALPOSITION) for level in known}
    for level in known[:1] if len(known) == 2 else known:
        others = [shown[other] for other in known if other != level]
        against = f"{level} against {known[1] if len(known) == 2 else 'all others'}"
        count = counts.count(factor, level, MALPOSITION)
        yield _difference(FACTORS[factor], against, count, shown[level], others)


def _difference(
    group: str, against: str, count: Count | None, one: Count | None, others: Sequence[Count | None]
) -> Figure:
    rest = [other for other in others if other is not None]
    method = "Newcombe method 10; N - 1 chi-squared; Holm"
    if one is None or len(rest) < len(others):
        return Figure(
            "differences", group, against, MALPOSITION, undefined(SMALL), "share", method=method, note=SMALL
        )
    together = Count(sum(other.events for other in rest), sum(other.films for other in rest))
    interval = newcombe_difference(one, together)
    p = equal_rates(one, together) if interval.defined else math.nan
    return Figure(
        *("differences", group, against, MALPOSITION, interval, "share"),
        count=count,
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
        Malpositioned among counted films.
    chart : PChart
    baseline : int or None
        Number of first periods that the centre line comes from; None for all.
    left_out : int
        Periods without a counted film or with hidden counts.
    """

    periods: tuple[str, ...]
    counts: tuple[Count, ...]
    chart: PChart
    baseline: int | None
    left_out: int


LEAST_PERIODS = 2

_FOR_TIME = ["period", "month", "rough", *EXPECTED.values()]


def over_time(films: pd.DataFrame, baseline: int | None, least: int | None, counts: Counts) -> OverTime | None:
    """The p-chart of malposition; None with fewer than two periods to draw.

    Where the periods are the months, they are hidden as in the tables; other periods by the same rules among
    themselves.
    """
    known = films.loc[films["period"].notna() & (films["month"] != NOT_KNOWN), _FOR_TIME]
    periods = sorted(str(period) for period in known["period"].unique())
    pairs = known[["period", "month"]].drop_duplicates().astype(str)
    if (pairs["period"] == pairs["month"]).all():
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
    """Malpositioned among counted films of each period; None where it must not be shown."""
    events, codes = events_of(films), _codes(films, "period", periods)
    sums = dict(_sums_by_level("period", periods, codes, events))
    found: dict[str, Count | None] = {}
    for period in periods:
        bad, all_films = sums["period", period, MALPOSITION], sums["period", period, COUNTED]
        found[period] = Count(min(bad, all_films), all_films)
    if least is None:
        return found
    numbers: dict[Key, float] = {}
    for period in periods:
        for name in (MALPOSITION, Verdict.WITHIN_RANGE.value, COUNTED):
            numbers[period, name] = round(sums["period", period, name], DECIMALS)
    parts = (MALPOSITION, Verdict.WITHIN_RANGE.value)
    every = [Sum((period, COUNTED), tuple((period, part) for part in parts)) for period in periods]
    for name in (*parts, COUNTED):
        keys = tuple((period, name) for period in periods)
        numbers[OVERALL, name] = sum(numbers[key] for key in keys)
        every.append(Sum((OVERALL, name), keys))
    hidden = {period for period, name in hidden_cells(numbers, every, least) if name != parts[1]}
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


def spread(section: str, group: str, name: str, values: ArrayLike, unit: str) -> Iterator[Figure]:
    """Number, mean with Student's interval, standard deviation, quartiles and the middle 95 %."""
    import numpy as np
    from scipy.special import stdtrit

    numbers = np.asarray(values, dtype=float)
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


def what_to_do(films: pd.DataFrame) -> Iterator[Figure]:
    """Share of films by what to do with the tube and how soon, of those that got an action."""
    advised = films.loc[films["action"].notna() & ~films["rough"].astype(bool), ["action", "urgency"]]
    for column, group, kinds in (("action", "what to do", Action), ("urgency", "how soon", Urgency)):
        found = advised[column].value_counts()
        for kind in kinds:
            count = Count(int(found.get(kind.value, 0)), len(advised))
            yield rate("distance", group, "", kind.value, count)


def without_action(films: pd.DataFrame) -> Iterator[Figure]:
    """Share of all films that got no action, by why."""
    found = films["no_action_because"].value_counts()
    for why in NoAction:
        if number := int(found.get(why.value, 0)):
            yield rate("coverage", "no action", why.value, "films without an action", Count(number, len(films)))


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
    if figure.method in (WILSON, BY_PATIENT):
        return rate(figure.section, figure.group, figure.level, figure.name, count)
    return replace(figure, count=count)


def films_between(section: str, group: str, low: float, high: float, count: int | None) -> Figure:
    """A histogram's bar as a Figure."""
    interval = undefined(SMALL) if count is None else _alone(float(count))
    return Figure(section, group, f"{low:g} to {high:g} cm", "films", interval, "films", note=interval.undefined)
