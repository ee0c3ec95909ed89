"""Readings, Cases and what they hold as plain JSON values, and the way back.

Imported where a Reading becomes JSON or comes back, since its library takes its time to load.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import StrEnum
from functools import cache
from typing import Any, TypeVar

from cattrs import Converter
from cattrs.gen import make_dict_unstructure_fn, override

from measure.accepted_range import AcceptedRange
from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.landmarks import Landmark
from measure.posture import NeckPosture, given_posture
from measure.reading import DECIMALS, EARLIER_VERSION, SCHEMA_VERSION, Distance, Plain, Reading

JUDGED_BY_ANOTHER_RULE = ("probabilities", "adjustment", "change")

T = TypeVar("T")


def reading_to_plain(reading: Reading) -> dict[str, Plain]:
    """The JSON object of docs/reading.md, in a fixed order, rounded to `DECIMALS`."""
    plain: dict[str, Plain] = _writer().unstructure(reading)
    marks = plain.pop("landmarks")
    assert isinstance(marks, dict)
    head: dict[str, Plain] = {"schema_version": SCHEMA_VERSION, "film": plain.pop("film")}
    head |= {name: marks.pop(name) for name in ("tip", "carina")} | {"distance": plain.pop("distance")}
    return head | plain | {"landmarks": {name: mark for name, mark in marks.items() if mark}}


def reading_from_plain(plain: Mapping[str, object]) -> Reading:
    """The Reading that an object of `reading_to_plain` was, to `DECIMALS`.

    An object of schema 1.0 comes back without chances, adjustment and change, which that version judged by
    another rule.

    Raises
    ------
    MeasureError
        Where it is no Reading, or one of a version that is not known.
    """
    version = plain.get("schema_version")
    if version not in (SCHEMA_VERSION, EARLIER_VERSION):
        raise MeasureError(
            f"Reading: schema version {version!r} found, {SCHEMA_VERSION} or {EARLIER_VERSION} expected; give the "
            "JSON made with lipmark read --json."
        )
    whole = dict(plain)
    if version == EARLIER_VERSION:
        whole = _of_today(whole)
    marks = whole.get("landmarks")
    known = marks if isinstance(marks, Mapping) else {}
    whole["landmarks"] = {"tip": whole.get("tip"), "carina": whole.get("carina"), **known}
    return from_plain(whole, Reading)


def from_plain(plain: object, kind: type[T]) -> T:
    """A value of a type of this room from its JSON, as `reading_to_plain` or the logbook's `exact` has made it.

    Raises
    ------
    MeasureError
        Where something is missing or of another type, or its values cannot be.
    """
    try:
        return _reader().structure(plain, kind)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise MeasureError(
            f"{kind.__name__}: {error} in its JSON; one that lipmark has written is expected."
        ) from error


def _of_today(plain: Mapping[str, object]) -> dict[str, object]:
    """An object of schema 1.0 with what today's asks for beside."""
    whole = {name: value for name, value in plain.items() if name not in JUDGED_BY_ANOTHER_RULE}
    if isinstance(inputs := whole.get("inputs"), Mapping):
        neck = given_posture(NeckPosture(str(inputs.get("neck_posture"))))
        whole["inputs"] = {"neck_flexed": neck.flexed, "neck_extended": neck.extended, **inputs}
    if isinstance(distance := whole.get("distance"), Mapping):
        not_known = {"cm": 0.0, "low_cm": -math.inf, "high_cm": math.inf}
        whole["distance"] = {f"aside_on_film_{end}": at for end, at in not_known.items()} | dict(distance)
    return whole


def _rounded(number: float) -> float | None:
    return round(float(number), DECIMALS) if math.isfinite(number) else None


@cache
def _writer() -> Converter:
    """Estimates carry their interval, an infinite limit becomes null."""
    writer = Converter(unstruct_collection_overrides={tuple: list})
    writer.register_unstructure_hook(float, _rounded)
    writer.register_unstructure_hook(StrEnum, lambda it: it.value)
    writer.register_unstructure_hook(
        Estimate, lambda it: {"value": _rounded(it.value), "low": _rounded(it.low), "high": _rounded(it.high)}
    )
    writer.register_unstructure_hook(Distance, _distance_to_plain)
    writer.register_unstructure_hook_factory(is_dataclass, lambda kind: make_dict_unstructure_fn(kind, writer))
    writer.register_unstructure_hook_factory(
        lambda kind: kind is Landmark,
        lambda kind: make_dict_unstructure_fn(kind, writer, other=override(omit_if_default=True)),
    )
    return writer


def _distance_to_plain(distance: Distance) -> dict[str, Plain]:
    """Flat keys, each with the ends of its 95 % interval."""
    plain: dict[str, Plain] = {"follows_path": distance.follows_path}
    for item in fields(distance):
        value = getattr(distance, item.name)
        if isinstance(value, Estimate):
            ends = {"cm": value.value, "low_cm": value.low, "high_cm": value.high}
            plain |= {f"{item.name}_{end}": _rounded(number) for end, number in ends.items()}
    return plain


@cache
def _reader() -> Converter:
    """Nothing is bent into shape: a number is a number, a text a text."""
    reader = Converter(detailed_validation=False)
    reader.register_structure_hook(float, lambda value, _: _number(value))
    for kind in (str, bool, int):
        reader.register_structure_hook(kind, _as_it_is)
    reader.register_structure_hook(StrEnum, lambda value, kind: kind(value))
    reader.register_structure_hook(Estimate, lambda value, _: _estimate(value))
    reader.register_structure_hook(Distance, lambda value, _: _distance(value))
    reader.register_structure_hook(
        str | AcceptedRange,
        lambda value, _: value if isinstance(value, str) else reader.structure(value, AcceptedRange),
    )
    return reader


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(f"{value!r} found, a number expected")
    return float(value)


def _as_it_is(value: Any, kind: type) -> Any:
    if type(value) is not kind:
        raise TypeError(f"{value!r} found, {kind.__name__} expected")
    return value


def _estimate(plain: Mapping[str, object]) -> Estimate:
    """With its interval, or with its standard deviation; null is an infinite limit."""
    if plain["value"] is None:
        return Estimate(math.inf)
    value = _number(plain["value"])
    if "sd" in plain:
        return Estimate(value, _number(plain["sd"]))
    return Estimate.from_interval(value, _number(plain["low"]), _number(plain["high"]))


def _distance(plain: Mapping[str, object]) -> Distance:
    known = {
        item.name: Estimate.from_interval(
            *(_number(plain[f"{item.name}_{end}cm"]) for end in ("", "low_", "high_"))
        )
        for item in fields(Distance)
        if item.name != "follows_path"
    }
    return Distance(**known, follows_path=_as_it_is(plain["follows_path"], bool))
