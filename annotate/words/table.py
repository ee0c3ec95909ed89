"""Many Readings as a table for the terminal, most urgent first."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from annotate.words.answer import headline_of, interval_in_words, likeliest_in_words
from measure.advice import Urgency
from measure.reading import Reading

URGENCIES = list(Urgency)
GAP = "  "
LEAST_WIDTH = 72


def table(readings: Sequence[Reading], width: int) -> str:
    """A row a film: what to do, how high the tip lies, how surely; films that ask for no move last, unread ones
    first.

    Parameters
    ----------
    readings : sequence of Reading
        In any order.
    width : int
        Columns of the terminal; wider cells wrap.
    """
    rows = [("film", "what to do", "above carina", "where"), *map(_row, sorted(readings, key=rank))]
    widths = _widths(rows, max(width, LEAST_WIDTH))
    lines = [line for row in rows for line in _wrapped(row, widths)]
    return "\n".join([lines[0], "-" * len(lines[0].rstrip()), *lines[1:]])


def rank(reading: Reading) -> tuple[int, float]:
    """Sorts Readings by what must be looked at first."""
    if reading.error is not None:
        return 0, 0.0
    if reading.adjustment is None:
        in_danger = 0.0 if reading.probabilities is None else reading.probabilities.near_carina
        return 4, -in_danger
    return 1 + URGENCIES.index(reading.adjustment.urgency), -reading.adjustment.chances_now.near_carina


def _row(reading: Reading) -> tuple[str, str, str, str]:
    height = "" if reading.distance is None else interval_in_words(reading.distance.on_film)
    return (
        reading.film,
        headline_of(reading),
        height,
        reading.error or likeliest_in_words(reading) or reading.reason,
    )


def _widths(rows: Sequence[tuple[str, ...]], width: int) -> list[int]:
    """The third column whole, the others a share of the rest, none wider than it needs."""
    needed = [max(map(len, column)) for column in zip(*rows, strict=True)]
    room = width - needed[2] - 3 * len(GAP)
    shares = {0: 0.28, 1: 0.42, 3: 0.30}
    widths = list(needed)
    for column, share in shares.items():
        widths[column] = min(needed[column], max(int(room * share), 12))
    spare = room - sum(widths[column] for column in shares)
    for column in (1, 3, 0):
        more = min(max(spare, 0), needed[column] - widths[column])
        widths[column] += more
        spare -= more
    return widths


def _wrapped(row: Sequence[str], widths: Sequence[int]) -> Iterator[str]:
    cells = [
        textwrap.wrap(text.replace(" %", "\u00a0%"), width) or [""]
        for text, width in zip(row, widths, strict=True)
    ]
    for number in range(max(map(len, cells))):
        parts = (cell[number] if number < len(cell) else "" for cell in cells)
        yield GAP.join(f"{part:<{width}}" for part, width in zip(parts, widths, strict=True)).rstrip()
