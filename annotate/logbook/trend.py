"""One patient's films in the order of their first reading: heights, lip marks, and what explains a shift."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from annotate.logbook.entry import Entry, Kind
from annotate.logbook.privacy import named_by_entry
from annotate.logbook.store import Logbook
from measure.estimate import Estimate
from measure.follow_up import Change, PreviousFilm, change_since
from measure.reading import Reading


@dataclass(frozen=True, slots=True)
class FilmRead:
    """A film in the logbook.

    Parameters
    ----------
    first_read : datetime
        When it was read for the first time: a correction does not move it behind later films.
    entry : Entry
        The newest entry of it.
    """

    first_read: datetime
    entry: Entry


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """A film of the trend.

    Parameters
    ----------
    time : datetime
        When it was first read.
    entry : Entry
        Its newest entry.
    height_on_film_cm : Estimate
        Tip above carina.
    lip_mark_cm : float or None
        Mark at the lip.
    change : Change or None
        Since the film before; None for the first.
    """

    time: datetime
    entry: Entry
    height_on_film_cm: Estimate
    lip_mark_cm: float | None
    change: Change | None

    @property
    def unexplained(self) -> bool:
        """The tip surely moved by 1 cm or more that neither lip marks nor neck explain (`measure.follow_up`)."""
        return self.change is not None and self.change.flagged


def films_of(logbook: Logbook, patient: str) -> list[FilmRead]:
    """A patient's films that have a distance, in the order in which they were first read."""
    first: dict[str, datetime] = {}
    for entry in logbook.entries(kind=Kind.READING, patient=patient, current_only=False):
        first.setdefault(entry.film, entry.time)
    newest = {entry.film: entry for entry in logbook.entries(kind=Kind.READING, patient=patient)}
    return [
        FilmRead(time, newest[film])
        for film, time in first.items()
        if film in newest and newest[film].reading.get("distance")
    ]


def previous_entry(logbook: Logbook, patient: str | None, film: str) -> Entry | None:
    """The newest entry of the patient's film before this one; None where there is none.

    Parameters
    ----------
    logbook : Logbook
    patient : str or None
        Pseudonym.
    film : str
        Fingerprint; where the logbook has it already, the one before it is meant.
    """
    before = None
    for read in [] if patient is None else films_of(logbook, patient):
        if read.entry.film == film:
            break
        before = read.entry
    return before


def film_in(entry: Entry) -> PreviousFilm:
    """The film of an entry as one to compare with, named by its number.

    Raises
    ------
    MeasureError
        Where its Reading has no distance.
    """
    return PreviousFilm.from_reading(_reading_of(entry))


def trend(films: Sequence[FilmRead]) -> list[TrendPoint]:
    """Each film against the one before, whatever rule judged it then: heights and inputs alone are compared.

    Raises
    ------
    MeasureError
        Where an entry's Reading has no distance.
    """
    points: list[TrendPoint] = []
    before: PreviousFilm | None = None
    for read in films:
        reading = _reading_of(read.entry)
        here = PreviousFilm.from_reading(reading)
        change = None if before is None else _change(before, here, reading)
        points.append(TrendPoint(read.first_read, read.entry, here.height_on_film_cm, here.lip_mark_cm, change))
        before = here
    return points


def _reading_of(entry: Entry) -> Reading:
    return Reading.from_dict({**entry.reading, "film": named_by_entry(entry.number)})


def _change(before: PreviousFilm, here: PreviousFilm, reading: Reading) -> Change | None:
    if reading.inputs is None:
        return None
    inputs = reading.inputs
    return change_since(
        before, here.height_on_film_cm, here.lip_mark_cm, here.neck, inputs.patient, inputs.film_per_patient
    )
