"""Entries as files that others read: CSV, Parquet, JSON."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator
from enum import StrEnum
from itertools import islice
from pathlib import Path
from typing import IO, BinaryIO

from annotate.logbook.entry import Entry, canonical
from annotate.logbook.errors import LogbookError
from annotate.words.cells import harmless
from annotate.writing import text_in, whole_file
from measure.row import COLUMNS as IN_READING
from measure.row import column_type, flat

ROWS_AT_A_TIME = 1000
"""Entries of a Parquet row group: some megabytes (ours)."""

TEXTS = ("kind", "film", "patient", "reader", "software", "weights", "previous_hash", "hash")
OBJECTS = ("inputs", "landmarks", "reading")
COLUMNS = ("number", "time", "supersedes", *TEXTS, *IN_READING, *OBJECTS)
"""The Reading's own columns are those of `measure.row`, the same as in an audit's results."""


class Format(StrEnum):
    """What to write."""

    CSV = "csv"
    PARQUET = "parquet"
    JSON = "json"

    @classmethod
    def of(cls, path: Path) -> Format:
        """By the file's ending.

        Raises
        ------
        LogbookError
            Where it is another one.
        """
        try:
            return cls(path.suffix.lower().removeprefix("."))
        except ValueError:
            raise LogbookError(
                f"{path.name} found; a name ending in {', '.join(f'.{item}' for item in cls)} is expected."
            ) from None


def export(entries: Iterable[Entry], path: Path, *, overwrite: bool = False) -> int:
    """Write entries to a file, and say how many.

    Parameters
    ----------
    entries : iterable of Entry
        Taken one by one.
    path : Path
        Its ending says how: .csv and .parquet have a row an entry, .json is an array of whole entries.
    overwrite : bool
        Whether a file that was there is replaced, once the new one is whole.

    Raises
    ------
    LogbookError
        Where the ending is another one.
    OutputError
        Where it may not, or cannot, be written.
    """
    write = {Format.CSV: _write_csv, Format.PARQUET: _write_parquet, Format.JSON: _write_json}[Format.of(path)]
    with whole_file(path, overwrite=overwrite) as file:
        return write(iter(entries), file)


def row_of(entry: Entry) -> dict[str, object]:
    """An entry as a flat row of `COLUMNS`; what is not known is None."""
    row: dict[str, object] = {name: getattr(entry, name) for name in ("number", "time", "supersedes")}
    row |= {name: None if (value := getattr(entry, name)) is None else str(value) for name in TEXTS}
    row |= flat(entry.reading)
    return row | {name: canonical(getattr(entry, name)) for name in OBJECTS}


def _write_csv(entries: Iterator[Entry], file: BinaryIO) -> int:
    with text_in(file) as lines:
        writer = csv.DictWriter(lines, COLUMNS)
        writer.writeheader()
        return sum(_write_row(writer, entry) for entry in entries)


def _write_row(writer: csv.DictWriter[str], entry: Entry) -> int:
    row = row_of(entry) | {"time": entry.time.isoformat(timespec="microseconds")}
    writer.writerow({name: harmless(value) if isinstance(value, str) else value for name, value in row.items()})
    return 1


def _write_json(entries: Iterator[Entry], file: BinaryIO) -> int:
    with text_in(file) as lines:
        return _write_array(entries, lines)


def _write_array(entries: Iterator[Entry], file: IO[str]) -> int:
    count = 0
    file.write("[")
    for count, entry in enumerate(entries, start=1):
        file.write("\n" if count == 1 else ",\n")
        json.dump(entry.plain(), file)
    file.write("\n]\n")
    return count


def _write_parquet(entries: Iterator[Entry], file: BinaryIO) -> int:
    # Imported here: it is slow to load.
    import pyarrow as pa
    from pyarrow.parquet import ParquetWriter

    types = {name: pa.type_for_alias(column_type(name)) for name in IN_READING}
    types |= {"number": pa.int64(), "supersedes": pa.int64(), "time": pa.timestamp("us", tz="UTC")}
    schema = pa.schema([(name, types.get(name, pa.string())) for name in COLUMNS])
    count = 0
    with ParquetWriter(file, schema) as writer:
        while rows := [row_of(entry) for entry in islice(entries, ROWS_AT_A_TIME)]:
            writer.write_table(pa.Table.from_pylist(rows, schema))
            count += len(rows)
    return count
