"""A film that was read becomes a draft for the logbook."""

from __future__ import annotations

import getpass
import os
from dataclasses import fields

from annotate.logbook.entry import Draft, Kind, exact
from measure.assess import Case
from measure.reading import Reading

READER_VARIABLE = "LIPMARK_READER"


def draft_of(
    film: str,
    patient: str | None,
    case: Case,
    reading: Reading,
    reader: str,
    *,
    kind: Kind = Kind.READING,
    supersedes: int | None = None,
    film_hours: float | None = None,
) -> Draft:
    """What the logbook keeps of one film that was read.

    Parameters
    ----------
    film : str
        `Film.fingerprint`.
    patient : str or None
        `annotate.logbook.privacy.pseudonym`.
    case, reading : Case, Reading
        What was known, and `assess(case)`.
    reader : str
        Who read it.
    kind, supersedes
        As in `Draft`.
    film_hours : float or None
        `annotate.logbook.privacy.film_hours`.

    Raises
    ------
    LogbookError
        Where the film is no fingerprint, the patient no pseudonym, or the reader has no name.
    """
    kept_apart = ("film", "landmarks", "notes")
    inputs = {item.name: exact(getattr(case, item.name)) for item in fields(case) if item.name not in kept_apart}
    inputs["film_hours"] = film_hours
    landmarks = {item.name: exact(getattr(case.landmarks, item.name)) for item in fields(case.landmarks)}
    return Draft(
        kind,
        film,
        patient,
        reader,
        inputs,
        landmarks,
        reading.to_dict(),
        supersedes,
    )


def default_reader() -> str:
    """Who reads: as LIPMARK_READER says, else the login name."""
    return os.environ.get(READER_VARIABLE) or getpass.getuser()
