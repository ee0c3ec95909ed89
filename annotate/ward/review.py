"""A reader's marks on a film: measured as the command measures them, and kept once they are confirmed."""

from __future__ import annotations

import pickle
import threading
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from annotate.drawing.ruler import RULER_CM, accepted_zone, airway_ruler
from annotate.logbook.record import draft_of
from annotate.logbook.store import Logbook
from annotate.ward.errors import WardError
from annotate.ward.film_reader import Known
from annotate.ward.register import Listed, Register
from annotate.ward.schema import Decision
from annotate.ward.shelf import CASE, Shelf
from annotate.words.answer import headline_of, place_of, reason_in_words
from annotate.words.screen import screen
from imaging.case import Request, case_of
from imaging.film import Film
from measure.assess import Case, assess
from measure.errors import MeasureError
from measure.follow_up import PreviousFilm
from measure.landmarks import Landmark, Landmarks, Point, Seen
from measure.posture import NeckPosture
from measure.reading import Reading
from measure.tube import Tube

FILMS_AT_HAND = 256
"""Films whose geometry stays in memory (ours): some kilobytes each."""


@dataclass(frozen=True, slots=True)
class Marks:
    """What a reader has set on a film.

    Parameters
    ----------
    tip, carina : point or None
        Placed by hand; None where the proposal stands.
    lip_mark_cm, tube_size_mm : float or None
        As read at the bed.
    neck : NeckPosture
        On this film.
    no_tube, no_carina : bool
        There is no tube; the carina cannot be seen.
    """

    tip: Point | None = None
    carina: Point | None = None
    lip_mark_cm: float | None = None
    tube_size_mm: float | None = None
    neck: NeckPosture = NeckPosture.UNKNOWN
    no_tube: bool = False
    no_carina: bool = False

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> Marks:
        """From what the page sends.

        Raises
        ------
        WardError
            Where a value is none.
        """
        try:
            return cls(
                tip=_point(plain.get("tip")),
                carina=_point(plain.get("carina")),
                lip_mark_cm=_number(plain.get("lip_mark_cm")),
                tube_size_mm=_number(plain.get("tube_size_mm")),
                neck=NeckPosture(plain.get("neck") or NeckPosture.UNKNOWN),
                no_tube=bool(plain.get("no_tube")),
                no_carina=bool(plain.get("no_carina")),
            )
        except (TypeError, ValueError) as error:
            raise WardError("ward: marks that are no numbers were sent; open the film again.") from error

    @property
    def decision(self) -> Decision:
        """What confirming these marks is."""
        if self.no_tube:
            return Decision.NO_TUBE
        if self.no_carina:
            return Decision.NO_CARINA
        return Decision.CONFIRMED if self == Marks() else Decision.CORRECTED


class Review:
    """Measures and keeps what readers mark.

    Parameters
    ----------
    register, shelf : Register, Shelf
        Where films are.
    logbook : str
        Where confirmed readings are kept for ever.
    """

    def __init__(self, register: Register, shelf: Shelf, logbook: str) -> None:
        self._register, self._shelf, self._logbook = register, shelf, logbook
        self._saving = threading.Lock()
        self.known = lru_cache(FILMS_AT_HAND)(self._known)

    def measure(self, film: Listed, marks: Marks) -> tuple[Case, Reading]:
        """What these marks say beside the patient's film before: `assess`, as everywhere.

        Raises
        ------
        WardError
            Where the film's days are over.
        MeasureError
            Where a mark or value cannot be.
        """
        known = self.known(film.id)
        request = Request(
            tip=marks.tip,
            carina=marks.carina,
            known=Case(
                "",
                lip_mark_cm=marks.lip_mark_cm,
                tube=Tube(size_mm=marks.tube_size_mm),
                posture=marks.neck,
                previous=self._previous(film),
            ),
        )
        case = case_of(film.id, known.film, request, known.proposal)
        if marks.no_tube:
            case = replace(case, landmarks=Landmarks(), seen=Seen.NO_TUBE)
        elif marks.no_carina:
            case = replace(case, landmarks=replace(case.landmarks, carina=None, airway_path=()))
        return case, assess(case)

    def decide(self, film: Listed, seen: int, marks: Marks, reader: str) -> tuple[int, Reading]:
        """Keep what a reader says; the number of the reading, and the reading.

        Raises
        ------
        ChangedMeanwhileError
            Where another reading holds than the one that the reader saw.
        """
        case, reading = self.measure(film, marks)
        number = self._register.keep_decision(film.id, seen, reading, reader, marks.decision)
        self._shelf.put(film.id, f"reading-{number}", pickle.dumps((reading, reader)))
        self._write_logbook(film, case, reading, reader)
        return number, reading

    def _previous(self, film: Listed) -> PreviousFilm | None:
        """The film before, where it has a distance to compare with."""
        before = self._register.before(film)
        if before is None or before.answer is None:
            return None
        try:
            return PreviousFilm.from_reading(Reading.from_dict(before.answer.answer))
        except MeasureError:
            return None

    def _write_logbook(self, film: Listed, case: Case, reading: Reading, reader: str) -> None:
        with self._saving, Logbook.open(self._logbook) as logbook:
            before = logbook.entries(film=film.fingerprint)
            draft = draft_of(
                film.fingerprint,
                film.patient,
                case,
                reading,
                reader,
                supersedes=before[-1].number if before else None,
            )
            logbook.save(draft)

    def _known(self, film: str) -> Known:
        content = self._shelf.get(film, CASE)
        if content is None:
            raise WardError(
                "ward: the pixels of this film are gone; its reading stays, but cannot be changed here."
            )
        return Known.unpacked(content)


def view_of(film: Film, reading: Reading) -> dict[str, Any]:
    """What the page shows of a reading: words, and places in columns and rows of a film with square pixels."""
    ruler = airway_ruler(film, reading)
    zone: list[list[list[float]]] = []
    ticks: list[list[float]] = []
    if ruler is not None:
        ticks = [_at(film, *ruler.at(float(height))) for height in range(RULER_CM + 1)]
        if reading.accepted_range is not None:
            band = accepted_zone(ruler, reading.accepted_range, film.pixel_aspect)
            zone = [[_at(film, *place) for place in side] for side in (band.left, band.right)]
    return {
        "headline": headline_of(reading),
        "place": place_of(reading),
        "reason": reading.error or reason_in_words(reading),
        "check": "" if reading.adjustment is None else reading.adjustment.check,
        "urgency": "" if reading.adjustment is None else reading.adjustment.urgency.value,
        "tip": _mark(film, reading.landmarks.tip),
        "carina": _mark(film, reading.landmarks.carina),
        "ticks": ticks,
        "zone": zone,
        "noted": [
            f"{name.capitalize()}: {mark.note}."
            for name, mark in (("tip", reading.landmarks.tip), ("carina", reading.landmarks.carina))
            if mark is not None and mark.note
        ],
        "cautions": list(reading.cautions),
        "screen": screen(reading).partition("\n")[2],
    }


def _mark(film: Film, mark: Landmark | None) -> dict[str, Any] | None:
    if mark is None:
        return None
    x, y = _at(film, mark.row, mark.column)
    return {"x": x, "y": y, "row": mark.row, "column": mark.column, "sd": mark.sd_px, "source": mark.source.value}


def _at(film: Film, row: float, column: float) -> list[float]:
    return [round(float(column) + 0.5, 2), round((float(row) + 0.5) * film.pixel_aspect, 2)]


def _point(plain: Any) -> Point | None:
    if plain is None:
        return None
    row, column = plain
    return float(row), float(column)


def _number(plain: Any) -> float | None:
    return None if plain in (None, "") else float(plain)
