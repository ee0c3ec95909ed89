"""The last entries of a logbook in a file, found before the libraries that write it would be loaded."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from annotate.logbook.entry import Entry
from annotate.logbook.errors import LogbookError
from annotate.logbook.filter import Filter
from annotate.logbook.folder import data_folder
from annotate.logbook.verification import entry_from_row

LOGBOOK_VARIABLE = "LIPMARK_LOGBOOK"

VERSION = "0002"
"""The newest revision in migrations/versions."""

VERSION_TABLE = "schema_version"

WAIT_S = 30
"""A save takes milliseconds: who waits longer for the others is told so (ours)."""

COLUMNS = tuple(Entry.__dataclass_fields__)


def logbook_place(given: str | None = None) -> str:
    """Path or URL of the logbook: as given, else as LIPMARK_LOGBOOK says, else in the user's data folder."""
    return given or os.environ.get(LOGBOOK_VARIABLE) or str(data_folder() / "logbook.sqlite")


def newest_in_file(place: str, count: int, wanted: Filter) -> list[Entry] | None:
    """The last entries that were written, so many at most, in the order in which they were written.

    Parameters
    ----------
    place : str
        From `logbook_place`.
    count : int
    wanted : Filter

    Returns
    -------
    list of Entry or None
        None where this is not a sound logbook of today's tables in a file, or none in a file at all: `Logbook`
        opens it, or says what is wrong.
    """
    if "://" in place or not (path := Path(place).absolute()).is_file():
        return None
    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=rw", uri=True, timeout=WAIT_S)) as connection:
            return _newest(connection, count, wanted)
    except (sqlite3.Error, LogbookError, ValueError, TypeError, RecursionError):
        return None


def _newest(connection: sqlite3.Connection, count: int, wanted: Filter) -> list[Entry] | None:
    if connection.execute(f"SELECT version_num FROM {VERSION_TABLE}").fetchall() != [(VERSION,)]:
        return None
    condition, values = wanted.condition()
    rows = connection.execute(
        f"SELECT {', '.join(COLUMNS)} FROM entry WHERE {condition} ORDER BY number DESC LIMIT :count",
        {name: _as_kept(value) if isinstance(value, datetime) else value for name, value in values.items()}
        | {"count": count},
    )
    return [_entry(row) for row in reversed(rows.fetchall())]


def _as_kept(time: datetime) -> str:
    """A time as the file holds it: UTC, ISO 8601 to the microsecond, without a zone."""
    return time.astimezone(UTC).replace(tzinfo=None).isoformat(" ", "microseconds")


def _entry(row: tuple[object, ...]) -> Entry:
    values = dict(zip(COLUMNS, row, strict=True))
    return entry_from_row(values | {"time": datetime.fromisoformat(str(values["time"])).replace(tzinfo=UTC)})
