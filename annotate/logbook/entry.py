"""One entry of the logbook, and the hash that chains it to the one before."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from datetime import datetime
from enum import StrEnum
from typing import cast

from annotate.logbook.errors import LogbookError
from measure.reading import Plain

HEX_SHA256 = re.compile("[0-9a-f]{64}")

BEFORE_THE_FIRST = "0" * 64
"""Stands in the first entry for the hash of the one before."""

LONGEST_READER = 100
"""Characters of a reader's name (ours)."""

Object = Mapping[str, Plain]


class Kind(StrEnum):
    """Why a film was read."""

    READING = "reading"
    PRACTICE = "practice"


@dataclass(frozen=True, slots=True)
class Draft:
    """What is to be written.

    Parameters
    ----------
    kind : Kind
        Reading or practice.
    film : str
        `Film.fingerprint`.
    patient : str or None
        Pseudonym (`annotate.logbook.privacy.pseudonym`), None where the patient is not known.
    reader : str
        Who read it.
    inputs, landmarks : mapping
        Everything that was given, exactly; plain JSON values (`exact`).
    reading : mapping
        The Reading's JSON object, `Reading.to_dict()`.
    supersedes : int or None
        Number of the entry that this one corrects.

    Raises
    ------
    LogbookError
        Where the film is no fingerprint, the patient no pseudonym, or the reader has no name.
    """

    kind: Kind
    film: str
    patient: str | None
    reader: str
    inputs: Object
    landmarks: Object
    reading: Object
    supersedes: int | None = None

    def __post_init__(self) -> None:
        for name, value in (("film", self.film), ("patient", self.patient or BEFORE_THE_FIRST)):
            if not HEX_SHA256.fullmatch(value):
                raise LogbookError(
                    f"logbook: the {name} is no SHA-256 of 64 hexadecimal digits; give the film's fingerprint and "
                    "the patient's pseudonym. Names and numbers of patients are never written."
                )
        checked_reader(self.reader)


def checked_reader(reader: str) -> str:
    """The reader's name, if it is one.

    Raises
    ------
    LogbookError
        Where it is empty, too long or not printable.
    """
    if not (reader.strip() and reader.isprintable() and len(reader) <= LONGEST_READER):
        raise LogbookError(
            f"logbook: reader {reader[:LONGEST_READER]!r} found; a name or initials of 1 to "
            f"{LONGEST_READER} printable characters expected, for instance --reader AB."
        )
    return reader


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry(Draft):
    """What was written.

    Parameters
    ----------
    number : int
        1 for the first entry; no number is left out.
    time : datetime
        When it was written, UTC, to the microsecond.
    software, weights : str
        Version of lipmark, and SHA-256 of the weights that propose.
    previous_hash, hash : str
        Hash of the entry before, and of this one.
    """

    number: int
    time: datetime
    software: str
    weights: str
    previous_hash: str
    hash: str

    @property
    def verdict(self) -> str:
        """The Reading's verdict; empty where it has none."""
        return str(self.reading.get("verdict") or "")

    def plain(self) -> dict[str, Plain]:
        """Every field as JSON values, the time as ISO 8601."""
        values = {item.name: getattr(self, item.name) for item in fields(self)}
        return cast(dict[str, Plain], values | {"time": self.time.isoformat(timespec="microseconds")})

    def computed_hash(self) -> str:
        """SHA-256 over everything but the hash itself, the hash of the entry before included."""
        content = self.plain()
        del content["hash"]
        return hashlib.sha256(canonical(content).encode()).hexdigest()


def canonical(value: Plain | Object) -> str:
    """The one way to write a JSON value: keys sorted, no spaces, floats that read back exactly, ASCII.

    Raises
    ------
    LogbookError
        Where a value has no place in JSON, such as NaN.
    """
    try:
        return json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False)
    except (TypeError, ValueError) as error:
        raise LogbookError(
            f"logbook: {error}; plain JSON values expected (annotate.logbook.entry.exact)."
        ) from error


def exact(value: object) -> Plain:
    """A value of the measure room as JSON values, to the last digit; what is not finite becomes null.

    Parameters
    ----------
    value : dataclass, mapping, sequence, number, text or None
        For instance `Landmarks`, or a `Case`.
    """
    match value:
        case None | bool() | int():
            return value
        case str():
            return str(value)
        case float():
            return value if math.isfinite(value) else None
        case Mapping():
            return {str(key): exact(item) for key, item in value.items()}
        case tuple() | list():
            return [exact(item) for item in value]
        case _ if is_dataclass(value):
            return {item.name: exact(getattr(value, item.name)) for item in fields(value)}
        case _:
            raise LogbookError(f"logbook: {type(value).__name__} has no place in an entry.")
