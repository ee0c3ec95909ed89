"""Can the figures be trusted? Coverage, the choice of range, agreement of readings, and their errors undone."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
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
from annotate.audit.report_films import MALPOSITIONED, NOT_KNOWN, ZONES, zones
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
    silent = films[films["verdict"] == Verdict.CANNOT_SAY.value]
    told = Counter(reason for reasons in silent["reasons"] for reason in _distinct(reasons))
    lines = [("", "could not be opened", int(silent["error"].notna().sum()))]
    most = sorted(told.items(), key=lambda item: (-item[1], item[0]))[:MOST_REASONS]
    lines += [(reason, "films that give this reason", number) for reason, number in most]
    for reason, name, number in lines:
        kept = whole and not _small((number, len(silent) - number), least)
        if kept or not reason:
            yield rate("coverage", "why not", reason, name, Count(number, all_films or 0) if kept else None)


def _distinct(reasons: Sequence[str] | None) -> list[str]:
    """Reasons without what differs from film to film, or may tell whose it is: numbers, paths, quoted names."""
    return sorted({_general(reason) for reason in (() if reasons is None else reasons)})


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
    placed = zones(films[films["chance_within_range"].notna()])
    placed = placed[placed != ""]
    guessed = Count(int(_positive(placed).sum()), len(placed))
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
    adults = films[grown & films["on_film_cm"].notna() & ~films["rough"]]
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
    low = necks.map({posture.value: accepted.low_cm.value for posture, accepted in GOODMAN.items()})
    high = necks.map({posture.value: accepted.high_cm.value for posture, accepted in GOODMAN.items()})
    ends = (low.fillna(taken.low_cm.value), high.fillna(taken.high_cm.value))
    return np.asarray(ends[0], dtype=float), np.asarray(ends[1], dtype=float)


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
    known = films[films["lip_mark_cm"].notna() & films["in_patient_cm"].notna()]
    for level in (OVERALL, *sorted(set(known["sex"]))):
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


def pairings(readings: pd.DataFrame, least: int) -> list[Pairing]:
    """The proposals against the first reading by hand, and the readers against each other."""
    readings = readings[~readings["rough"]]
    hand = readings[readings["source"] == "hand"]
    first_hand = hand.drop_duplicates("film").set_index("film")
    proposed = readings[readings["source"] == "proposed"].drop_duplicates("film").set_index("film")
    by_reader = {
        str(reader): rows.drop_duplicates("film").set_index("film")
        for reader, rows in hand[hand["reader"].notna()].groupby("reader", observed=True)
    }
    readers = [
        _pairing(f"{a} against {b}", by_reader[a], by_reader[b]) for a, b in combinations(sorted(by_reader), 2)
    ]
    readers = sorted(readers, key=lambda pairing: -len(pairing.first))[:MOST_PAIRS]
    found = [_pairing(PROPOSED_AND_HAND, proposed, first_hand), *readers]
    return [pairing for pairing in found if len(pairing.first) >= max(least, 2)]


def _pairing(name: str, first: pd.DataFrame, second: pd.DataFrame) -> Pairing:
    shared = first.index.intersection(second.index, sort=False)
    return Pairing(name, first.loc[shared], second.loc[shared])


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
    a, b = zones(pairing.first), zones(pairing.second)
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


def corrected(readings: pd.DataFrame, least: int | None) -> Iterator[Figure]:
    """Prevalence that the proposals alone report, and what is left of it once their errors are taken out.

    A film is positive where the best estimate lies outside its range. The first reading by hand is taken for the
    truth.
    """
    import numpy as np

    proposed = readings[readings["source"] == "proposed"].drop_duplicates("film").set_index("film")
    hand = readings[readings["source"] == "hand"].drop_duplicates("film").set_index("film")
    zone, truth = zones(proposed), zones(hand.reindex(proposed.index))
    called, told = _positive(zone), zone != ""
    true, both = _positive(truth), told & (truth != "")
    if not both.any():
        return
    apparent = Count(int((called & told).sum()), int(told.sum()))
    sensitivity = Count(int(np.sum(called & true & both)), int(np.sum(true & both)))
    specificity = Count(int(np.sum(~called & ~true & both)), int(np.sum(~true & both)))
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


def _positive(zone: NDArray[np.str_]) -> NDArray[np.bool_]:
    import numpy as np

    return np.isin(zone, [verdict.value for verdict in MALPOSITIONED])
