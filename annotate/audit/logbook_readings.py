"""The logbook as an audit's source."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import takewhile
from pathlib import Path

from annotate.audit.entry import Circumstances, Entry, SourceDigest
from annotate.audit.errors import AuditError
from annotate.logbook.entry import Entry as LogbookEntry
from annotate.logbook.entry import Kind
from annotate.logbook.errors import LogbookError
from annotate.logbook.filter import Filter
from annotate.logbook.rebuild import case_of_entry
from annotate.logbook.store import Logbook
from measure.case import Bedside, Case
from measure.posture import NeckPosture


class LogbookReadings:
    """Every current reading of a logbook, measured again from its points by the one range of this run.

    Parameters
    ----------
    url : str or None
        As `Logbook.open` takes it.
    known : Bedside
        Its accepted range holds for every entry, its posture where an entry knows none.

    Raises
    ------
    AuditError
        Where the logbook cannot be opened, or has no reading.
    """

    kind = "logbook"
    left_out: Sequence[Path] = ()

    def __init__(self, url: str | None, known: Bedside):
        self._url, self._known = url, known
        self._readers: dict[str, str] = {}
        self._digest = SourceDigest()
        self._last = self.count = 0
        for entry in self._written():
            self._digest.update(f"{entry.hash}\n".encode())
            self._readers.setdefault(entry.reader, f"reader {len(self._readers) + 1}")
            self._last, self.count = entry.number, self.count + 1
        if not self.count:
            raise AuditError("the logbook has no reading yet; write some with `lipmark read --log`.")
        self.digest = self._digest.told

    def entries(self) -> Iterator[Entry]:
        """One entry of the logbook after the other; what is written meanwhile is left out."""
        for entry in takewhile(lambda entry: entry.number <= self._last, self._written()):
            yield self._entry(entry)

    def _written(self) -> Iterator[LogbookEntry]:
        try:
            with Logbook.open(self._url, make=False) as logbook:
                yield from logbook.iterate(Filter(kind=Kind.READING))
        except LogbookError as error:
            raise AuditError(str(error)) from error

    def _entry(self, entry: LogbookEntry) -> Entry:
        bare = Entry(
            f"logbook entry {entry.number}",
            self._digest.key_of(entry.film),
            circumstances=Circumstances(
                time=entry.time.replace(tzinfo=None),
                patient=None if entry.patient is None else self._digest.key_of(f"patient {entry.patient}"),
                reader=self._readers[entry.reader],
            ),
        )
        try:
            case = case_of_entry(entry)
        except LogbookError as error:
            return replace(bare, problem=str(error))
        posture = self._known.posture if _unknown_posture(case) else case.posture
        return replace(bare, case=replace(case, accepted_range=self._known.accepted_range, posture=posture))


def _unknown_posture(case: Case) -> bool:
    """Neither given nor to be read from the mandible."""
    return case.posture is NeckPosture.UNKNOWN and case.landmarks.mandible is None and not case.mandible
