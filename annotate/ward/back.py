"""Confirmed readings on their way to the archive: built once, sent until they are there."""

from __future__ import annotations

import io
import pickle
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Any

from sqlalchemy import insert, select, update

from annotate.messages import LOG
from annotate.ward.archive import DeliveryError
from annotate.ward.database import WardDatabase
from annotate.ward.metrics import DELIVERED
from annotate.ward.readers import NotFinishedError, Readers
from annotate.ward.schema import DeliveryRow
from annotate.ward.shelf import FILM, Shelf
from annotate.ward.work_queue import WorkQueue

FIRST_PAUSE, LONGEST_PAUSE = timedelta(seconds=30), timedelta(hours=1)
"""Before an object is sent again; doubled each time (ours)."""

IN_HAND = timedelta(minutes=5)
"""An object that is being sent is left alone for so long (ours)."""


class Kind(StrEnum):
    """What is sent."""

    REPORT = "report"
    CAPTURE = "capture"
    MARKS = "marks"


@dataclass(frozen=True, slots=True)
class Due:
    """A delivery that was taken in hand."""

    film: str
    reading: int
    kind: Kind
    attempts: int


class Back:
    """Sends reports, captures and presentation states.

    Parameters
    ----------
    database, shelf, readers
        Where films are, and who builds the objects.
    send : callable
        Sends an object's bytes, or raises `DeliveryError`.
    queue : WorkQueue
        Wakes who sends.
    """

    def __init__(
        self,
        database: WardDatabase,
        shelf: Shelf,
        readers: Readers,
        send: Callable[[bytes], None],
        queue: WorkQueue,
    ) -> None:
        self._database, self._shelf, self._readers = database, shelf, readers
        self._send, self._queue = send, queue

    def schedule(self, film: str, reading: int) -> None:
        """Have a confirmed reading sent."""
        with self._database.writing() as connection:
            numbers = [
                connection.execute(
                    insert(DeliveryRow)
                    .values(film=film, reading=reading, kind=kind, attempts=0, due=_now(), trouble="")
                    .returning(DeliveryRow.number)
                ).scalar_one()
                for kind in Kind
            ]
        for number in numbers:
            self._queue.wake_delivery(number)

    def deliver(self, number: int) -> None:
        """Send one object; where that fails, later again."""
        due = self._taken(number)
        if due is None:
            return
        try:
            content = self._object(due)
            if content is not None:
                self._send(content)
        except DeliveryError as error:
            if error.hopeless:
                LOG.error("ward: %s of film %s is given up: %s", due.kind, due.film, error)
                DELIVERED.labels("given up").inc()
                self._note(number, done=_now(), trouble=str(error))
            else:
                self._later(number, due, str(error))
        else:
            DELIVERED.labels("done").inc()
            self._note(number, done=_now(), trouble="")

    def catch_up(self) -> None:
        """Wake what is due."""
        query = select(DeliveryRow.number).where(DeliveryRow.done.is_(None), DeliveryRow.due <= _now())
        with self._database.reading() as connection:
            numbers = list(connection.execute(query).scalars())
        for number in numbers:
            self._queue.wake_delivery(number)

    def outstanding(self) -> list[tuple[str, str, int, str]]:
        """Film, kind, attempts and last trouble of what is not there yet."""
        query = select(DeliveryRow.film, DeliveryRow.kind, DeliveryRow.attempts, DeliveryRow.trouble)
        with self._database.reading() as connection:
            rows = connection.execute(query.where(DeliveryRow.done.is_(None)).order_by(DeliveryRow.number))
            return [(row.film, row.kind, row.attempts, row.trouble) for row in rows]

    def _taken(self, number: int) -> Due | None:
        """The delivery, pushed back so that nobody else sends it meanwhile; None where it is not due."""
        taken = (
            update(DeliveryRow)
            .where(DeliveryRow.number == number, DeliveryRow.done.is_(None), DeliveryRow.due <= _now())
            .values(due=_now() + IN_HAND, attempts=DeliveryRow.attempts + 1)
            .returning(DeliveryRow.film, DeliveryRow.reading, DeliveryRow.kind, DeliveryRow.attempts)
        )
        with self._database.writing() as connection:
            row = connection.execute(taken).first()
        return None if row is None else Due(row.film, row.reading, Kind(row.kind), row.attempts)

    def _object(self, due: Due) -> bytes | None:
        """As built before, so that what is sent twice is one object; None where this film has none of the kind."""
        part = f"{due.kind}-{due.reading}"
        kept = self._shelf.get(due.film, part)
        if kept is not None:
            return kept
        film, packed = self._shelf.get(due.film, FILM), self._shelf.get(due.film, f"reading-{due.reading}")
        if film is None or packed is None:
            raise DeliveryError("the film's days were over before the archive took its report", hopeless=True)
        try:
            built = self._readers.run(build, due.kind, film, packed)
        except NotFinishedError as error:
            raise DeliveryError(f"it was not built: {error}") from error
        if isinstance(built, str):
            raise DeliveryError(built, hopeless=True)
        if built is not None:
            self._shelf.put(due.film, part, built)
        return built

    def _later(self, number: int, due: Due, trouble: str) -> None:
        LOG.warning("ward: %s of film %s is not in the archive: %s", due.kind, due.film, trouble)
        DELIVERED.labels("failed").inc()
        pause = min(FIRST_PAUSE * 2 ** min(due.attempts - 1, 10), LONGEST_PAUSE)
        self._note(number, due=_now() + pause, trouble=trouble)
        self._queue.wake_delivery(number, pause.total_seconds() + 0.5)

    def _note(self, number: int, **values: object) -> None:
        with self._database.writing() as connection:
            connection.execute(update(DeliveryRow).where(DeliveryRow.number == number).values(**values))


def build(kind: Kind, film: bytes, packed: bytes) -> bytes | str | None:
    """An object's bytes, or in words why there can be none; runs in a process that reads films.

    None where this film has no such object, and needs none.
    """
    from annotate.reports.dicom_capture import secondary_capture
    from annotate.reports.dicom_marks import presentation_state
    from annotate.reports.dicom_sr import structured_report
    from annotate.reports.source import Reported, ReportError, header_of
    from imaging.load import load_film

    reading, reader = pickle.loads(packed)
    try:
        header = header_of(film)
    except ReportError as error:
        return str(error)
    loaded = load_film(film)
    reported = Reported(header, loaded.shape, loaded.turn, reading, reader)
    built: Any
    match kind:
        case Kind.REPORT:
            built = structured_report(reported)
        case Kind.CAPTURE:
            built = secondary_capture(reported, loaded)
        case Kind.MARKS:
            built = presentation_state(reported)
    if built is None:
        return None
    held = io.BytesIO()
    built.save_as(held, enforce_file_format=True)
    return held.getvalue()


def _now() -> datetime:
    return datetime.now(UTC)
