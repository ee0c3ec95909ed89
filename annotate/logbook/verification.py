"""Whether the chain of entries is whole."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from annotate.logbook.anchor import Seen
from annotate.logbook.entry import BEFORE_THE_FIRST, Entry, Kind, canonical
from annotate.logbook.errors import LogbookError

JSON_FIELDS = ("inputs", "landmarks", "reading")

Row = Mapping[str, object]
"""An entry as the database holds it."""


@dataclass(frozen=True, slots=True)
class Verification:
    """What was found.

    Parameters
    ----------
    count : int
        Entries there are.
    head : Seen or None
        The last one; None in an empty logbook.
    seen : tuple of Seen
        Entries known from before, that were looked for.
    problems : tuple of str
        What is wrong, one sentence each; empty where nothing is.
    """

    count: int
    head: Seen | None
    seen: tuple[Seen, ...]
    problems: tuple[str, ...]

    @property
    def sound(self) -> bool:
        """Nothing was found wrong."""
        return not self.problems


def entry_from_row(row: Row) -> Entry:
    """The entry that a row holds.

    Raises
    ------
    LogbookError
        Where the row holds no entry: it was changed.
    """
    values = {key: value for key, value in row.items() if key != "verdict"}
    try:
        values |= {key: json.loads(str(values[key])) for key in JSON_FIELDS}
        return Entry(**(values | {"kind": Kind(str(values["kind"]))}))  # type: ignore[arg-type]
    except (ValueError, TypeError, RecursionError, LogbookError) as error:
        raise LogbookError(f"logbook: entry {row['number']} was changed and can no longer be read.") from error


def row_from_entry(entry: Entry) -> dict[str, object]:
    """The row that an entry becomes."""
    values = {name: getattr(entry, name) for name in Entry.__dataclass_fields__}
    return values | {key: canonical(values[key]) for key in JSON_FIELDS} | {"kind": str(entry.kind)}


def verify(rows: Iterable[Row], seen: Iterable[Seen] = ()) -> Verification:
    """Follow the chain from the first entry to the last.

    Parameters
    ----------
    rows : iterable of Row
        All of them, by number.
    seen : iterable of Seen
        Entries that must be there.
    """
    walk = _Walk(tuple(seen))
    problems = tuple(walk.problems(rows))
    return Verification(walk.count, walk.head, walk.seen, problems)


@dataclass(slots=True)
class _Walk:
    seen: tuple[Seen, ...]
    count: int = 0
    head: Seen | None = None
    found: dict[int, str] = field(default_factory=dict)

    def problems(self, rows: Iterable[Row]) -> Iterator[str]:
        wanted = {item.number for item in self.seen}
        for row in rows:
            try:
                here = Seen(int(str(row["number"])), str(row["hash"]))
            except ValueError:
                yield "An entry has no number: it was changed."
                continue
            yield from self._problems_of(row, here)
            self.count, self.head = self.count + 1, here
            if here.number in wanted:
                self.found[here.number] = here.hash
        for item in self.seen:
            yield from self._missed(item)

    def _problems_of(self, row: Row, here: Seen) -> Iterator[str]:
        before = self.head or Seen(0, BEFORE_THE_FIRST)
        if here.number > before.number + 1:
            missing = (
                f"{before.number + 1}"
                if here.number == before.number + 2
                else (f"{before.number + 1} to {here.number - 1}")
            )
            yield f"Missing: {missing}. Removed after they were written."
        elif row["previous_hash"] != before.hash:
            yield (
                f"Entry {here.number} does not follow entry {before.number}: one of the two was changed, moved or "
                "put in later."
            )
        if not _unchanged(row):
            yield f"Entry {here.number} is not what was written: its content and its hash disagree."

    def _missed(self, item: Seen) -> Iterator[str]:
        last = 0 if self.head is None else self.head.number
        if item.number > last:
            yield f"Entries were cut off at the end: {item.number} was seen, the last one now is {last}."
        elif self.found.get(item.number, item.hash) != item.hash:
            yield f"Entry {item.number} is another than the one that was seen: the logbook was written anew."


def _unchanged(row: Row) -> bool:
    try:
        entry = entry_from_row(row)
        return entry.computed_hash() == row["hash"] and all(
            row_from_entry(entry)[k] == row[k] for k in JSON_FIELDS
        )
    except (LogbookError, ValueError, TypeError, AttributeError, RecursionError):
        return False
