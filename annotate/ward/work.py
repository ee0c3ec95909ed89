"""What is done with a film in the queue, and what is put right every minute."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import uuid4

from annotate.logbook.privacy import pseudonym
from annotate.messages import LOG
from annotate.ward.errors import NoRoomError, WardError
from annotate.ward.film_reader import Before, FilmRead, Known, read_film, read_with_film_before
from annotate.ward.metrics import FILMS_LOST, FILMS_READ, SECONDS_TO_ANSWER
from annotate.ward.readers import NotFinishedError, Readers
from annotate.ward.register import Register, Whose
from annotate.ward.shelf import CASE, CROP, FILM, LARGE, Shelf
from annotate.ward.work_queue import WorkQueue
from measure.errors import MeasureError
from measure.reading import Reading, unreadable

MOST_CLAIMS = 5
"""A film that was being read whenever its service stopped is set aside in the end (ours): it may be the reason."""

KEEP_TRYING_S = (1.0, 3.0, 10.0, 30.0)
"""Pauses while the database cannot keep an answer (ours); then the film is read again by whoever is there."""

STALLED = timedelta(seconds=60)


class Work:
    """Reads films for one service.

    Parameters
    ----------
    register, shelf : Register, Shelf
        Where films are.
    readers : Readers
        Who reads.
    key_file : Path
        For pseudonyms.
    keep : timedelta
        How long pixels and identifiers are kept.
    """

    def __init__(
        self, register: Register, shelf: Shelf, readers: Readers, key_file: Path, keep: timedelta
    ) -> None:
        self._register, self._shelf, self._readers = register, shelf, readers
        self._key_file, self._keep = key_file, keep
        self.holder = str(uuid4())

    def read(self, film: str) -> None:
        """Read a film and keep the answer; one that another service has is left to it."""
        if not self._register.claim(film, self.holder):
            return
        listed = self._register.film(film)
        if listed is not None and listed.attempts > MOST_CLAIMS:
            self._register.set_aside(
                film, self.holder, "Every service that read it stopped. Look at the film itself."
            )
            return
        try:
            content = self._shelf.get(film, FILM)
        except WardError as error:
            LOG.error("%s", error)
            content = None
        if content is None:
            self._register.set_aside(film, self.holder, "Its file is not there as it came; have it sent again.")
            return
        try:
            done = self._readers.run(read_film, film, content)
        except NotFinishedError as error:
            FILMS_LOST.inc()
            LOG.warning("ward: film %s was not read: %s", film, error)
            done = FilmRead(unreadable(film, f"Not read: {error}. Look at the film itself."))
        self._keep_answer(film, self._with_film_before(film, content, done))

    def _with_film_before(self, film: str, content: bytes, done: FilmRead) -> FilmRead:
        """The answer with the carina of the patient's film before weighed in, where a reader has confirmed one.

        Whatever goes wrong with that leaves the answer as it was.
        """
        if done.known is None or done.aside_because:
            return done
        try:
            before = self._before(film, done.known)
            if before is None:
                return done
            return self._readers.run(read_with_film_before, film, content, done.known.proposal, before)
        except NotFinishedError as error:
            LOG.warning("ward: film %s was read without the film before: %s", film, error)
            return done.without_film_before(f"it {error}")
        except (MeasureError, WardError) as error:
            LOG.error("%s", error)
            return done.without_film_before("it cannot be read")

    def _before(self, film: str, known: Known) -> Before | None:
        """The film before with what a reader has confirmed of it.

        Raises
        ------
        MeasureError, WardError
            Where what was kept of it cannot be read.
        """
        listed, whose = self._register.film(film), self._whose(known)
        if listed is None:
            return None
        here = replace(listed, identifiers=whose.identifiers, patient=whose.patient)
        before = self._register.before(here, confirmed=True)
        kept = None if before is None else self._shelf.get(before.id, FILM)
        if before is None or before.answer is None or kept is None:
            return None
        return Before.of(kept, Reading.from_dict(before.answer.answer))

    def _keep_answer(self, film: str, done: FilmRead) -> None:
        if done.known is not None:
            for part, content in ((CASE, done.known.packed()), (LARGE, done.large), (CROP, done.crop)):
                self._shelf.put(film, part, content)
        for pause_s in (*KEEP_TRYING_S, 0.0):
            try:
                self._write_down(film, done)
                return
            except NoRoomError:
                time.sleep(pause_s)
        LOG.error("ward: film %s: its answer could not be kept; it will be read again", film)

    def _write_down(self, film: str, done: FilmRead) -> None:
        whose = None if done.known is None else self._whose(done.known)
        if done.aside_because or whose is None:
            self._register.set_aside(film, self.holder, done.aside_because, whose)
            FILMS_READ.labels("set aside").inc()
        elif self._register.keep_proposal(film, self.holder, done.reading, whose):
            FILMS_READ.labels("proposed").inc()
        listed = self._register.film(film)
        if listed is not None:
            SECONDS_TO_ANSWER.observe((datetime.now(UTC) - listed.received).total_seconds())

    def _whose(self, known: Known) -> Whose:
        identifiers = known.film.identifiers
        patient = pseudonym(identifiers.patient_id, identifiers.issuer_of_patient_id, self._key_file)
        return Whose(identifiers, patient, known.film.fingerprint)

    def catch_up(self, queue: WorkQueue) -> None:
        """Wake readers for films that nobody reads.

        What a killed service had in hand goes before all that wait: it has waited long enough. Of films that no
        service had yet, some may be in the queue: they are woken again once it is empty.
        """
        for film in self._register.lost():
            queue.wake_reader(film, first=True)
        if not queue.pending():
            for film in self._register.waiting(STALLED):
                queue.wake_reader(film)

    def forget_expired(self) -> int:
        """Remove pixels and identifiers whose days are over; how many films that was."""
        films = list(self._register.expired(datetime.now(UTC) - self._keep))
        for film in films:
            self._register.forget(film)
            self._shelf.clear(film)
        return len(films)
