"""A film that was read becomes a draft for the logbook, and the film before it is found there."""

from __future__ import annotations

import getpass
import os
from dataclasses import replace

from annotate.logbook.entry import Draft, Entry, Kind, exact
from annotate.logbook.privacy import pseudonym
from annotate.logbook.store import Logbook
from imaging.film import Identifiers
from measure.assess import Case
from measure.follow_up import PreviousFilm
from measure.landmarks import Landmarks
from measure.reading import Reading

READER_VARIABLE = "LIPMARK_READER"


def draft_of(
    fingerprint: str,
    identifiers: Identifiers,
    case: Case,
    reading: Reading,
    reader: str,
    *,
    kind: Kind = Kind.READING,
    supersedes: int | None = None,
) -> Draft:
    """What the logbook keeps of one film that was read.

    Parameters
    ----------
    fingerprint, identifiers : str, Identifiers
        `Film.fingerprint` and `Film.identifiers`; of these only the patient's pseudonym is kept.
    case, reading : Case, Reading
        What was known, and `assess(case)`.
    reader : str
        Who read it.
    kind, supersedes
        As in `Draft`.

    Raises
    ------
    LogbookError
        Where the local key cannot be used, or the reader has no name.
    """
    inputs = exact(replace(case, film="", landmarks=Landmarks(), notes=()))
    landmarks = exact(case.landmarks)
    assert isinstance(inputs, dict)
    assert isinstance(landmarks, dict)
    del inputs["landmarks"], inputs["notes"]
    return Draft(
        kind,
        fingerprint,
        pseudonym(identifiers.patient_id, identifiers.issuer_of_patient_id),
        reader,
        inputs,
        landmarks,
        reading.to_dict(),
        supersedes,
    )


def previous_reading(logbook: Logbook, patient: str | None, film: str) -> Entry | None:
    """The patient's last current entry, of another film, that has a distance; None where there is none."""
    if patient is None:
        return None
    found = logbook.entries(kind=Kind.READING, patient=patient)
    return next((item for item in reversed(found) if item.film != film and item.reading.get("distance")), None)


def previous_film(entry: Entry) -> PreviousFilm:
    """That entry's film, to be compared with."""
    return PreviousFilm.from_reading({**entry.reading, "film": f"entry {entry.number}"})


def default_reader() -> str:
    """Who reads: as LIPMARK_READER says, else the login name."""
    return os.environ.get(READER_VARIABLE) or getpass.getuser()
