"""Answers on their way to the screen are written to the logbook, and compared with the film before."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from annotate.films.answers import Answer
from annotate.logbook.errors import LogbookError
from annotate.logbook.privacy import film_hours, pseudonym
from annotate.logbook.record import draft_of
from annotate.logbook.store import Logbook
from annotate.logbook.trend import film_in, previous_entry
from annotate.messages import LOG, tell_unforeseen
from imaging.film import Identifiers
from measure.assess import Case, assess
from measure.errors import MeasureError


class Recorder:
    """Writes readings; what cannot be written is told, and still answered.

    Parameters
    ----------
    url : str or None
        Where the logbook is, as `Logbook.open` takes it.
    reader : str
        Who reads.
    corrects : int or None
        The entry that is corrected.
    patient_id : str or None
        Takes the place of the header's; kept as a pseudonym alone.

    Attributes
    ----------
    written : list of int
        Numbers of the entries.
    failed : int
        Readings that are not in the logbook, films that could not be read apart.
    """

    def __init__(
        self, url: str | None, reader: str, corrects: int | None = None, patient_id: str | None = None
    ) -> None:
        self._url, self._reader, self._corrects, self._patient_id = url, reader, corrects, patient_id
        self.written: list[int] = []
        self.failed = 0

    @property
    def summary(self) -> str:
        """What became of the readings, in words."""
        done = f"logbook: {len(self.written)} of {len(self.written) + self.failed} readings written"
        if not self.written:
            return done
        first, last = self.written[0], self.written[-1]
        return f"{done}, entry {first}" if first == last else f"{done}, entries {first} to {last}"

    def record(self, answers: Iterator[Answer]) -> Iterator[Answer]:
        """The same answers, each with the change since the film before where the logbook knows it."""
        logbook = self._opened()
        try:
            for item in answers:
                yield self._recorded(logbook, item)
        finally:
            if logbook is not None:
                self._close(logbook)

    def _opened(self) -> Logbook | None:
        try:
            return Logbook.open(self._url)
        except LogbookError as error:
            LOG.error("%s", error)
            return None

    def _close(self, logbook: Logbook) -> None:
        try:
            logbook.close()
        except LogbookError as error:
            LOG.warning("%s", error)

    def _recorded(self, logbook: Logbook | None, item: Answer) -> Answer:
        if item.case is None:
            return item
        if logbook is None:
            self.failed += 1
            return item
        try:
            return self._write(logbook, item, item.case)
        except LogbookError as error:
            LOG.error("%s: not in the logbook. %s", item.reading.film, error)
        except Exception as error:  # The reading must reach the screen, whatever goes wrong with its record.
            tell_unforeseen(error)
            LOG.error("%s: not in the logbook: unforeseen %s", item.reading.film, type(error).__name__)
        self.failed += 1
        return item

    def _write(self, logbook: Logbook, item: Answer, case: Case) -> Answer:
        known = item.identifiers or Identifiers()
        whose = self._patient_id or known.patient_id
        patient = pseudonym(whose, known.issuer_of_patient_id)
        hours = film_hours(whose, known.taken, known.issuer_of_patient_id)
        if case.previous is None:
            case = _followed_up(logbook, patient, item.fingerprint, hours, case)
            item = item if case.previous is None else replace(item, case=case, reading=assess(case))
        draft = draft_of(
            item.fingerprint,
            patient,
            case,
            item.reading,
            self._reader,
            supersedes=self._corrects,
            film_hours=hours,
        )
        self.written.append(logbook.save(draft).number)
        return item


def _followed_up(logbook: Logbook, patient: str | None, film: str, hours: float | None, case: Case) -> Case:
    """The case with the patient's film before this one, where the logbook has it."""
    before = previous_entry(logbook, patient, film, hours)
    try:
        return case if before is None else replace(case, previous=film_in(before))
    except MeasureError as error:
        LOG.warning("%s", error)
        return case
