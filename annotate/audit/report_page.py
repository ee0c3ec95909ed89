"""The report as chapters of words, charts and tables, and these as one HTML page that needs nothing else."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from annotate.audit import charts
from annotate.audit import report_words as words
from annotate.audit.figures import (
    BY_GROUP,
    FILMS,
    LEAST_FOR_SPREAD,
    MALPOSITION,
    NEAR_CARINA,
    NOT_COMPARED,
    OVERALL,
    ROUGH,
    SILENT,
    SURE,
    Counts,
    Figure,
    OverTime,
    binned,
    coarse,
    count_films,
    differences,
    figures_over_time,
    films_between,
    over_time,
    rates,
    spread,
    what_to_do,
)
from annotate.audit.figures_trust import (
    Pairing,
    agreement,
    corrected,
    coverage,
    explained,
    near_limits,
    pairings,
    ranges,
)
from annotate.audit.report_films import FACTORS, NOT_KNOWN, Audit, number_of
from annotate.audit.report_list import HEAD, list_films
from annotate.audit.report_tables import (
    Table,
    crossed_table,
    differences_table,
    overall_table,
    plain_table,
)
from annotate.drawing.charts import Picture
from annotate.reports import page as frame
from measure.cautions import ALWAYS

if TYPE_CHECKING:
    import duckdb
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Chapter:
    """A part of the report under one heading.

    Parameters
    ----------
    key, title : str
        Anchor and heading.
    words : tuple of str
        Paragraphs.
    pictures : tuple of Picture
    tables : tuple of Table
    figures : tuple of Figure
        All numbers of the chapter, for the CSV.
    """

    key: str
    title: str
    words: tuple[str, ...] = ()
    pictures: tuple[Picture, ...] = ()
    tables: tuple[Table, ...] = ()
    figures: tuple[Figure, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the user asks of the report.

    Parameters
    ----------
    least : int or None
        Hide counts below this; None hides nothing.
    baseline : int or None
        First periods of the chart over time that the centre line comes from.
    title : str
        Heading of the page.
    """

    least: int | None = None
    baseline: int | None = None
    title: str = words.TITLE


def chapters(audit: Audit, wishes: Wishes) -> tuple[Chapter, ...]:
    """The whole report in its order; chapters that the results say nothing about are left out."""
    counts = count_films(audit.films, wishes.least)
    every = tuple(rates(counts))
    found = (
        _overall(every),
        _by_group(every, counts),
        _differences(counts),
        _over_time(audit, wishes, counts),
        _distance(audit.films, wishes.least),
        _lip_mark(audit.films, wishes.least),
        *_agreement(audit.readings, wishes.least),
        _corrected(audit.readings, wishes.least),
        _coverage(audit.films, counts, wishes.least),
        _sensitivity(audit.films, counts, wishes.least),
    )
    return tuple(chapter for chapter in found if chapter is not None)


def _overall(every: Sequence[Figure]) -> Chapter:
    figures = tuple(figure for figure in every if figure.group == OVERALL)
    return Chapter(
        "rates",
        "How often",
        words.RATES,
        (charts.rate_bars("chart-rates", "Share of films by outcome", figures),),
        (overall_table("All films", figures),),
        figures,
    )


def _by_group(every: Sequence[Figure], counts: Counts) -> Chapter:
    telling = [factor for factor, found in counts.by_factor.items() if set(found) != {NOT_KNOWN}]
    figures = tuple(figure for figure in every if figure.group in {FACTORS[factor] for factor in telling})
    silent = [FACTORS[factor] for factor in counts.by_factor if factor not in telling]
    drawn = [
        f
        for f in figures
        if f.name == MALPOSITION
        and f.group in {FACTORS[factor] for factor in telling if factor not in NOT_COMPARED}
    ]
    overall = next(figure for figure in every if figure.group == OVERALL and figure.name == MALPOSITION)
    told = [*words.GROUPS]
    if silent:
        told.append(words.SILENT.format(factors=", ".join(silent)))
    tables = tuple(
        crossed_table(
            f"By {FACTORS[factor].lower()}",
            FACTORS[factor],
            [figure for figure in figures if figure.group == FACTORS[factor] and figure.name in BY_GROUP],
            {level: counts.shown(factor, level, FILMS) for level in counts.by_factor[factor]},
        )
        for factor in telling
    )
    picture = charts.forest("chart-groups", "Malpositioned, by group", drawn, overall)
    return Chapter("groups", "In whom and where", tuple(told), (picture,), tables, figures)


def _differences(counts: Counts) -> Chapter | None:
    figures = differences(counts)
    if not figures:
        return None
    tested = sum(not math.isnan(figure.p) for figure in figures)
    return Chapter(
        "differences",
        "Differences between groups",
        tuple(text.format(tested=tested) for text in words.DIFFERENCES),
        tables=(differences_table("Malpositioned, one group against the others", figures),),
        figures=figures,
    )


def _over_time(audit: Audit, wishes: Wishes, counts: Counts) -> Chapter | None:
    time = over_time(audit.films, wishes.baseline, wishes.least, counts)
    if time is None:
        return None
    figures = tuple(figures_over_time(time))
    return Chapter(
        "time",
        "Over time",
        tuple(_time_words(time)),
        (charts.control_chart("chart-time", "Malpositioned over time, with control limits", time),),
        (
            plain_table(
                "Each period (brackets: control limits)",
                [figure for figure in figures if figure.group == "period"],
                "period",
                "share (control limits)",
            ),
        ),
        figures,
    )


def _time_words(time: OverTime) -> Iterator[str]:
    taken = "all periods" if time.baseline is None else f"the first {time.baseline} periods"
    yield from (text.format(baseline=taken) for text in words.TIME)
    fired = dict.fromkeys((time.periods[s.index], "high" if s.above else "low") for s in time.chart.signals)
    told = ", ".join(f"{period} ({side})" for period, side in fired)
    yield words.SIGNALS.format(signals=told) if fired else words.NO_SIGNAL
    if time.left_out:
        yield words.LEFT_OUT.format(number=time.left_out)


DISTANCE_EDGES_CM = tuple(half / 2.0 for half in range(-8, 29))
MOVE_EDGES_CM = tuple(half / 2.0 - 0.25 for half in range(-16, 18))
"""Half centimetres: what the marks on a tube let a hand do. Everything beyond goes into the outermost."""


def _distance(films: pd.DataFrame, least: int | None) -> Chapter | None:
    few = max(LEAST_FOR_SPREAD, least or 0)
    columns = ["on_film_cm", "move_cm", "range_low_cm", "range_high_cm", "action", "urgency", "rough"]
    films = films.loc[~films["rough"], columns]
    heights, moves = (_known(films[name]) for name in ("on_film_cm", "move_cm"))
    moved = moves[moves != 0.0]
    if heights.size < few:
        return None
    low, high = float(films["range_low_cm"].median()), float(films["range_high_cm"].median())
    zone = None if math.isnan(low + high) else (low, high)
    across, along = "tip above carina, cm on the film", "withdraw (negative) or advance (positive), cm"
    bars = charts.Histogram(
        DISTANCE_EDGES_CM, binned(heights, DISTANCE_EDGES_CM, least), across, zone, "accepted (median)"
    )
    pictures = [charts.histogram("chart-distance", "Distance of the tip above the carina", bars)]
    counted = [*_binned_figures("tip above carina", bars)]
    summed = [*spread("distance", "tip above carina", "", heights, "cm"), *what_to_do(films)]
    if moved.size >= few:
        bars = charts.Histogram(MOVE_EDGES_CM, binned(moved, MOVE_EDGES_CM, least), along)
        pictures.append(charts.histogram("chart-move", "Suggested move at the lip, where there is one", bars))
        counted += _binned_figures("suggested move", bars)
        summed += spread("distance", "suggested move", "", moved, "cm")
    summed = list(coarse(summed, least))
    groups = dict.fromkeys(figure.group for figure in summed)
    tables = (plain_table(group.capitalize(), [f for f in summed if f.group == group]) for group in groups)
    return Chapter(
        "distance",
        "Distance and suggested move",
        words.DISTANCE,
        tuple(pictures),
        tuple(tables),
        (*summed, *counted),
    )


def _known(column: pd.Series[float]) -> NDArray[np.float64]:
    import numpy as np

    values = column.to_numpy(float)
    return np.asarray(values[values == values])


def _binned_figures(group: str, bars: charts.Histogram) -> Iterator[Figure]:
    for low, high, count in zip(bars.edges, bars.edges[1:], bars.counts, strict=False):
        yield films_between("distance", group, low, high, count)


def _lip_mark(films: pd.DataFrame, least: int | None) -> Chapter | None:
    figures = coarse(explained(films, least), least)
    if not any(figure.interval.defined for figure in figures):
        return None
    groups = tuple(_boxes(films, least))
    picture = (
        charts.boxes(
            "chart-lip", "Distance by mark at the lip", groups, "mark at the lip, cm", "in the patient, cm"
        )
        if len(groups) > 1
        else None
    )
    return Chapter(
        "lip",
        "What the lip mark explains",
        words.LIP_MARK,
        () if picture is None else (picture,),
        (plain_table("Variance of the distance explained by the lip mark", figures),),
        figures,
    )


def _boxes(films: pd.DataFrame, least: int | None) -> Iterator[charts.Box]:
    import numpy as np

    marked = films["lip_mark_cm"].notna() & films["in_patient_cm"].notna()
    known = films.loc[marked, ["lip_mark_cm", "in_patient_cm"]]
    for mark, rows in known.groupby(known["lip_mark_cm"].round()):
        if len(rows) >= 2 * max(LEAST_FOR_SPREAD, least or 0):
            low, quarter, middle, three, high = np.percentile(rows["in_patient_cm"], [10, 25, 50, 75, 90]).tolist()
            yield charts.Box(float(str(mark)), low, quarter, middle, three, high, len(rows))


def _agreement(readings: duckdb.DuckDBPyRelation, least: int | None) -> Iterator[Chapter]:
    found = pairings(readings, least or 0)
    if not found:
        return
    by_pair = {pairing.name: coarse(agreement(pairing, least or 0), least) for pairing in found}
    pictures = [
        picture
        for place, pairing in enumerate(found)
        if (picture := _cloud(place, pairing, by_pair[pairing.name], least))
    ]
    yield Chapter(
        "agreement",
        "Agreement of readings",
        words.AGREEMENT,
        tuple(pictures),
        tuple(plain_table(name.capitalize(), figures, "of") for name, figures in by_pair.items()),
        tuple(figure for figures in by_pair.values() for figure in figures),
    )


CELL_CM = (0.5, 0.25)
COARSE_CELL_CM = (1.0, 0.5)
"""Mean and difference; coarse where small cells are hidden."""


def _cloud(place: int, pairing: Pairing, figures: Sequence[Figure], least: int | None) -> Picture | None:
    import numpy as np

    a, b = pairing.heights()
    limits = tuple(
        (figure.name.replace(" of agreement", ""), figure.interval.value)
        for figure in figures
        if figure.unit == "cm" and figure.name != "mean absolute error" and figure.interval.defined
    )
    if not limits:
        return None
    across, up = CELL_CM if least is None else COARSE_CELL_CM
    pairs = np.column_stack([np.round((a + b) / 2 / across) * across, np.round((a - b) / up) * up]) + 0.0
    cells, films = np.unique(pairs, axis=0, return_counts=True)
    shown = tuple(
        (float(mean), float(gap), int(n)) for (mean, gap), n in zip(cells, films, strict=True) if n >= (least or 1)
    )
    if not shown:
        return None
    title = f"Difference against mean: {pairing.name}"
    return charts.difference_cloud(f"chart-agreement-{place}", title, charts.Cloud(shown, limits))


def _corrected(readings: duckdb.DuckDBPyRelation, least: int | None) -> Chapter | None:
    figures = coarse(corrected(readings, least), least)
    if not figures:
        return None
    return Chapter(
        "corrected",
        "Prevalence corrected for the proposals' errors",
        words.CORRECTED,
        tables=(plain_table("Films whose best estimate lies outside the range", figures),),
        figures=figures,
    )


def _coverage(films: pd.DataFrame, counts: Counts, least: int | None) -> Chapter:
    figures = coarse(coverage(films, counts, least), least)
    return Chapter(
        "coverage",
        "How many could be counted, and why not",
        words.COVERAGE,
        tables=(plain_table("Coverage", figures, "reason"),),
        figures=figures,
    )


def _sensitivity(films: pd.DataFrame, counts: Counts, least: int | None) -> Chapter:
    near, other = (coarse(figures, least) for figures in (near_limits(films, counts), ranges(films)))
    return Chapter(
        "sensitivity",
        "How the rates move with choices",
        words.SENSITIVITY,
        tables=(
            plain_table("Films near a limit", near, "choice"),
            crossed_table("Best estimates below, above and outside other ranges", "range", other),
        ),
        figures=(*near, *other),
    )


def page(audit: Audit, found: Sequence[Chapter], wishes: Wishes) -> str:
    """The HTML page: no link to anything outside itself.

    Parameters
    ----------
    audit : Audit
        For what the page says of its films.
    found : sequence of Chapter
    wishes : Wishes
    """
    values = {
        "title": wishes.title,
        "summary": summary(found, audit),
        "facts": _facts(audit, wishes),
        "cautions": (*_unfinished(audit), *ALWAYS, _alike(audit), *words.MIND),
        "chapters": found,
        "films": None if wishes.least is not None else list_films(audit),
        "film_head": HEAD,
        "film_words": words.FILMS,
    }
    return frame.page("annotate.audit", values)


def summary(found: Sequence[Chapter], audit: Audit) -> str:
    """The report in one sentence, or two."""
    told = {f.name: f for chapter in found for f in chapter.figures if f.section == "rates" and f.group == OVERALL}
    counted, bad = told[ROUGH].count, told[MALPOSITION]
    if not bad.interval.defined or bad.count is None or counted is None:
        return words.NO_SUMMARY.format(films=len(audit.films))
    patients = audit.films["patient"].nunique()
    rough, silent = _events(told[ROUGH]), _events(told[SILENT])
    apart = "" if rough == silent == "0" else words.APART.format(rough=rough, silent=silent)
    return (
        words.SUMMARY.format(
            films=len(audit.films),
            patients=f" of {patients} patients" if patients else "",
            counted=f"{bad.count.films:.0f}",
            malpositioned=_in_words(bad),
            near=_in_words(told[NEAR_CARINA]),
            sure=_in_words(told[SURE]),
        )
        + apart
    )


def _in_words(figure: Figure) -> str:
    interval = figure.interval
    if not interval.defined:
        return "(hidden)"
    return f"{100 * interval.value:.1f} % ({100 * interval.low:.1f} to {100 * interval.high:.1f})"


def _events(figure: Figure) -> str:
    return "a hidden number" if figure.count is None else f"{figure.count.events:.0f}"


def _alike(audit: Audit) -> str:
    """What the intervals allow for."""
    return words.ALIKE if audit.films["patient"].notna().any() else words.PATIENTS_UNKNOWN


def _unfinished(audit: Audit) -> Iterator[str]:
    """Nobody shall take half a run for the whole."""
    if audit.entries_missing:
        yield words.UNFINISHED.format(missing=audit.entries_missing)


def _facts(audit: Audit, wishes: Wishes) -> Mapping[str, str]:
    films = audit.films
    time = films["time"].dropna()
    settings = audit.settings.get("settings")
    chosen = settings.get("range") if isinstance(settings, Mapping) else None
    hidden = "nothing is hidden" if wishes.least is None else words.HIDDEN.format(least=wishes.least)
    return {
        "films": f"{len(films)}",
        "patients": f"{films['patient'].nunique() or 'not known'}",
        "readings of them": f"{number_of(audit.readings)}",
        "points placed by": ", ".join(sorted(films["source"].unique())),
        "months": "not known" if time.empty else f"{time.min():%Y-%m} to {time.max():%Y-%m}",
        "accepted range": str(chosen or "see settings.json"),
        "small counts": hidden,
    }
