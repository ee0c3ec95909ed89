"""The register of films: received, read, answered, set aside, forgotten."""

from __future__ import annotations

import json
import secrets
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any

from sqlalchemy import ColumnElement, Connection, func, insert, or_, select, update
from sqlalchemy.dialects import postgresql, sqlite

from annotate.ward.database import WardDatabase
from annotate.ward.errors import ChangedMeanwhileError
from annotate.ward.schema import Decision, FilmRow, ReadingRow, Status
from annotate.ward.vault import Vault
from annotate.words.answer import headline_of, place_of
from annotate.words.screen import screen
from annotate.words.table import rank
from imaging.film import Identifiers
from measure.reading import Reading

HOLD = timedelta(seconds=150)
"""A film whose reader says nothing for so long is given to another (ours): longer than a film may take to read."""

NOT_READ_RANK = 9
SUMMARY = ("verdict", "adjustment", "distance", "accepted_range")
"""Keys of a Reading that lists show: the whole of 500 takes longer to parse than a list may take."""

LISTED_AT_HAND = 1000
"""Films whose names and summaries stay in memory (ours): the list asks for the same 500 again and again."""

PROGRAM = "program"
"""Reader of what nobody has confirmed."""


@dataclass(frozen=True, slots=True)
class Answered:
    """A reading as the register keeps it; in a list its `answer` has the keys of `SUMMARY` alone."""

    number: int
    time: datetime
    reader: str
    decision: Decision
    answer: Mapping[str, Any]
    headline: str
    place: str
    screen: str


@dataclass(frozen=True, slots=True)
class Listed:
    """A film of the register, with the reading that holds.

    Parameters
    ----------
    id : str
        Its name in addresses; tells nothing of the patient.
    received, answered : datetime
        When it came, and when it was first answered.
    source : str
        How it came.
    status, reason
        Where it stands, and why it was set aside.
    identifiers : Identifiers or None
        Whose film it is; None once the pixels are gone.
    patient : str or None
        Pseudonym.
    fingerprint : str
        `Film.fingerprint`; empty where it could not be read.
    answer : Answered or None
        The reading that holds.
    """

    id: str
    received: datetime
    answered: datetime | None
    source: str
    status: Status
    reason: str
    identifiers: Identifiers | None
    patient: str | None
    fingerprint: str
    attempts: int
    answer: Answered | None


@dataclass(frozen=True, slots=True)
class Whose:
    """What is known of a film once it could be read."""

    identifiers: Identifiers
    patient: str | None
    fingerprint: str


class Register:
    """The tables of films and readings.

    Parameters
    ----------
    database : WardDatabase
        Where they are.
    vault : Vault
        Locks identifiers.
    """

    def __init__(self, database: WardDatabase, vault: Vault) -> None:
        self._database, self._vault = database, vault
        self._identifiers = lru_cache(LISTED_AT_HAND)(self._opened)

    def add(self, film: str, object_key: str, source: str) -> bool:
        """Write a film down as waiting; False where it is there already."""
        dialect = sqlite if self._database.embedded else postgresql
        row = dialect.insert(FilmRow).values(
            id=film,
            object_key=object_key,
            received=_now(),
            source=source,
            status=Status.QUEUED,
            reason="",
            attempts=0,
            fingerprint="",
            rank=NOT_READ_RANK,
            rank_within=0.0,
        )
        with self._database.writing() as connection:
            added = row.on_conflict_do_nothing(index_elements=["object_key"]).returning(FilmRow.id)
            return connection.execute(added).first() is not None

    def knows(self, object_key: str) -> bool:
        """Whether such an object has come before."""
        with self._database.reading() as connection:
            return (
                connection.execute(select(FilmRow.id).where(FilmRow.object_key == object_key)).first() is not None
            )

    def claim(self, film: str, holder: str) -> bool:
        """Take a waiting film for reading; False where another has it."""
        free = or_(
            FilmRow.status == Status.QUEUED,
            (FilmRow.status == Status.BEING_READ) & (FilmRow.held_until < _now()),
        )
        claimed = (
            update(FilmRow)
            .where(FilmRow.id == film, free)
            .values(
                status=Status.BEING_READ,
                holder=holder,
                held_until=_now() + HOLD,
                attempts=FilmRow.attempts + 1,
            )
        )
        with self._database.writing() as connection:
            return connection.execute(claimed).rowcount == 1

    def give_back_all(self) -> int:
        """Let every claimed film wait again: for a database that one service has to itself, when it starts."""
        back = update(FilmRow).where(FilmRow.status == Status.BEING_READ)
        with self._database.writing() as connection:
            return connection.execute(back.values(status=Status.QUEUED, holder=None, held_until=None)).rowcount

    def set_aside(self, film: str, holder: str, reason: str, whose: Whose | None = None) -> None:
        """Keep why a film is not read."""
        aside = _claimed(film, holder).values(
            status=Status.SET_ASIDE, reason=reason, holder=None, answered=_now(), **self._locked(whose)
        )
        with self._database.writing() as connection:
            connection.execute(aside)

    def keep_proposal(self, film: str, holder: str, reading: Reading, whose: Whose) -> bool:
        """Keep what the program proposes; False where the film is no longer held."""
        with self._database.writing() as connection:
            held = connection.execute(
                select(FilmRow.id).where(FilmRow.id == film, FilmRow.holder == holder)
            ).first()
            if held is None:
                return False
            number = _add_reading(connection, film, reading, PROGRAM, Decision.PROPOSED)
            first, within = rank(reading)
            connection.execute(
                _claimed(film, holder).values(
                    status=Status.PROPOSED,
                    holder=None,
                    answered=_now(),
                    reading=number,
                    rank=first,
                    rank_within=within,
                    **self._locked(whose),
                )
            )
            return True

    def keep_decision(self, film: str, seen: int, reading: Reading, reader: str, decision: Decision) -> int:
        """Keep what a reader says; the number of the reading.

        Raises
        ------
        ChangedMeanwhileError
            Where another reading holds than the one that the reader saw.
        """
        first, within = rank(reading)
        with self._database.writing() as connection:
            number = _add_reading(connection, film, reading, reader, decision)
            changed = connection.execute(
                update(FilmRow)
                .where(FilmRow.id == film, FilmRow.reading == seen)
                .values(status=Status.CONFIRMED, reading=number, rank=first, rank_within=within)
            )
            if changed.rowcount != 1:
                raise ChangedMeanwhileError(
                    "ward: this film has been answered by someone else since you opened it; open it again and "
                    "look at that answer first."
                )
            return number

    def film(self, film: str) -> Listed | None:
        """One film; None where there is none of that name."""
        with self._database.reading() as connection:
            row = connection.execute(_LISTED.where(FilmRow.id == film)).first()
        return None if row is None else self._listed(row)

    def since(self, time: datetime, most: int) -> list[Listed]:
        """Films received since a time, most urgent first, at most so many."""
        order = (FilmRow.rank, FilmRow.rank_within, FilmRow.received.desc())
        query = _BRIEFLY.where(FilmRow.received >= time).order_by(*order).limit(most)
        with self._database.reading() as connection:
            rows = connection.execute(query).all()
        return [self._listed(row, _summary) for row in rows]

    def before(self, film: Listed, *, confirmed: bool = False) -> Listed | None:
        """The same patient's film before this one, its pixels still there.

        Two films stand in the order in which they were taken, where both tell it, else in that of their receipt:
        films may come late.

        Parameters
        ----------
        film : Listed
            This one.
        confirmed : bool
            Pass over films whose marks no reader has confirmed or corrected.
        """
        if film.patient is None:
            return None
        query = select(FilmRow.id, FilmRow.received, FilmRow.identifiers).where(
            FilmRow.patient == film.patient,
            FilmRow.id != film.id,
            FilmRow.pixels_gone.is_(None),
            FilmRow.reading.is_not(None),
        )
        if confirmed:
            marked = ReadingRow.decision.in_((Decision.CONFIRMED, Decision.CORRECTED))
            query = query.join(ReadingRow, ReadingRow.number == FilmRow.reading).where(marked)
        here = "" if film.identifiers is None else film.identifiers.taken
        older = []
        with self._database.reading() as connection:
            for row in connection.execute(query):
                there = None if row.identifiers is None else self._identifiers(row.identifiers)
                taken = "" if there is None or not here else there.taken
                if taken < here if taken not in ("", here) else row.received < film.received:
                    older.append((taken, row.received, row.id))
        return self.film(max(older)[2]) if older else None

    def readings(self, film: str) -> list[Answered]:
        """All answers to a film, oldest first."""
        query = select(*ReadingRow.__table__.columns).where(ReadingRow.film == film).order_by(ReadingRow.number)
        with self._database.reading() as connection:
            return [_answered(row) for row in connection.execute(query)]

    def counts(self) -> dict[Status, int]:
        """How many films stand where."""
        query = select(FilmRow.status, func.count()).group_by(FilmRow.status)
        with self._database.reading() as connection:
            found = {Status(status): count for status, count in connection.execute(query)}
        return {status: found.get(status, 0) for status in Status}

    def counts_waiting(self) -> int:
        """How many films have no answer yet."""
        waits = FilmRow.status.in_((Status.QUEUED, Status.BEING_READ))
        with self._database.reading() as connection:
            return connection.execute(select(func.count()).select_from(FilmRow).where(waits)).scalar_one()

    def waiting(self, age: timedelta) -> list[str]:
        """Films that have waited so long, oldest first."""
        return self._ids(FilmRow.status == Status.QUEUED, FilmRow.received <= _now() - age)

    def lost(self) -> list[str]:
        """Films whose reader has said nothing for too long, oldest first."""
        return self._ids(FilmRow.status == Status.BEING_READ, FilmRow.held_until < _now())

    def _ids(self, *true: ColumnElement[bool]) -> list[str]:
        query = select(FilmRow.id).where(*true).order_by(FilmRow.received)
        with self._database.reading() as connection:
            return list(connection.execute(query).scalars())

    def expired(self, before: datetime) -> Iterator[str]:
        """Films received before a time whose pixels are still kept."""
        query = select(FilmRow.id).where(
            FilmRow.received < before, FilmRow.pixels_gone.is_(None), FilmRow.status != Status.BEING_READ
        )
        with self._database.reading() as connection:
            yield from connection.execute(query).scalars().all()

    def forget(self, film: str) -> None:
        """Keep that the pixels are gone, and no longer whose film it was; a film still waiting is set aside."""
        with self._database.writing() as connection:
            connection.execute(
                update(FilmRow)
                .where(FilmRow.id == film, FilmRow.status == Status.QUEUED)
                .values(status=Status.SET_ASIDE, reason="Its days were over before it could be read.")
            )
            connection.execute(
                update(FilmRow).where(FilmRow.id == film).values(identifiers=None, pixels_gone=_now())
            )
        self._identifiers.cache_clear()

    def _locked(self, whose: Whose | None) -> dict[str, object]:
        if whose is None:
            return {}
        plain = json.dumps(asdict(whose.identifiers)).encode()
        return {
            "identifiers": self._vault.locked(plain),
            "patient": whose.patient,
            "fingerprint": whose.fingerprint,
        }

    def _opened(self, locked: bytes) -> Identifiers:
        return Identifiers(**json.loads(self._vault.opened(locked)))

    def _listed(self, row: Any, parsed: Callable[[str], Any] = json.loads) -> Listed:
        return Listed(
            id=row.id,
            received=row.received,
            answered=row.answered,
            source=row.source,
            status=Status(row.status),
            reason=row.reason,
            identifiers=None if row.identifiers is None else self._identifiers(row.identifiers),
            patient=row.patient,
            fingerprint=row.fingerprint,
            attempts=row.attempts,
            answer=None if row.number is None else _answered(row, parsed),
        )


_FILM = (
    FilmRow.id,
    FilmRow.received,
    FilmRow.answered,
    FilmRow.source,
    FilmRow.status,
    FilmRow.reason,
    FilmRow.identifiers,
    FilmRow.patient,
    FilmRow.fingerprint,
    FilmRow.attempts,
)
_READING = [getattr(ReadingRow, item.name) for item in fields(Answered) if item.name != "answer"]
_LISTED = select(*_FILM, *_READING, ReadingRow.answer).outerjoin(ReadingRow, ReadingRow.number == FilmRow.reading)
_BRIEFLY = select(*_FILM, *_READING, ReadingRow.summary.label("answer")).outerjoin(
    ReadingRow, ReadingRow.number == FilmRow.reading
)


def new_film() -> str:
    """A name for a film that tells nothing and cannot be guessed."""
    return secrets.token_hex(8)


def _now() -> datetime:
    return datetime.now(UTC)


def _claimed(film: str, holder: str) -> Any:
    return update(FilmRow).where(FilmRow.id == film, FilmRow.holder == holder)


def _add_reading(connection: Connection, film: str, reading: Reading, reader: str, decision: Decision) -> int:
    plain = reading.to_dict()
    row = insert(ReadingRow).values(
        film=film,
        time=_now(),
        reader=reader,
        decision=decision,
        answer=json.dumps(plain),
        summary=json.dumps({key: plain[key] for key in SUMMARY}),
        headline=headline_of(reading),
        place=place_of(reading) or reading.reason,
        screen=screen(reading).partition("\n")[2],
    )
    return int(connection.execute(row.returning(ReadingRow.number)).scalar_one())


@lru_cache(LISTED_AT_HAND)
def _summary(text: str) -> Any:
    return json.loads(text)


def _answered(row: Any, parsed: Callable[[str], Any] = json.loads) -> Answered:
    return Answered(
        number=row.number,
        time=row.time,
        reader=row.reader,
        decision=Decision(row.decision),
        answer=parsed(row.answer),
        headline=row.headline,
        place=row.place,
        screen=row.screen,
    )
