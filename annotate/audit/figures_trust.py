"""Can the figures be trusted? Coverage, the choice of range, agreement of readings, and their errors undone."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from annotate.audit.figures import (
    COUNTED,
    FILMS,
    MALPOSITION,
    OVERALL,
    SMALL,
    SURE,
    UNSURE,
    Counts,
    Figure,
    rate,
    without_action,
)
from annotate.audit.report_films import MALPOSITIONED, NOT_KNOWN, ZONES, ask, reasons_of
from measure.accepted_range import GOODMAN, OTHER_PUBLISHED, AcceptedRange
from measure.advice import Action
from measure.patient import AgeGroup
from measure.posture import NeckPosture
from measure.statistics.agreement import (
    BlandAltman,
    Weighting,
    bland_altman,
    cohen_kappa,
    contingency_table,
    intraclass_correlation,
    mean_absolute_error,
)
from measure.statistics.interval import undefined
from measure.statistics.rates import Count, rogan_gladen, variance_explained
from measure.verdict import Verdict

if TYPE_CHECKING:
    import duckdb
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

MOST_REASONS = 12
MOST_PAIRS = 10
"""Lines of a table that a reader still looks at (ours)."""


def coverage(films: pd.DataFrame, counts: Counts, least: int | None) -> Iterator[Figure]:
    """How many films were counted, how many got no action or could not be opened, and why not."""
    counted, all_films = (counts.shown(OVERALL, OVERALL, name) for name in (COUNTED, FILMS))
    whole = counted is not None and all_films is not None
    yield rate("coverage", "counted", "", COUNTED, Count(counted or 0, all_films or 0) if whole else None)
    for figure in without_action(films):
        if figure.count is not None and whole and not _small((figure.count.events,), least):
            yield figure
    silent = films.loc[films["verdict"] == Verdict.CANNOT_SAY.value, ["reasons", "error"]]
    told = Counter[str]()
    for reasons, number in silent["reasons"].value_counts().items():
        told.update(dict.fromkeys(_distinct(reasons_of(reasons)), number))
    lines = [("", "could not be opened", int(silent["error"].sum()))]
    most = sorted(told.items(), key=lambda item: (-item[1], item[0]))[:MOST_REASONS]
    lines += [(reason, "films that give this reason", number) for reason, number in most]
    for reason, name, number in lines:
        kept = whole and not _small((number, len(silent) - number), least)
        if kept or not reason:
            yield rate("coverage", "why not", reason, name, Count(number, all_films or 0) if kept else None)


def _distinct(reasons: Sequence[str]) -> list[str]:
    """Reasons without what differs from film to film, or may tell whose it is: numbers, paths, quoted names."""
    return sorted({_general(reason) for reason in reasons})


def _general(reason: str) -> str:
    words = ("…" if re.search(r"[/\\]|\.\w{2,4}\b", word) else word for word in reason.split())
    text = re.sub(r"(['\"]).*?\1", "…", " ".join(words))
    return re.sub(r"\d+(\.\d+)?", "…", text)[:160]


def _small(counts: Iterable[float], least: int | None) -> bool:
    return least is not None and any(0 < count < least for count in counts)


def near_limits(films: pd.DataFrame, counts: Counts) -> Iterator[Figure]:
    """Malposition by the films that are sure, by all that are not surely good, by best estimates, by chances."""
    group = "films near a limit"
    sure, unsure = counts.count(OVERALL, OVERALL, SURE), counts.count(OVERALL, OVERALL, UNSURE)
    either = None if sure is None or unsure is None else Count(sure.events + unsure.events, sure.films)
    placed = films.loc[films["chance_within_range"].notna() & (films["zone"] != ""), "zone"]
    guessed = Count(int(placed.isin(POSITIVE).sum()), len(placed))
    for level, count in (
        ("surely outside: the lower bound", sure),
        ("all but the surely good: the upper bound", either),
        ("every film counted by its best estimate of the height", guessed),
        ("every film counted by its chances (as in the rates)", counts.count(OVERALL, OVERALL, MALPOSITION)),
    ):
        yield rate("sensitivity", group, level, MALPOSITION, count)


def ranges(films: pd.DataFrame) -> Iterator[Figure]:
    """Share of best estimates outside each published range, adults alone; and by what an unknown neck may be."""
    grown = films["age_group"].isin([AgeGroup.ADULT.value, NOT_KNOWN])
    adults = films.loc[grown & films["on_film_cm"].notna() & ~films["rough"], ["on_film_cm", "neck"]]
    height = adults["on_film_cm"].to_numpy(float)
    for name, accepted in OTHER_PUBLISHED.items():
        yield from _outside(f"{name}: {_limits(accepted)}", height, *_ends(accepted, len(adults)))
    for taken in (NeckPosture.NEUTRAL, NeckPosture.FLEXED, NeckPosture.EXTENDED):
        low, high = _by_neck(adults["neck"], taken)
        yield from _outside(f"goodman, neck not known taken as {taken.value}", height, low, high)


def _limits(accepted: AcceptedRange) -> str:
    low, high = accepted.low_cm.value, accepted.high_cm.value
    return f"{low:g} cm and more" if math.isinf(high) else f"{low:g} to {high:g} cm"


def _ends(accepted: AcceptedRange, films: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    import numpy as np

    return np.full(films, accepted.low_cm.value), np.full(films, accepted.high_cm.value)


def _by_neck(necks: pd.Series[str], unknown: NeckPosture) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Goodman's limits for each film's posture."""
    import numpy as np

    taken = GOODMAN[unknown]
    by_posture = {posture.value: accepted for posture, accepted in GOODMAN.items()}
    found = necks.astype("category").cat
    accepted = [by_posture.get(neck, taken) for neck in found.categories]
    low, high = np.array([(each.low_cm.value, each.high_cm.value) for each in accepted], float).reshape(-1, 2).T
    return low[found.codes], high[found.codes]


def _outside(
    rule: str,
    height: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
) -> Iterator[Figure]:
    below, above = int((height < low).sum()), int((height > high).sum())
    for name, events in (("below", below), ("above", above), ("outside", below + above)):
        yield rate("sensitivity", "accepted range", rule, name, Count(events, height.size))


def explained(films: pd.DataFrame, least: int | None) -> Iterator[Figure]:
    """How much of the distance's variance the mark at the lip explains, over all and by sex."""
    marked = films["lip_mark_cm"].notna() & films["in_patient_cm"].notna()
    known = films.loc[marked, ["lip_mark_cm", "in_patient_cm", "sex"]]
    for level in (OVERALL, *sorted(known["sex"].unique())):
        rows = known if level == OVERALL else known[known["sex"] == level]
        if len(rows) < 2 or (least is not None and len(rows) < least):
            interval = undefined("too few films with a lip mark and a distance")
        else:
            interval = variance_explained(rows["lip_mark_cm"], rows["in_patient_cm"])
        yield Figure(
            *("lip mark", "variance of the distance explained", level, "r squared", interval, "variance"),
            count=Count(len(rows), len(rows)),
            method="straight line; Fisher's transformation",
            note=interval.undefined,
        )


@dataclass(frozen=True, slots=True)
class Pairing:
    """Films that were read twice.

    Parameters
    ----------
    name : str
        Who against whom.
    first, second : DataFrame
        The two readings of the same films, row by row.
    """

    name: str
    first: pd.DataFrame
    second: pd.DataFrame

    def heights(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Both distances on the film, where both are known."""
        a = self.first["on_film_cm"].to_numpy(float)
        b = self.second["on_film_cm"].to_numpy(float)
        both = (a == a) & (b == b)
        return a[both], b[both]


PROPOSED_AND_HAND = "proposal against hand"
NO_ACTION = "none"


def pairings(readings: duckdb.DuckDBPyRelation, least: int) -> list[Pairing]:
    """The proposals against the first reading by hand, and the readers against each other."""
    pairs = ask(
        readings,
        "WITH read AS (SELECT DISTINCT film, reader FROM every "
        "WHERE source = 'hand' AND NOT rough AND reader IS NOT NULL) "
        "SELECT a.reader, b.reader FROM read AS a JOIN read AS b ON a.film = b.film AND a.reader < b.reader "
        f"GROUP BY ALL ORDER BY count(*) DESC, a.reader, b.reader LIMIT {MOST_PAIRS}",
    ).fetchall()
    found = [_pairing(PROPOSED_AND_HAND, readings, "source = 'proposed'", "source = 'hand'")]
    for pair in pairs:
        conditions = (f"source = 'hand' AND reader = {_quoted(reader)}" for reader in pair)
        found.append(_pairing(" against ".join(pair), readings, *conditions))
    return [pairing for pairing in found if len(pairing.first) >= max(least, 2)]


def _quoted(text: str) -> str:
    """A text as SQL writes it."""
    return "'" + text.replace("'", "''") + "'"


PAIRED = ("on_film_cm", "zone", "verdict", "action")


def _pairing(name: str, readings: duckdb.DuckDBPyRelation, first: str, second: str) -> Pairing:
    """The first readings of either kind of the films that have both, in the order of the first kind."""
    columns = [f"{side}.{column} AS {side}_{column}" for side in ("a", "b") for column in PAIRED]
    both = ask(
        readings,
        "WITH fine AS (FROM every WHERE NOT rough), "
        f"seconds AS (SELECT film, min(place) AS place FROM fine WHERE {second} GROUP BY film), "
        f"firsts AS (SELECT film, min(place) AS place FROM fine WHERE {first} "
        "AND film IN (SELECT film FROM seconds) GROUP BY film) "
        f"SELECT {', '.join(columns)} FROM firsts JOIN seconds USING (film) "
        "JOIN every AS a ON a.place = firsts.place JOIN every AS b ON b.place = seconds.place "
        "ORDER BY firsts.place",
    ).df()
    sides = (both.filter(regex=f"^{side}_").set_axis(list(PAIRED), axis=1) for side in ("a", "b"))
    return Pairing(name, *sides)


def agreement(pairing: Pairing, least: int) -> Iterator[Figure]:
    """Bland-Altman, mean absolute error and ICC of the distance, kappa of zone and verdict."""
    import numpy as np

    a, b = pairing.heights()
    films = Count(a.size, len(pairing.first))
    if a.size < max(least, 2):
        why = "too few films where both readings have a distance"
        yield Figure("agreement", pairing.name, "distance", "bias", undefined(why), "cm", films, note=why)
    else:
        yield from _limits_of(pairing.name, bland_altman(a, b), films)
        icc = intraclass_correlation(np.column_stack([a, b]))
        distance = ("agreement", pairing.name, "distance")
        yield Figure(*distance, "mean absolute error", mean_absolute_error(a, b), "cm", films, method="Student")
        for name, found in (("ICC(2,1)", icc.agreement), ("ICC(3,1)", icc.consistency)):
            yield Figure(*distance, name, found, "", films, method="McGraw & Wong", note=found.undefined)
    yield from _kappas(pairing)


def _limits_of(name: str, found: BlandAltman, films: Count) -> Iterator[Figure]:
    named = (("bias", found.bias), ("lower limit of agreement", found.lower_limit))
    for what, interval in (*named, ("upper limit of agreement", found.upper_limit)):
        yield Figure(
            "agreement", name, "distance", what, interval, "cm", films, method="Bland-Altman, exact limits"
        )


def _kappas(pairing: Pairing) -> Iterator[Figure]:
    a, b = (side["zone"].to_numpy() for side in (pairing.first, pairing.second))
    both = (a != "") & (b != "")
    verdicts = [list(side["verdict"]) for side in (pairing.first, pairing.second)]
    yield _kappa(pairing, "verdict", Weighting.NONE, verdicts, [verdict.value for verdict in Verdict])
    actions = [list(side["action"].astype(object).fillna(NO_ACTION)) for side in (pairing.first, pairing.second)]
    yield _kappa(pairing, "action", Weighting.NONE, actions, [*(action.value for action in Action), NO_ACTION])
    for weighting in Weighting:
        yield _kappa(pairing, "zone", weighting, [list(a[both]), list(b[both])], ZONES)


def _kappa(
    pairing: Pairing, of: str, weighting: Weighting, sides: Sequence[Sequence[str]], categories: Sequence[str]
) -> Figure:
    first, second = sides
    name = "kappa" if weighting is Weighting.NONE else f"{weighting.value} weighted kappa"
    if len(first) < 2:
        interval = undefined("fewer than 2 films")
    else:
        interval = cohen_kappa(contingency_table(first, second, categories), weighting).kappa
    return Figure(
        *("agreement", pairing.name, of, name, interval, ""),
        count=Count(len(first), len(pairing.first)),
        method="Fleiss, Cohen & Everitt",
        note=interval.undefined,
    )


def corrected(readings: duckdb.DuckDBPyRelation, least: int | None) -> Iterator[Figure]:
    """Prevalence that the proposals alone report, and what is left of it once their errors are taken out.

    A film is positive where the best estimate lies outside its range. The first reading by hand is taken for the
    truth.
    """
    films = _by_zones(readings)
    both = {zones: number for zones, number in films.items() if all(zones)}
    if not both:
        return
    called = sum(number for (zone, _), number in films.items() if zone in POSITIVE)
    apparent = Count(called, sum(number for (zone, _), number in films.items() if zone))
    sensitivity, specificity = _agreed(both, True), _agreed(both, False)
    cells = [n for c in (apparent, sensitivity, specificity) for n in (c.events, c.films - c.events)]
    small = _small(cells, least)
    group = "outside the range, by best estimate"
    for name, count in (
        ("as proposed", apparent),
        ("sensitivity of the proposals", sensitivity),
        ("specificity of the proposals", specificity),
    ):
        yield rate("corrected", group, "", name, None if small else count)
    interval = rogan_gladen(apparent, sensitivity, specificity)
    yield Figure(
        *("corrected", group, "", "corrected", interval, "share"),
        method="Rogan-Gladen; Lang & Reiczigel",
        note=interval.undefined or (SMALL.replace("hidden", "counts hidden") if small else ""),
    )


def _agreed(films: Mapping[tuple[str, str], int], positive: bool) -> Count:
    """Films that the proposal calls positive, or negative, as the hand does, among those that the hand does."""
    among = {zones: number for zones, number in films.items() if (zones[1] in POSITIVE) is positive}
    agreeing = sum(number for (zone, _), number in among.items() if (zone in POSITIVE) is positive)
    return Count(agreeing, sum(among.values()))


def _by_zones(readings: duckdb.DuckDBPyRelation) -> dict[tuple[str, str], int]:
    """Films by the zone as first proposed and as first read by hand; empty where there is none."""
    firsts = (
        f"SELECT film, arg_min(zone, place) AS zone FROM every WHERE source = '{source}' GROUP BY film"
        for source in ("proposed", "hand")
    )
    counted = ask(
        readings,
        "SELECT a.zone, coalesce(b.zone, ''), count(*) FROM ({}) AS a LEFT JOIN ({}) AS b USING (film) "
        "GROUP BY ALL".format(*firsts),
    )
    return {(proposed, hand): films for proposed, hand, films in counted.fetchall()}


POSITIVE = frozenset(verdict.value for verdict in MALPOSITIONED)
"""Zones outside the range."""
