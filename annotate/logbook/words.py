"""Entries, trends and verifications as text."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from annotate.words.answer import percent
from measure.estimate import Estimate
from measure.follow_up import FLAGGED, MOVED_CM
from measure.reading import EARLIER_VERSION
from measure.row import Cell, flat

if TYPE_CHECKING:
    from annotate.logbook.entry import Entry
    from annotate.logbook.trend import TrendPoint
    from annotate.logbook.verification import Verification

LABEL = 12
"""Digits of a fingerprint or pseudonym on the screen."""

WIDTH = 100
MOST_PROBLEMS = 20
"""More are only counted (ours)."""

CHANCES_IN_WORDS = {
    "main bronchus": "in_main_bronchus",
    "near the carina": "near_carina",
    "within range": "within_range",
    "cuff at the cords": "cuff_at_cords",
}
"""Those that the action turns on, by their column in `measure.row`."""

LIST_HEAD = (
    f"{'entry':>6}  {'written (UTC)':<16}  {'kind':<8}  {'film':<{LABEL}}  {'patient':<{LABEL}}  "
    f"{'on film':>8}  {'lip mark':>8}  {'action':<22}  {'verdict':<18}  rule  reader"
)
TREND_HEAD = (
    f"{'entry':>6}  {'first read (UTC)':<16}  {'on film, 95 % interval':<26}  {'lip mark':>8}  {'change':>7}  "
    f"{'unexplained':>12}  {f'moved {MOVED_CM:g} cm':>10}  {'action':<22}  verdict"
)
TREND_FOOT = (
    f"unexplained: what neither lip marks nor neck explain. moved {MOVED_CM:g} cm: the probability that the tip "
    f"moved so far, or further, unexplained; ! from {FLAGGED:.0%} on."
)


def list_line(entry: Entry) -> str:
    """One entry on one line."""
    corrects = "" if entry.supersedes is None else f"  (corrects {entry.supersedes})"
    patient, row = (entry.patient or "-")[:LABEL], flat(entry.reading)
    return (
        f"{entry.number:>6}  {entry.time:%Y-%m-%d %H:%M}  {entry.kind:<8}  {entry.film[:LABEL]}  "
        f"{patient:<{LABEL}}  {_cm(row['on_film_cm'], 1):>8}  {_cm(row['lip_mark_cm']):>8}  "
        f"{_action(row):<22}  {entry.verdict:<18}  {row['schema_version'] or '-':<4}  {entry.reader}{corrects}"
    )


def entry_in_words(entry: Entry, corrected_by: int | None) -> str:
    """One entry on one screen."""
    rows = list(_rows(entry, corrected_by))
    lines = [f"{label:<16}{text}" for label, text in rows]
    cautions = entry.reading.get("cautions")
    if isinstance(cautions, list) and cautions:
        lines += ["", "Mind"]
        for text in cautions:
            lines += textwrap.wrap(str(text), WIDTH, initial_indent="  - ", subsequent_indent="    ")
    return "\n".join(lines)


def trend_table(points: Sequence[TrendPoint]) -> str:
    """One film a line; a movement that nothing explains is marked with !."""
    return "\n".join([TREND_HEAD, *map(_trend_line, points), TREND_FOOT])


def verification_in_words(found: Verification) -> str:
    """What was found, and what to note."""
    if found.head is None and found.sound:
        return "The logbook is empty."
    if found.sound:
        held = f", {len(found.seen)} of them known from before" if found.seen else ""
        end = (
            ""
            if found.seen
            else "\nNothing was known from before: whether entries were cut off at the end cannot be said."
        )
        return (
            f"Whole: {found.count} entries{held}, each as it was written.{end}\n"
            f"To find out later whether the end is still there, note: --seen {found.head}"
        )
    lines = [
        f"NOT WHOLE: {len(found.problems)} problems in {found.count} entries.",
        *found.problems[:MOST_PROBLEMS],
    ]
    if len(found.problems) > MOST_PROBLEMS:
        lines.append(f"... and {len(found.problems) - MOST_PROBLEMS} more.")
    lines.append("Keep this file as it is, and compare it with your backup (docs/logbook.md).")
    return "\n".join(lines)


def _rows(entry: Entry, corrected_by: int | None) -> Iterator[tuple[str, str]]:
    yield "entry", f"{entry.number}, {entry.kind}"
    if entry.supersedes is not None:
        yield "corrects", f"entry {entry.supersedes}"
    if corrected_by is not None:
        yield "corrected by", f"entry {corrected_by}: this one no longer counts"
    yield "written", f"{entry.time:%Y-%m-%d %H:%M:%S} UTC by {entry.reader}"
    yield "film", entry.film
    yield "patient", entry.patient or "not known"
    yield "verdict", entry.verdict.upper() or "none"
    if reason := entry.reading.get("reason"):
        yield "why", str(reason)
    row = flat(entry.reading)
    for label, name in (("on the film", "on_film"), ("in the patient", "in_patient")):
        value, low, high = (row[f"{name}_{end}cm"] for end in ("", "low_", "high_"))
        if value is not None:
            yield label, f"{_cm(value, 1)} cm ({_cm(low, 1)} to {_cm(high, 1)}) above the carina"
    yield "lip mark", f"{_cm(row['lip_mark_cm'])} cm"
    yield "action", _action(row)
    yield from _chances(row)
    if isinstance(moved := row["moved_unexplained"], float):
        yield "moved", f"{MOVED_CM:g} cm or more since the film before, unexplained: {percent(moved)}"
    if row["schema_version"] == EARLIER_VERSION:
        yield "rule", "schema 1.0: judged by the earlier rule, which named a move only where no limit was near"
    yield "software", f"lipmark {entry.software}, weights {entry.weights[:LABEL]}"
    yield "hash", entry.hash


def _action(row: Mapping[str, Cell]) -> str:
    """What to do and how soon; why not, where nothing can be said."""
    action, move_cm, urgency = row["action"], row["move_cm"], row["urgency"]
    if action is None or not isinstance(move_cm, float):
        return str(row["no_action_because"] or "-")
    words = f"{action} {abs(move_cm):g} cm" if move_cm else str(action)
    return words if urgency in (None, action) else f"{words}, {urgency}"


def _chances(row: Mapping[str, Cell]) -> Iterator[tuple[str, str]]:
    told = [
        f"{words} {percent(now)}" + (f", after it {percent(after)}" if row["move_cm"] else "")
        for words, column in CHANCES_IN_WORDS.items()
        if isinstance(now := row[f"chance_{column}"], float)
        for after in (row[f"after_{column}"],)
        if isinstance(after, float)
    ]
    if told:
        yield "chances", "; ".join(told)


def _trend_line(point: TrendPoint) -> str:
    height, change = point.height_on_film_cm, point.change
    interval = f"{height.value:.1f} cm ({height.low:.1f} to {height.high:.1f})"
    rest = "-" if change is None else _signed(change.unexplained_cm)
    moved = "-" if change is None else percent(change.probability_moved)
    return (
        f"{point.entry.number:>6}  {point.time:%Y-%m-%d %H:%M}  {interval:<26}  {_cm(point.lip_mark_cm):>8}  "
        f"{'-' if change is None else _signed(change.change_cm):>7}  {rest:>12}  "
        f"{'! ' + moved if point.unexplained else moved:>10}  {_action(flat(point.entry.reading)):<22}  "
        f"{point.entry.verdict}"
    )


def _signed(estimate: Estimate) -> str:
    return f"{estimate.value:+.1f}"


def _cm(value: object, decimals: int | None = None) -> str:
    if not isinstance(value, int | float):
        return "-"
    return f"{value:g}" if decimals is None else f"{value:.{decimals}f}"
