"""The source cut into parts, each measured as one task and written as one file."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from annotate.audit.dataset import as_table, error_rows, table_of
from annotate.audit.entry import Entry
from annotate.audit.versions import Versions, versions
from annotate.messages import tell

if TYPE_CHECKING:
    import pyarrow

MARKS_PER_FILM = 40
"""So many entries of marks alone weigh as much as one film with pixels; ours, they take far less time."""


@dataclass(frozen=True, slots=True)
class Part:
    """Consecutive entries with their numbers in the source.

    Parameters
    ----------
    number : int
        From 0, in the order of the source.
    entries : tuple of (int, Entry)
    """

    number: int
    entries: tuple[tuple[int, Entry], ...]


@dataclass(frozen=True, slots=True)
class Measured:
    """The rows of a part, and what software made them."""

    table: pyarrow.Table
    versions: Versions


def cut(entries: Iterable[Entry], films_per_part: int) -> Iterator[Part]:
    """Parts that depend on the source and the setting alone, never on who measures them."""
    number, weight, held = 0, 0, list[tuple[int, Entry]]()
    for place, entry in enumerate(entries, start=1):
        held.append((place, entry))
        weight += 1 if entry.film is None else MARKS_PER_FILM
        if weight >= films_per_part * MARKS_PER_FILM:
            yield Part(number, tuple(held))
            number, weight, held = number + 1, 0, []
    if held:
        yield Part(number, tuple(held))


def measure_part(part: Part, verbose: bool = False) -> Measured:
    """Measure every entry of a part; runs in a worker, which loads the network once for all its parts."""
    tell(verbose)
    return Measured(table_of(part.entries), versions())


def lost_part(part: Part, error: str) -> Measured:
    """What stands for entries that no worker survived."""
    rows = (row for number, entry in part.entries for row in error_rows(number, entry, error))
    return Measured(as_table(rows), versions())
