"""The logbook: save, look up, verify."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from importlib.metadata import version
from types import TracebackType
from typing import Self

from sqlalchemy import Connection, Select, TextClause, bindparam, func, insert, select, text

from annotate.logbook.anchor import Anchor, Seen
from annotate.logbook.database import Database, logbook_url
from annotate.logbook.entry import BEFORE_THE_FIRST, Draft, Entry, Kind
from annotate.logbook.errors import ConflictError, LogbookError
from annotate.logbook.filter import EVERYTHING, Filter
from annotate.logbook.guards import problems_of
from annotate.logbook.privacy import inputs_without_names, without_names
from annotate.logbook.schema import EntryRow, LogbookRow, UtcTime
from annotate.logbook.verification import Row, Verification, entry_from_row, row_from_entry, verify
from annotate.messages import LOG

BATCH = 500
"""Entries fetched at a time: some megabytes (ours)."""

Progress = Callable[[Iterable[Row], int], Iterable[Row]]
"""Wraps the entries, of which there are so many, to show how far the walk is."""


class Logbook:
    """An open logbook; close it, or use it in a `with` statement.

    Several processes and threads may have the same logbook open and save to it.
    """

    def __init__(self, database: Database) -> None:
        self._database = database
        with database.reading() as connection:
            self.id: str = str(connection.execute(select(LogbookRow.id)).scalar_one())
        with database.told():
            self._anchor = Anchor(self.id, database.name)
        self._saved = False

    @classmethod
    def open(cls, url: str | None = None, *, make: bool = True) -> Self:
        """Open a logbook, made or brought to today's tables where need be.

        Parameters
        ----------
        url : str, optional
            A path, sqlite:///FILE or postgresql://USER@HOST/DATABASE; by default what LIPMARK_LOGBOOK says,
            else logbook.sqlite in the user's data folder.
        make : bool
            Make it where there is none; else that is an error, and nothing is made.

        Raises
        ------
        LogbookError
            Where it cannot be reached, or is of a newer version.
        """
        return cls(Database(logbook_url(url), make=make))

    @property
    def name(self) -> str:
        """Its URL, without a password."""
        return self._database.name

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Remember the last entry, and let the connections go."""
        try:
            if self._saved:
                with self._database.writing() as connection:
                    self._remember(connection, _head(connection))
                self._saved = False
        finally:
            self._database.close()

    def save(self, draft: Draft) -> Entry:
        """Write an entry; when this returns, it is on the disk.

        Names of files are left out of its inputs and its Reading (`annotate.logbook.privacy`).

        Raises
        ------
        ConflictError
            Where it corrects an entry that has been corrected already.
        LogbookError
            Where it corrects an entry that is not there or of another film, or the database refuses.
        """
        draft = replace(
            draft,
            inputs=inputs_without_names(draft.inputs),
            reading=without_names(draft.reading, draft.film),
        )
        weights = _weights()
        with self._database.writing() as connection:
            if draft.supersedes is not None:
                _refuse_unless_current(connection, draft, draft.supersedes)
            head = _head(connection)
            entry = _chained(draft, head, weights)
            connection.execute(insert(EntryRow).values(row_from_entry(entry)))
            # The entry before is certain; this one is not until the transaction ends.
            self._remember(connection, head)
        self._saved = True
        return entry

    def entries(
        self,
        *,
        kind: Kind | None = None,
        patient: str | None = None,
        reader: str | None = None,
        film: str | None = None,
        verdict: str | None = None,
        since: datetime | None = None,
        current_only: bool = True,
    ) -> list[Entry]:
        """Entries in the order in which they were written; see `Filter` for what the arguments mean."""
        return list(self.iterate(Filter(kind, patient, reader, film, verdict, since, current_only)))

    def iterate(self, wanted: Filter = EVERYTHING, batch: int = BATCH) -> Iterator[Entry]:
        """The same one by one, fetched in batches: a logbook of any size needs little memory.

        Parameters
        ----------
        wanted : Filter
            By default every entry, corrected ones too.
        batch : int
            How many are fetched at a time.
        """
        return map(entry_from_row, self._rows(wanted, batch))

    def newest(self, count: int, wanted: Filter = EVERYTHING) -> list[Entry]:
        """The last entries that were written, so many at most, in the order in which they were written."""
        query = _ROWS.where(_condition(wanted)).order_by(None).order_by(EntryRow.number.desc()).limit(count)
        with self._database.reading() as connection:
            rows = [dict(row) for row in connection.execute(query).mappings()]
        return [entry_from_row(row) for row in reversed(rows)]

    def count(self, wanted: Filter = EVERYTHING) -> int:
        """How many entries there are."""
        with self._database.reading() as connection:
            query = select(func.count()).select_from(EntryRow).where(_condition(wanted))
            return connection.execute(query).scalar_one()

    def entry(self, number: int) -> Entry:
        """The entry of that number, corrected or not.

        Raises
        ------
        LogbookError
            Where there is none.
        """
        with self._database.reading() as connection:
            found = connection.execute(_ROWS.where(EntryRow.number == number)).mappings().first()
        if found is None:
            raise LogbookError(f"logbook: no entry {number} found; lipmark log list shows which there are.")
        return entry_from_row(dict(found))

    def corrected_by(self, number: int) -> int | None:
        """Number of the entry that corrects this one."""
        with self._database.reading() as connection:
            return connection.execute(_CORRECTS.where(EntryRow.supersedes == number)).scalar()

    def patients(self, beginning: str = "") -> list[str]:
        """Pseudonyms that begin so, sorted."""
        query = select(EntryRow.patient).distinct().order_by(EntryRow.patient)
        # A range instead of LIKE, which could use no index; "g" comes after all hexadecimal digits.
        query = query.where(EntryRow.patient >= beginning, EntryRow.patient < f"{beginning}g")
        with self._database.reading() as connection:
            rows = connection.execute(query)
            return [patient for patient in rows.scalars() if patient is not None]

    def verify(self, noted: Iterable[Seen] = (), progress: Progress | None = None) -> Verification:
        """Ask the database whether it is whole, and follow the chain of hashes from the first entry to the last.

        A sound end is remembered.

        Parameters
        ----------
        noted : iterable of Seen
            Entries that must be there, beside those that this user's files remember.
        progress : callable, optional
            Shows how far it is.
        """
        with self._database.told():
            remembered = (self._anchor.read(), self._anchor.read_place())
            another = self._anchor.other_logbook()
        seen = dict.fromkeys((*noted, *(item for item in remembered if item is not None)))
        found = self._walked(tuple(seen), progress)
        problems = (*([] if another is None else [another]), *self._guards(), *found.problems)
        found = replace(found, problems=problems)
        if found.sound and found.head is not None:
            with self._database.writing() as connection:
                self._remember(connection, found.head)
        return found

    def _walked(self, seen: tuple[Seen, ...], progress: Progress | None) -> Verification:
        """Follow the chain; where the database cannot give the entries, that is what was found."""
        try:
            rows = self._rows(EVERYTHING, BATCH)
            return verify(rows if progress is None else progress(rows, self.count()), seen)
        except LogbookError as error:
            return Verification(0, None, seen, (str(error),))

    def _guards(self) -> tuple[str, ...]:
        try:
            with self._database.reading() as connection:
                return tuple(problems_of(connection))
        except LogbookError as error:
            return (str(error),)

    def _rows(self, wanted: Filter, batch: int) -> Iterator[Row]:
        last = None
        while True:
            query = _ROWS.where(_condition(wanted))
            if last is not None:
                query = query.where(EntryRow.number > last)
            with self._database.reading() as connection:
                rows: list[Mapping[str, object]] = [
                    dict(row) for row in connection.execute(query.limit(batch)).mappings()
                ]
            yield from rows
            if len(rows) < batch:
                return
            last = rows[-1]["number"]

    def _remember(self, connection: Connection, head: Seen) -> None:
        """Keep the end of the chain; an end that contradicts what was seen before is told, and not kept."""
        try:
            before = self._anchor.read()
            if before is not None and not _holds(connection, before):
                LOG.warning("the logbook has lost or changed entry %d; run lipmark log verify", before.number)
            elif head.number > (0 if before is None else before.number):
                self._anchor.write(head)
        except OSError as error:
            LOG.warning("the logbook's last entry could not be remembered: %s", error.strerror)


_ROWS: Select[tuple[object, ...]] = select(*EntryRow.__table__.columns).order_by(EntryRow.number)
_CORRECTS = select(EntryRow.number)


def _condition(wanted: Filter) -> TextClause:
    condition, values = wanted.condition()
    kinds = {name: UtcTime() if isinstance(value, datetime) else None for name, value in values.items()}
    return text(condition).bindparams(*(bindparam(name, values[name], kind) for name, kind in kinds.items()))


def _head(connection: Connection) -> Seen:
    query = select(EntryRow.number, EntryRow.hash).order_by(EntryRow.number.desc()).limit(1)
    last = connection.execute(query).first()
    return Seen(0, BEFORE_THE_FIRST) if last is None else Seen(last.number, last.hash)


def _holds(connection: Connection, seen: Seen) -> bool:
    query = select(EntryRow.hash).where(EntryRow.number == seen.number)
    return connection.execute(query).scalar() == seen.hash


def _refuse_unless_current(connection: Connection, draft: Draft, number: int) -> None:
    """A correction is of the newest entry, of the same film and kind."""
    query = select(EntryRow.film, EntryRow.kind).where(EntryRow.number == number)
    corrected = connection.execute(query).first()
    if corrected is None:
        raise LogbookError(f"logbook: no entry {number} found to correct; lipmark log list shows which there are.")
    if (corrected.film, corrected.kind) != (draft.film, draft.kind):
        raise LogbookError(
            f"logbook: entry {number} is of another film or kind; correct its own. Save a new entry."
        )
    later = connection.execute(_CORRECTS.where(EntryRow.supersedes == number)).scalar()
    if later is not None:
        raise ConflictError(
            f"logbook: entry {number} has already been corrected by entry {later}; correct that one."
        )


def _chained(draft: Draft, head: Seen, weights: str) -> Entry:
    fields = {name: getattr(draft, name) for name in Draft.__dataclass_fields__}
    entry = Entry(
        **fields,
        number=head.number + 1,
        time=datetime.now(UTC),
        software=version("lipmark"),
        weights=weights,
        previous_hash=head.hash,
        hash="",
    )
    return replace(entry, hash=entry.computed_hash())


@cache
def _weights() -> str:
    # Imported here: who only looks things up needs no network.
    from imaging.network import weights_sha256

    return weights_sha256()
