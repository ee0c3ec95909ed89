"""A trainee's answers in the logbook."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from annotate.logbook.entry import Entry, Kind
from annotate.logbook.record import draft_of
from annotate.logbook.store import Logbook
from annotate.messages import LOG
from annotate.practice.compare import Comparison
from annotate.practice.record import Record

INPUT = "practice"
"""Where an entry's inputs hold the record."""


def keep(logbook: Logbook, reader: str, comparison: Comparison, record: Record) -> Record:
    """Write an answered film, and give the record back with its time.

    The entry's Reading is that of the trainee's marks. It is nobody's film or a teaching film: no patient is kept.

    Raises
    ------
    LogbookError
        Where the logbook refuses.
    """
    task, answer = comparison.task, comparison.answer
    case = task.marked(answer.tip, answer.carina)
    draft = draft_of(task.film.fingerprint, None, case, comparison.from_marks, reader, kind=Kind.PRACTICE)
    entry = logbook.save(replace(draft, inputs={**draft.inputs, INPUT: record.to_dict()}))
    return replace(record, time=entry.time)


def kept(logbook: Logbook, reader: str) -> tuple[Record, ...]:
    """All films that this trainee has answered, in their order; damaged ones are told and left out."""
    entries = logbook.entries(kind=Kind.PRACTICE, reader=reader)
    return tuple(record for entry in entries if (record := _record(entry)) is not None)


def trainees(logbook: Logbook) -> list[str]:
    """Who has practised, sorted."""
    return sorted({entry.reader for entry in logbook.entries(kind=Kind.PRACTICE)})


def _record(entry: Entry) -> Record | None:
    found = entry.inputs.get(INPUT)
    try:
        if not isinstance(found, Mapping):
            raise TypeError("no practice record found")
        return Record.from_dict(found, entry.time)
    except (KeyError, TypeError, ValueError) as error:
        LOG.warning("practice: entry %d of the logbook cannot be used (%s)", entry.number, error)
        return None
