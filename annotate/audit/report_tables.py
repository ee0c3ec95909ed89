"""Figures laid out as tables for people, and as one CSV for machines."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from io import StringIO

from annotate.audit.figures import SMALL, Figure
from annotate.words.cells import harmless
from measure.statistics.interval import Interval
from measure.statistics.rates import Count

HEAD = (
    *("section", "group", "level", "figure", "unit", "value", "low", "high", "events", "films"),
    *("p", "p_holm", "method", "note"),
)

EMPTY, HIDDEN = "–", "hidden"


@dataclass(frozen=True, slots=True)
class Cell:
    """What is read, what it is sorted by, what stands below in small letters, and which films it is of."""

    text: str
    sort: float | str
    number: bool = True
    below: str = ""
    films: tuple[str, str, str] | None = None


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under a head; every row has as many cells as the head."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


def as_csv(figures: Iterable[Figure]) -> str:
    """Every figure, one a line, under `HEAD`."""
    out = StringIO()
    lines = csv.writer(out, lineterminator="\n")
    lines.writerow(HEAD)
    for figure in figures:
        interval, count = figure.interval, figure.count
        words = (figure.section, figure.group, figure.level, figure.name, figure.unit)
        numbers = (interval.value, interval.low, interval.high)
        counts = ("", "") if count is None else tuple(map(_exactly, (count.events, count.films)))
        tests = (_plain(figure.p), _plain(figure.p_holm))
        told = (figure.method, figure.note)
        lines.writerow((*map(harmless, words), *map(_plain, numbers), *counts, *tests, *map(harmless, told)))
    return out.getvalue()


def _exactly(count: float) -> str:
    return f"{count:.0f}" if float(count).is_integer() else f"{count:.4f}"


def _plain(number: float) -> str:
    return "" if math.isnan(number) else f"{number:.6g}"


def words(text: str) -> Cell:
    """A cell of text."""
    return Cell(text, text, number=False)


def number(value: float | None) -> Cell:
    """A cell with a count or a sum of probabilities; None is hidden."""
    return Cell(HIDDEN, -1.0) if value is None else Cell(_counted(value), float(value))


def _counted(value: float) -> str:
    return f"{value:.0f}" if float(value).is_integer() else f"{value:.1f}"


UNITS = {"share": (100.0, 1, " %"), "variance": (100.0, 1, " %"), "cm": (1.0, 2, " cm")}
"""Factor, decimals and sign by which a unit is shown; all else is a pure number."""


def interval_cell(interval: Interval, unit: str) -> Cell:
    """A number with its interval."""
    if not interval.defined:
        return Cell(HIDDEN if interval.undefined == SMALL else EMPTY, -math.inf)
    factor, decimals, sign = UNITS.get(unit, (1.0, 2, ""))
    value, low, high = (
        f"{factor * number:.{decimals}f}" for number in (interval.value, interval.low, interval.high)
    )
    below = "" if math.isnan(interval.low) else f"({low} to {high})"
    return Cell(f"{value}{sign}", interval.value, below=below)


def share_cell(figure: Figure) -> Cell:
    """A figure with its interval; a rate leads to its films."""
    cell = interval_cell(figure.interval, figure.unit)
    leads = figure.section == "rates" and figure.interval.defined
    return replace(cell, films=(figure.group, figure.level, figure.name)) if leads else cell


def p_cell(p: float) -> Cell:
    """A p-value as people read it."""
    if math.isnan(p):
        return Cell(EMPTY, math.inf)
    return Cell("< 0.001" if p < 0.001 else f"{p:.3f}", p)


def of_cell(count: Count | None) -> Cell:
    """Events of films."""
    return (
        Cell(HIDDEN, -1.0)
        if count is None
        else Cell(f"{_counted(count.events)} of {_counted(count.films)}", count.events)
    )


def crossed_table(
    caption: str, first: str, figures: Sequence[Figure], films: Mapping[str, float | None] | None = None
) -> Table:
    """A row for each level, a column for each name; the number of films where given."""
    names = tuple(dict.fromkeys(figure.name for figure in figures))
    by_level: dict[str, dict[str, Figure]] = {}
    for figure in figures:
        by_level.setdefault(figure.level, {})[figure.name] = figure
    rows = tuple(
        (
            words(level),
            *([] if films is None else [number(films[level])]),
            *(share_cell(named[name]) for name in names),
        )
        for level, named in by_level.items()
    )
    return Table(caption, (first, *([] if films is None else ["films"]), *names), rows)


def overall_table(caption: str, figures: Sequence[Figure]) -> Table:
    """A row for each outcome."""
    rows = tuple((words(figure.name), of_cell(figure.count), share_cell(figure)) for figure in figures)
    return Table(caption, ("figure", "films", "share (95 % interval)"), rows)


def differences_table(caption: str, figures: Sequence[Figure]) -> Table:
    """A row for each comparison."""
    rows = tuple(
        (
            words(figure.group),
            words(figure.level),
            interval_cell(figure.interval, "share"),
            p_cell(figure.p),
            p_cell(figure.p_holm),
        )
        for figure in figures
    )
    return Table(caption, ("group", "comparison", "difference (95 % interval)", "p", "p, Holm"), rows)


def plain_table(
    caption: str, figures: Sequence[Figure], first: str = "", value: str = "value (95 % interval)"
) -> Table:
    """A row for each figure; columns without a word in them are left out."""
    head = (first, "figure", value, "films", "note")
    rows = [
        (
            words(figure.level),
            words(figure.name),
            interval_cell(figure.interval, figure.unit),
            of_cell(figure.count) if figure.unit == "share" and figure.count else _films(figure.count),
            words(figure.note),
        )
        for figure in figures
    ]
    kept = [column for column in range(len(head)) if any(row[column].text for row in rows)]
    return Table(caption, tuple(head[c] for c in kept), tuple(tuple(row[c] for c in kept) for row in rows))


def _films(count: Count | None) -> Cell:
    return Cell(EMPTY, -1.0) if count is None else number(count.events)
