"""Who may see and do what: accounts, sessions, and the log of who saw whose film."""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum

from sqlalchemy import delete, func, insert, select, update

from annotate.logbook.entry import checked_reader
from annotate.logbook.errors import LogbookError
from annotate.ward.database import WardDatabase
from annotate.ward.errors import WardError
from annotate.ward.schema import AccessRow, AccountRow, SessionRow

SESSION = timedelta(hours=12)
"""A shift; then one signs in again (ours)."""

SHORTEST_PASSWORD = 12
"""Characters (ours); NIST SP 800-63B asks for at least 8 (from memory)."""

LOG_LINES = 500


class Role(StrEnum):
    """What somebody does here."""

    READER = "reader"
    AUDITOR = "auditor"
    ENGINEER = "engineer"


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody signed in.

    Parameters
    ----------
    name : str
        As readings and the access log name them.
    roles : frozenset of Role
        A reader sees and answers films, an auditor sees the log of accesses, an engineer how the service does.
    form_token : str
        What this person's forms must carry.
    """

    name: str
    roles: frozenset[Role]
    form_token: str


@dataclass(frozen=True, slots=True)
class Access:
    """A line of the access log."""

    time: datetime
    name: str
    what: str
    film: str | None


class People:
    """Accounts, sessions and the access log.

    Parameters
    ----------
    database : WardDatabase
        Where they are.
    """

    def __init__(self, database: WardDatabase) -> None:
        from argon2 import PasswordHasher

        self._database, self._hasher = database, PasswordHasher()
        self._nobody = self._hasher.hash(secrets.token_urlsafe(16))

    def add_account(self, name: str, role: Role, password: str) -> None:
        """Make an account, or give an existing one another role and password.

        Raises
        ------
        WardError
            Where the name is none or the password too short.
        """
        try:
            checked_reader(name)
        except LogbookError as error:
            raise WardError(f"ward: {name!r} found; a name of 1 to 100 printable characters expected.") from error
        if len(password) < SHORTEST_PASSWORD:
            raise WardError(
                f"ward: a password of {len(password)} characters found; {SHORTEST_PASSWORD} or more expected, for "
                "instance four words."
            )
        hashed = self._hasher.hash(password)
        with self._database.writing() as connection:
            connection.execute(delete(AccountRow).where(AccountRow.name == name))
            connection.execute(delete(SessionRow).where(SessionRow.name == name))
            connection.execute(insert(AccountRow).values(name=name, role=role, password=hashed, made=_now()))

    def remove_account(self, name: str) -> bool:
        """Remove an account and end its sessions; False where there is none."""
        with self._database.writing() as connection:
            connection.execute(delete(SessionRow).where(SessionRow.name == name))
            return connection.execute(delete(AccountRow).where(AccountRow.name == name)).rowcount == 1

    def accounts(self) -> dict[str, Role]:
        """Who has one, and what they are."""
        with self._database.reading() as connection:
            rows = connection.execute(select(AccountRow.name, AccountRow.role).order_by(AccountRow.name))
            return {row.name: Role(row.role) for row in rows}

    def count(self) -> int:
        """How many accounts there are."""
        with self._database.reading() as connection:
            return connection.execute(select(func.count()).select_from(AccountRow)).scalar_one()

    def role_of(self, name: str, password: str) -> Role | None:
        """The role of who gives the right password; takes as long for a name that is not there."""
        from argon2.exceptions import Argon2Error

        with self._database.reading() as connection:
            query = select(AccountRow.role, AccountRow.password).where(AccountRow.name == name)
            row = connection.execute(query).first()
        try:
            self._hasher.verify(self._nobody if row is None else row.password, password)
        except Argon2Error:
            return None
        if row is None:
            return None
        if self._hasher.check_needs_rehash(row.password):
            with self._database.writing() as connection:
                hashed = self._hasher.hash(password)
                connection.execute(update(AccountRow).where(AccountRow.name == name).values(password=hashed))
        return Role(row.role)

    def sign_in(self, name: str, roles: frozenset[Role]) -> str:
        """Begin a session; its cookie."""
        cookie = secrets.token_urlsafe(32)
        row = insert(SessionRow).values(
            cookie=_hashed(cookie),
            name=name,
            roles=" ".join(sorted(roles)),
            form_token=secrets.token_urlsafe(24),
            ends=_now() + SESSION,
        )
        with self._database.writing() as connection:
            connection.execute(delete(SessionRow).where(SessionRow.ends < _now()))
            connection.execute(row)
        self.note(name, "signed in")
        return cookie

    def sign_out(self, cookie: str) -> None:
        """End a session."""
        with self._database.writing() as connection:
            connection.execute(delete(SessionRow).where(SessionRow.cookie == _hashed(cookie)))

    def signed_in(self, cookie: str) -> Person | None:
        """Whose session this is; None where it is over."""
        query = select(SessionRow).where(SessionRow.cookie == _hashed(cookie), SessionRow.ends > _now())
        with self._database.reading() as connection:
            row = connection.execute(query).first()
        if row is None:
            return None
        return Person(row.name, frozenset(Role(role) for role in row.roles.split()), row.form_token)

    def note(self, name: str, what: str, film: str | None = None) -> None:
        """Write down who saw or did what."""
        with self._database.writing() as connection:
            connection.execute(insert(AccessRow).values(time=_now(), name=name, what=what, film=film))

    def accesses(self, film: str | None = None, most: int = LOG_LINES) -> list[Access]:
        """Newest first."""
        query = select(AccessRow).order_by(AccessRow.number.desc()).limit(most)
        if film is not None:
            query = query.where(AccessRow.film == film)
        with self._database.reading() as connection:
            return [Access(row.time, row.name, row.what, row.film) for row in connection.execute(query)]


def _hashed(cookie: str) -> str:
    return hashlib.sha256(cookie.encode()).hexdigest()


def _now() -> datetime:
    return datetime.now(UTC)
