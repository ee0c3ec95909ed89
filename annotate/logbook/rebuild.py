"""An entry's inputs and landmarks become the Case that they were: the way back from `exact`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import is_dataclass, replace
from enum import StrEnum
from functools import cache
from types import UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

from annotate.logbook.entry import Entry
from annotate.logbook.errors import LogbookError
from measure.assess import Case
from measure.errors import MeasureError
from measure.landmarks import Landmarks

ELSEWHERE = ("film", "landmarks", "notes", "previous")
"""Not in the inputs, or only partly: the film before is told without its name."""


def case_of_entry(entry: Entry) -> Case:
    """What was known of the film, to be measured again; without the film before.

    Raises
    ------
    LogbookError
        Where the entry does not hold what a Case needs, or its values cannot be.
    """
    known = {name: value for name, value in entry.inputs.items() if name not in ELSEWHERE}
    try:
        case: Case = _rebuilt(Case, {**known, "film": f"entry {entry.number}"})
        return replace(case, landmarks=_rebuilt(Landmarks, entry.landmarks))
    except (TypeError, ValueError, MeasureError) as error:
        raise LogbookError(f"logbook: entry {entry.number} cannot be measured again: {error}") from error


@cache
def _hints(kind: type) -> Mapping[str, Any]:
    return get_type_hints(kind)


def _rebuilt(kind: Any, value: Any) -> Any:
    """A value of the type that an annotation names, from its JSON."""
    origin, parts = get_origin(kind), get_args(kind)
    if origin in (Union, UnionType):
        return _one_of(parts, value)
    if origin is tuple:
        return tuple(_rebuilt(parts[0], item) for item in value)
    if origin is not None:
        return {str(key): _rebuilt(parts[1], item) for key, item in value.items()}
    if is_dataclass(kind) and isinstance(kind, type):
        hints = _hints(kind)
        return kind(**{name: _rebuilt(hints[name], item) for name, item in value.items() if name in hints})
    if issubclass(kind, StrEnum):
        return kind(value)
    if kind is float and isinstance(value, int | float):
        return float(value)
    if not isinstance(value, kind):
        raise TypeError(f"{value!r} found, {kind.__name__} expected")
    return value


def _one_of(kinds: tuple[Any, ...], value: Any) -> Any:
    """The kind that fits: None for null, text or a number for itself, else the object's dataclass."""
    if value is None and type(None) in kinds:
        return None
    wanted = [kind for kind in kinds if kind is not type(None)]
    simple = [kind for kind in wanted if kind is type(value)]
    return _rebuilt((simple or sorted(wanted, key=lambda kind: kind in (str, bool)))[0], value)
