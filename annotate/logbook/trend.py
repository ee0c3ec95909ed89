"""One patient's films as they were taken, else as first read: heights, lip marks, and what explains a shift."""

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

    @property
    def hours(self) -> float | None:
        """When it was taken, from a moment that only the key tells; None where the film does not say."""
        hours = self.entry.inputs.get("film_hours")
        return float(hours) if isinstance(hours, int | float) else None


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
    hours : float or None
        When it was taken, after the first film; None where a film does not say.
    """

    time: datetime
    entry: Entry
    height_on_film_cm: Estimate
    lip_mark_cm: float | None
    change: Change | None
    hours: float | None = None

    @property
    def unexplained(self) -> bool:
        """The tip surely moved by 1 cm or more that neither lip marks nor neck explain (`measure.follow_up`)."""
        return self.change is not None and self.change.flagged


def films_of(logbook: Logbook, patient: str) -> list[FilmRead]:
    """A patient's films that have a distance, as taken where all films say when, else as first read."""
    first: dict[str, datetime] = {}
    for entry in logbook.entries(kind=Kind.READING, patient=patient, current_only=False):
        first.setdefault(entry.film, entry.time)
    newest = {entry.film: entry for entry in logbook.entries(kind=Kind.READING, patient=patient)}
    films = [
        FilmRead(time, newest[film])
        for film, time in first.items()
        if film in newest and newest[film].reading.get("distance")
    ]
    hours = [read.hours for read in films]
    if None in hours:
        return films
    return sorted(films, key=lambda read: read.hours or 0.0)


def previous_entry(logbook: Logbook, patient: str | None, film: str, hours: float | None = None) -> Entry | None:
    """The newest entry of the patient's film before this one; None where there is none.

    Parameters
    ----------
    logbook : Logbook
    patient : str or None
        Pseudonym.
    film : str
        Fingerprint; where the logbook has it already, the one before it is meant.
    hours : float or None
        `annotate.logbook.privacy.film_hours` of this film: no film taken after it comes before it.
    """
    films = [] if patient is None else films_of(logbook, patient)
    place = place_of(films, film, hours)
    return films[place - 1].entry if place else None


def place_of(films: Sequence[FilmRead], film: str, hours: float | None = None) -> int:
    """How many of a patient's films come before one, whether it is among them or not; see `previous_entry`."""
    here = (number for number, read in enumerate(films) if read.entry.film == film or _later(read, hours))
    return next(here, len(films))


def reading_of_film(url: str | None, film: str) -> Reading | None:
    """What the newest entry says of a film; None where the logbook does not have it.

    Parameters
    ----------
    url : str or None
        Where the logbook is, as `Logbook.open` takes it.
    film : str
        Fingerprint.

    Raises
    ------
    LogbookError
        Where the logbook cannot be asked.
    MeasureError
        Where the entry's Reading cannot be read.
    """
    with Logbook.open(url) as logbook:
        entries = list(logbook.entries(kind=Kind.READING, film=film))
    return reading_in(entries[-1]) if entries else None


def _later(read: FilmRead, hours: float | None) -> bool:
    return hours is not None and read.hours is not None and read.hours > hours


def reading_in(entry: Entry) -> Reading:
    """The Reading of an entry, its film named by the entry's number.

    Raises
    ------
    MeasureError
        Where it cannot be read.
    """
    return Reading.from_dict({**entry.reading, "film": named_by_entry(entry.number)})


def film_in(entry: Entry) -> PreviousFilm:
    """The film of an entry as one to compare with, named by its number.

    Raises
    ------
    MeasureError
        Where its Reading has no distance.
    """
    return PreviousFilm.from_reading(reading_in(entry))


def trend(films: Sequence[FilmRead]) -> list[TrendPoint]:
    """Each film against the one before, whatever rule judged it then: heights and inputs alone are compared.

    Raises
    ------
    MeasureError
        Where an entry's Reading has no distance.
    """
    points: list[TrendPoint] = []
    before: PreviousFilm | None = None
    first = films[0].hours if films and all(read.hours is not None for read in films) else None
    for read in films:
        reading = reading_in(read.entry)
        here = PreviousFilm.from_reading(reading)
        change = None if before is None else _change(before, here, reading)
        hours = None if first is None or read.hours is None else read.hours - first
        points.append(
            TrendPoint(read.first_read, read.entry, here.height_on_film_cm, here.lip_mark_cm, change, hours)
        )
        before = here
    return points


def _change(before: PreviousFilm, here: PreviousFilm, reading: Reading) -> Change | None:
    if reading.inputs is None:
        return None
    inputs = reading.inputs
    return change_since(
        before, here.height_on_film_cm, here.lip_mark_cm, here.neck, inputs.patient, inputs.film_per_patient
    )
