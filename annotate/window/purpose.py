"""What the window is opened for: a reading, a second reading, or something of another module's own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Protocol

from annotate.logbook.entry import Draft, Entry, Kind, exact
from annotate.logbook.errors import LogbookError
from annotate.logbook.privacy import film_hours, pseudonym
from annotate.logbook.record import draft_of
from annotate.logbook.store import Logbook
from annotate.logbook.trend import (
    TrendPoint,
    films_of,
    place_of,
    previous_entry,
    reading_in,
    reading_of_film,
    trend,
)
from annotate.window.marking import FilmBefore, Marking
from annotate.window.marks import CARINA, TIP, Marks
from imaging.film import Film
from measure.distance import distance_mm
from measure.landmarks import Landmark, Landmarks
from measure.reading import Plain, Reading

if TYPE_CHECKING:
    from qtpy.QtWidgets import QWidget


Around = tuple[Sequence[TrendPoint], Sequence[TrendPoint]]
"""A patient's films before one and after it, each in the order in which they were taken."""


class NotSavedError(Exception):
    """Why the marks could not be kept, and what to do."""


class Host(Protocol):
    """What a purpose's own widget may ask of the window; `desk.Desk`."""

    @property
    def film_area(self) -> QWidget:
        """Where the film is shown; it has the keys."""

    @property
    def scale(self) -> float:
        """Of type and controls, over those of a usual screen."""

    @property
    def marking(self) -> Marking | None:
        """Of the film that is open."""

    def refresh(self) -> None:
        """Show everything as it stands."""

    def turn_to(self, number: int) -> None:
        """Open a film of the list."""


class Purpose:
    """What marks are placed for; see the package's docstring for how to make another.

    Attributes
    ----------
    key : str
        Tells its drafts from those of another purpose.
    title : str
        In the window's title.
    proposes : bool
        Whether landmarks are looked for.
    turns : bool
        Whether it is looked at how a film lies, where no landmarks are looked for.
    has_form : bool
        Whether patient, tube and film can be typed in.
    lays_ruler : bool
        Whether a ruler is laid on the film as soon as it has both points.
    asks : str
        What the panel says where it may not tell the Reading.
    compared_as : str
        What the points of `compared` are called.
    saves_as : str
        On the button that saves.
    taken_up : str
        What the panel says where `earlier` had something.
    keys : tuple of (str, str)
        Its own keys and what they do, for the help sheet.
    """

    key = "look"
    title = "look"
    proposes = True
    turns = False
    has_form = True
    lays_ruler = False
    asks = "Place the tube tip (T) and the carina (C)."
    compared_as = "compared"
    saves_as = "Save"
    taken_up = "Your saved marks of this film; saving again corrects them."
    keys: tuple[tuple[str, str], ...] = ()

    def tells(self, marking: Marking) -> bool:
        """Whether Reading, ruler and accepted zone are shown now."""
        return True

    def prepare(self, film: Film) -> None:
        """What opening the film will ask and takes time; called beforehand, in another thread."""

    def earlier(self, marking: Marking) -> tuple[Marks, Mapping[str, str]] | None:
        """Marks and form that the same reader saved for this film before."""
        return None

    def film_before(self, marking: Marking) -> FilmBefore | None:
        """The patient's film before, to hold this one against."""
        return None

    def reading_of(self, film: Film) -> Reading | None:
        """What was last read of a film that is said to be the one before."""
        return None

    def trend(self, marking: Marking) -> Around:
        """The other films of the tube that may be seen."""
        return (), ()

    def save(self, marking: Marking) -> str:
        """Keep the marks, and say so.

        Raises
        ------
        NotSavedError
            Where that was not possible.
        """
        raise NotSavedError("Nothing is kept here.")

    def compared(self, marking: Marking) -> Landmarks | None:
        """Landmarks of somebody else to draw beside the own ones, once they may be seen."""
        return None

    def locked(self, marking: Marking) -> bool:
        """Whether the marks may not be changed any more."""
        return False

    def refreshed(self) -> None:
        """The window shows something new: another film, other marks."""

    def widget(self, desk: Host) -> QWidget | None:
        """For the top of the panel."""
        return None


class FirstReading(Purpose):
    """A reading for the logbook; saved again, it corrects the reader's earlier entry.

    Parameters
    ----------
    reader : str
        Name or initials.
    logbook : str or None
        URL; None for the user's own.
    """

    key = "reading"
    title = "reading"

    def __init__(self, reader: str, logbook: str | None = None) -> None:
        self.reader = reader
        self._logbook = logbook

    def earlier(self, marking: Marking) -> tuple[Marks, Mapping[str, str]] | None:
        """From the reader's newest entry; an entry that was not made here has no marks of a hand to take up."""
        entry = self._own(self._entries(marking))
        window = None if entry is None else _window(entry)
        if not window:
            return None
        marks, texts = window.get("marks"), window.get("form")
        if not (isinstance(marks, Mapping) and isinstance(texts, Mapping)):
            return None
        return Marks.from_dict(marks), {key: str(text) for key, text in texts.items()}

    def prepare(self, film: Film) -> None:
        """The pseudonym is made slow on purpose; it is remembered."""
        _patient(film)
        _hours(film)

    def film_before(self, marking: Marking) -> FilmBefore | None:
        """By the patient's pseudonym from the logbook."""
        patient = _patient(marking.film)
        if patient is None:
            return None
        with Logbook.open(self._logbook) as logbook:
            entry = previous_entry(logbook, patient, marking.fingerprint, _hours(marking.film))
        return None if entry is None else FilmBefore(entry.film, reading_in(entry))

    def reading_of(self, film: Film) -> Reading | None:
        """The logbook's newest."""
        return reading_of_film(self._logbook, film.fingerprint)

    def trend(self, marking: Marking) -> Around:
        """Every other film of this patient in the logbook."""
        patient = _patient(marking.film)
        if patient is None:
            return (), ()
        with Logbook.open(self._logbook) as logbook:
            films = films_of(logbook, patient)
        points, place = trend(films), place_of(films, marking.fingerprint, _hours(marking.film))
        return points[:place], [point for point in points[place:] if point.entry.film != marking.fingerprint]

    def save(self, marking: Marking) -> str:
        """Write an entry with everything that led to the Reading."""
        if marking.looking:
            raise NotSavedError("Not saved yet: the film is still being looked at. Save again in a moment.")
        try:
            with Logbook.open(self._logbook) as logbook:
                before = self._own(logbook.entries(kind=Kind.READING, film=marking.fingerprint))
                entry = logbook.save(self._draft(marking, before))
        except (LogbookError, OSError) as error:
            raise NotSavedError(f"Not saved: {error}") from error
        corrects = "" if before is None else f", corrects entry {before.number}"
        return f"Saved as entry {entry.number} by {self.reader}{corrects}."

    def _draft(self, marking: Marking, before: Entry | None) -> Draft:
        window: dict[str, Plain] = {
            "purpose": self.key,
            "marks": exact(marking.marks.to_dict()),
            "form": exact(marking.texts),
        }
        draft = draft_of(
            marking.fingerprint,
            _patient(marking.film),
            marking.answer.case,
            marking.reading,
            self.reader,
            supersedes=None if before is None else before.number,
            film_hours=_hours(marking.film),
        )
        return replace(draft, inputs={**draft.inputs, "window": window})

    def _entries(self, marking: Marking) -> list[Entry]:
        with Logbook.open(self._logbook) as logbook:
            return logbook.entries(kind=Kind.READING, film=marking.fingerprint)

    def _own(self, entries: list[Entry]) -> Entry | None:
        """The reader's newest entry of this purpose; one of the command line counts as a first reading."""
        own = (one for one in reversed(entries) if one.reader == self.reader)
        return next((one for one in own if _window(one).get("purpose", FirstReading.key) == self.key), None)


class SecondReading(FirstReading):
    """Marks placed without sight of the first reading and of the proposal; the same reader may do both."""

    key = "second reading"
    title = "second reading"
    proposes = False
    turns = True

    def film_before(self, marking: Marking) -> FilmBefore | None:
        """None: what was read before would tell."""
        return None

    def reading_of(self, film: Film) -> Reading | None:
        """Likewise."""
        return None

    def trend(self, marking: Marking) -> Around:
        """Likewise."""
        return (), ()

    def __init__(self, reader: str, logbook: str | None = None) -> None:
        super().__init__(reader, logbook)
        self._revealed: dict[str, Landmarks] = {}

    def earlier(self, marking: Marking) -> tuple[Marks, Mapping[str, str]] | None:
        """The own marks; who has saved before has seen the first reader's."""
        own = super().earlier(marking)
        if own is not None:
            self._reveal(marking)
        return own

    def save(self, marking: Marking) -> str:
        """Write the entry, and say how far the two readers lie apart."""
        for name in (TIP, CARINA):
            if not marking.points(name) and name not in marking.marks.not_visible:
                raise NotSavedError(f"Not saved: place the {name}, or mark it as not visible.")
        said = super().save(marking)
        self._reveal(marking)
        first = self._revealed.get(marking.fingerprint)
        return f"{said} {'Nobody else has read this film yet.' if first is None else _apart(marking, first)}"

    def compared(self, marking: Marking) -> Landmarks | None:
        """The other reader's marks, once the own ones are saved."""
        return None if marking.unsaved else self._revealed.get(marking.fingerprint)

    def _reveal(self, marking: Marking) -> None:
        first = self._first(self._entries(marking))
        if first is not None:
            self._revealed[marking.fingerprint] = _landmarks(first)

    def _first(self, entries: list[Entry]) -> Entry | None:
        own = self._own(entries)
        return next((entry for entry in entries if entry is not own), None)


def _patient(film: Film) -> str | None:
    """The patient's pseudonym."""
    who = film.identifiers
    return pseudonym(who.patient_id, who.issuer_of_patient_id)


def _hours(film: Film) -> float | None:
    """When the film was taken, from the patient's secret moment."""
    who = film.identifiers
    return film_hours(who.patient_id, who.taken, who.issuer_of_patient_id)


def _window(entry: Entry) -> Mapping[str, Plain]:
    """What the window wrote beside the inputs; empty where another hand wrote the entry."""
    window = entry.inputs.get("window")
    return window if isinstance(window, Mapping) else {}


def _landmarks(entry: Entry) -> Landmarks:
    """Tip and carina of an entry."""

    def point(name: str) -> Landmark | None:
        plain = entry.landmarks.get(name)
        if not isinstance(plain, Mapping):
            return None
        row, column = plain["row"], plain["column"]
        return Landmark(float(str(row)), float(str(column)), 0.0)

    return replace(Landmarks(), tip=point(TIP), carina=point(CARINA))


def _apart(marking: Marking, first: Landmarks) -> str:
    spacing = marking.answer.film.spacing
    parts = []
    for name, own, other in (
        (TIP, marking.landmarks.tip, first.tip),
        (CARINA, marking.landmarks.carina, first.carina),
    ):
        if own is None or other is None:
            continue
        if spacing is None:
            away = ((own.row - other.row) ** 2 + (own.column - other.column) ** 2) ** 0.5
            parts.append(f"{name} {away:.0f} pixels")
        else:
            parts.append(f"{name} {distance_mm(own, other, spacing).value:.1f} mm")
    return f"From the first reader's: {', '.join(parts)}." if parts else "The two readers share no point."
