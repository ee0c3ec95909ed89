"""The results: one row for each film and reading, in columns that name no one."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

from annotate.audit.entry import Entry
from annotate.films.answers import Answer, answer, answer_case
from imaging.case import Request, case_of_marks
from measure.accepted_range import AcceptedRange
from measure.advice import Action, Adjustment
from measure.anatomy import size_group
from measure.cautions import cautions_for
from measure.landmarks import Landmark
from measure.patient import Patient
from measure.reading import Reading, unreadable
from measure.verdict import Chances, Verdict

if TYPE_CHECKING:
    import pyarrow

Cell = None | bool | int | float | str | datetime | list[str]
Row = dict[str, Cell]

COLUMNS: Mapping[str, str] = MappingProxyType(
    {
        "film": "string",
        "unit": "string",
        "time": "timestamp[ms]",
        "shift": "string",
        "operator_grade": "string",
        "tube_size_mm": "double",
        "lip_mark_cm": "double",
        "sex": "string",
        "height_cm": "double",
        "age_years": "double",
        "neck": "string",
        "view": "string",
        "age_group": "string",
        "source": "string",
        "reader": "string",
        **{
            f"{point}_{what}": "double"
            for point in ("tip", "carina")
            for what in ("row", "column", "sd_px", "confidence")
        },
        **{f"{plane}_{end}cm": "double" for plane in ("on_film", "in_patient") for end in ("", "low_", "high_")},
        "verdict": "string",
        "chance_in_main_bronchus": "double",
        "chance_too_low": "double",
        "chance_within_range": "double",
        "chance_too_high": "double",
        "range_low_cm": "double",
        "range_high_cm": "double",
        "move_cm": "double",
        "reasons": "list",
        "error": "string",
        "entry": "int64",
        "accepted_range": "string",
    }
)
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
    known, inputs = answered.case or entry.case or request.known, reading.inputs
    patient = known.patient if inputs is None else inputs.patient
    group = size_group(patient)
    row: Row = {
        "film": entry.key,
        "unit": around.unit,
        "time": around.time,
        "shift": around.shift,
        "operator_grade": around.operator_grade,
        "tube_size_mm": known.tube.size_mm,
        "lip_mark_cm": known.lip_mark_cm,
        **_patient(patient),
        "neck": (known.posture if inputs is None else inputs.neck_posture).value,
        "view": (known.view if inputs is None else inputs.view).value,
        "age_group": None if group is None else group.value,
        "source": entry.source_of(request),
        "reader": around.reader if entry.marked and request is entry.asked else None,
        **_point("tip", reading.landmarks.tip),
        **_point("carina", reading.landmarks.carina),
        **_distance(reading),
        "verdict": reading.verdict.value,
        **_chances(reading.probabilities),
        **_range(reading.accepted_range),
        "move_cm": _move_cm(reading.adjustment),
        "reasons": [_nameless(text, entry) for text in _reasons(reading)],
        "error": None if reading.error is None else _nameless(reading.error, entry),
        "entry": number,
    }
    return row


def _patient(patient: Patient) -> Row:
    return {
        "sex": None if patient.sex is None else patient.sex.value,
        "height_cm": patient.height_cm,
        "age_years": patient.age_years,
    }


def _point(name: str, mark: Landmark | None) -> Row:
    if mark is None:
        return {}
    return {
        f"{name}_row": mark.row,
        f"{name}_column": mark.column,
        f"{name}_sd_px": mark.sd_px,
        f"{name}_confidence": mark.confidence,
    }


def _distance(reading: Reading) -> Row:
    if reading.distance is None:
        return {}
    on_film, in_patient = reading.distance.on_film, reading.distance.in_patient
    return {
        "on_film_cm": on_film.value,
        "on_film_low_cm": on_film.low,
        "on_film_high_cm": on_film.high,
        "in_patient_cm": in_patient.value,
        "in_patient_low_cm": in_patient.low,
        "in_patient_high_cm": in_patient.high,
    }


def _chances(chances: Chances | None) -> Row:
    if chances is None:
        return {}
    return {
        "chance_in_main_bronchus": chances.in_a_main_bronchus,
        "chance_too_low": chances.too_low,
        "chance_within_range": chances.within_range,
        "chance_too_high": chances.too_high,
    }


def _range(accepted: AcceptedRange | None) -> Row:
    if accepted is None:
        return {}
    high = accepted.high_cm.value
    return {
        "range_low_cm": accepted.low_cm.value,
        "range_high_cm": None if math.isinf(high) else high,
        "accepted_range": accepted.name,
    }


def _move_cm(adjustment: Adjustment | None) -> float | None:
    if adjustment is None:
        return None
    return adjustment.by_cm if adjustment.action is Action.ADVANCE else 0.0 - adjustment.by_cm


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
