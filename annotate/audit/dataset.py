"""The results: one row for each film and reading, in columns that name no one."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

from annotate.audit.entry import Entry
from annotate.films.answers import Answer, answer, answer_case
from imaging.case import Request, case_of_marks
from measure.anatomy import size_group
from measure.case import Bedside
from measure.cautions import cautions_for
from measure.reading import Reading, unreadable
from measure.row import COLUMNS as READING_COLUMNS
from measure.row import Cell as Said
from measure.row import column_type
from measure.verdict import Verdict

if TYPE_CHECKING:
    import pyarrow

Cell = None | bool | int | float | str | datetime | list[str]
Row = dict[str, Cell]

AROUND: Mapping[str, str] = MappingProxyType(
    {
        "film": "string",
        "entry": "int64",
        "patient": "string",
        "unit": "string",
        "time": "timestamp[ms]",
        "shift": "string",
        "operator_grade": "string",
        "source": "string",
        "reader": "string",
        "reasons": "list",
    }
)
"""What the source tells, and who read it."""

SAID = tuple(name for name in READING_COLUMNS if name not in ("reason", "schema_version"))
"""What the Reading says: one row of it is the same in every export (`measure.row`). The reasons are a list here,
and settings.json holds the schema's version."""

COLUMNS: Mapping[str, str] = MappingProxyType(dict(AROUND) | {name: column_type(name) for name in SAID})
"""Name and Arrow type of each column, in order; docs/audit.md says what each holds."""


def table_of(entries: Iterable[tuple[int, Entry]]) -> pyarrow.Table:
    """Measure every entry, given with its number in the source, and return the rows."""
    return as_table(row for number, entry in entries for row in rows_of(number, entry))


def as_table(rows: Iterable[Row]) -> pyarrow.Table:
    """Rows as an Arrow table of the one schema."""
    import pyarrow

    return pyarrow.Table.from_pylist(list(rows), _schema())


@cache
def _schema() -> pyarrow.Schema:
    import pyarrow

    kinds = {"list": pyarrow.list_(pyarrow.string()), "timestamp[ms]": pyarrow.timestamp("ms")}
    return pyarrow.schema(
        [(name, kinds.get(kind) or pyarrow.type_for_alias(kind)) for name, kind in COLUMNS.items()]
    )


def rows_of(number: int, entry: Entry) -> Iterator[Row]:
    """One row for each Reading that the entry asks for; a film that cannot be read gives rows too."""
    for request in entry.requests():
        yield row_of(number, entry, request, _answer(entry, request))


def error_rows(number: int, entry: Entry, error: str) -> Iterator[Row]:
    """What stands for an entry that could not be measured at all."""
    for request in entry.requests():
        yield row_of(number, entry, request, Answer(unreadable(entry.place, error)))


def _answer(entry: Entry, request: Request) -> Answer:
    if entry.problem:
        return Answer(unreadable(entry.place, entry.problem))
    if entry.film is not None:
        return answer(entry.film, request)
    known = entry.case
    return answer_case(entry.place, lambda: case_of_marks(entry.place, request) if known is None else known)


def row_of(number: int, entry: Entry, request: Request, answered: Answer) -> Row:
    """The columns of one Reading, made by `request` of `entry`."""
    reading, around = answered.reading, entry.circumstances
    said = reading.row()
    if reading.inputs is None:
        said |= _known(answered.case or entry.case or request.known)
    return {
        "film": entry.key,
        "entry": number,
        "patient": around.patient,
        "unit": around.unit,
        "time": around.time,
        "shift": around.shift,
        "operator_grade": around.operator_grade,
        "source": entry.source_of(request),
        "reader": around.reader if entry.marked and request is entry.asked else None,
        "reasons": [_nameless(text, entry) for text in _reasons(reading)],
        **{name: said[name] for name in SAID},
        "error": None if reading.error is None else _nameless(reading.error, entry),
    }


def _known(known: Bedside) -> dict[str, Said]:
    """What is known of a film that could not be measured."""
    group = size_group(known.patient)
    return {
        "lip_mark_cm": known.lip_mark_cm,
        "tube_size_mm": known.tube.size_mm,
        "sex": None if known.patient.sex is None else known.patient.sex.value,
        "height_cm": known.patient.height_cm,
        "age_years": known.patient.age_years,
        "age_group": None if group is None else group.value,
        "neck": known.posture.value,
        "view": known.view.value,
    }


def _reasons(reading: Reading) -> list[str]:
    """Why this verdict; where there is none, also what loading and proposing had to say."""
    if reading.verdict is not Verdict.CANNOT_SAY:
        return [reading.reason]
    usual = cautions_for(replace(reading, cautions=()))
    return [reading.reason, *(text for text in reading.cautions if text not in usual)]


def _nameless(text: str, entry: Entry) -> str:
    """A message without the film's name, which may tell whose film it is."""
    if entry.film is None:
        return text
    return text.replace(f"{entry.film.name}: ", "").replace(str(entry.film), "the film")
