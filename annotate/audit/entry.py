"""One line of an audit's source: a film or the marks made on it, and what is known around it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from imaging.case import Request
from measure.assess import Case
from measure.landmarks import Source

MIXED = "mixed"
"""One point by hand, the other proposed."""

KEY_BYTES = 10
"""Among ten million films two share a key of this length with a probability of 4 in 10^11."""


@dataclass(frozen=True, slots=True)
class Circumstances:
    """When, where and by whom; None where not known.

    Parameters
    ----------
    time : datetime
        Of the film, by the clock of the place.
    unit, shift, operator_grade : str
        As the source says.
    patient : str
        Opaque, the same for all films of one patient; tells nothing about who it is.
    reader : str
        Who placed the marks, as "reader 1", "reader 2" ... in the order of the source.
    """

    time: datetime | None = None
    unit: str | None = None
    shift: str | None = None
    operator_grade: str | None = None
    patient: str | None = None
    reader: str | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the source.

    Parameters
    ----------
    place : str
        Path or row, to tell people where it stands; never written to the results.
    key : str
        The same for all lines of one film; tells nothing about it.
    film : Path or None
        None where only marks are given.
    asked : Request
        Marks, spacing, patient, tube ...
    proposed : bool
        Whether a Reading of the film without the hand's marks is wanted.
    circumstances : Circumstances
    case : Case or None
        What the logbook keeps of the film, in place of a Request.
    problem : str
        Why this line cannot be used; empty where it can.
    """

    place: str
    key: str
    film: Path | None = None
    asked: Request = field(default_factory=Request)
    proposed: bool = False
    circumstances: Circumstances = field(default_factory=Circumstances)
    case: Case | None = None
    problem: str = ""

    @property
    def marked(self) -> bool:
        """Whether a hand has placed a point."""
        return self.source_of(self.asked) != Source.PROPOSED.value

    def requests(self) -> list[Request]:
        """One for each Reading that is wanted: by proposal first, then with the hand's marks."""
        unmarked = replace(self.asked, tip=None, carina=None)
        wanted = [unmarked] if self.proposed else []
        return wanted + ([self.asked] if self.marked or not wanted else [])

    def source_of(self, request: Request) -> str:
        """Who places the two points of a Reading: `hand`, `proposed` or `mixed`."""
        if self.case is not None:
            marks = (self.case.landmarks.tip, self.case.landmarks.carina)
            sources = {mark.source for mark in marks if mark is not None}
            return MIXED if len(sources) > 1 else next(iter(sources), Source.PROPOSED).value
        by_hand = sum(point is not None for point in (request.tip, request.carina))
        return (Source.PROPOSED.value, MIXED, Source.HAND.value)[by_hand]


class SourceDigest:
    """Digest of a source for the results to hold, and another one, never told, that salts the films' keys."""

    def __init__(self) -> None:
        self._told = hashlib.sha256()
        self._kept = hashlib.sha256(b"salt of the films' keys")

    def update(self, data: bytes) -> None:
        """Take in more of the source."""
        self._told.update(data)
        self._kept.update(data)

    @property
    def told(self) -> str:
        """What the results hold."""
        return self._told.hexdigest()

    def key_of(self, name: str) -> str:
        """An opaque key for a film or a patient: nobody who lacks the source finds the name by trying names."""
        salted = hashlib.blake2b(digest_size=KEY_BYTES, key=self._kept.digest())
        salted.update(name.encode("utf-8", "surrogateescape"))
        return salted.hexdigest()
