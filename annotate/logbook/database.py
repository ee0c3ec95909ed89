"""The logbook's database: where it is, how it is opened, locked and brought to today's tables."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect, make_url, text
from sqlalchemy.exc import ArgumentError, SQLAlchemyError
from sqlalchemy.pool import ConnectionPoolEntry

from annotate.logbook.errors import LogbookError
from annotate.logbook.glance import VERSION, VERSION_TABLE, WAIT_S, logbook_place

MIGRATIONS = Path(__file__).with_name("migrations")

WRITERS_LOCK = 0x6C69706D61726B
"""PostgreSQL's advisory lock of those who write: "lipmark" in ASCII."""

POSTGRESQL = "postgresql+psycopg"

DAMAGE = (sqlite3.Error, ValueError, TypeError, KeyError, AttributeError, ArithmeticError, RecursionError)
"""What drivers and SQLAlchemy raise at a damaged database beside their own errors."""


def logbook_url(given: str | None = None) -> URL:
    """Where the logbook is, by `logbook_place`.

    Parameters
    ----------
    given : str, optional
        URL of an SQLite file or a PostgreSQL database, or an SQLite file's path.

    Raises
    ------
    LogbookError
        Where it is neither.
    """
    where = logbook_place(given)
    if "://" not in where:
        return URL.create("sqlite", database=str(Path(where).absolute()))
    try:
        url = make_url(where)
    except ArgumentError as error:
        raise LogbookError("logbook: the URL cannot be read; postgresql://USER@HOST/DATABASE expected.") from error
    name = url.get_backend_name()
    if name == "postgresql":
        return url.set(drivername=POSTGRESQL)
    if name == "sqlite" and url.query:
        raise LogbookError(
            "logbook: options found behind the file in the URL; sqlite:///FILE alone is expected. A logbook in "
            "memory would keep nothing."
        )
    if name == "sqlite" and url.database and url.database != ":memory:":
        return URL.create("sqlite", database=str(Path(url.database).absolute()))
    raise LogbookError(f"logbook: {name!r} found in the URL; postgresql://..., sqlite:///FILE or a path expected.")


class Database:
    """An opened logbook's connections.

    Parameters
    ----------
    url : URL
        From `logbook_url`.
    make : bool
        Make the logbook where there is none; else that is an error.

    Raises
    ------
    LogbookError
        Where it cannot be reached, or its tables are newer than this software.
    """

    def __init__(self, url: URL, *, make: bool = True) -> None:
        self.name = url.render_as_string(hide_password=True)
        with self.told():
            if url.get_backend_name() == "sqlite":
                if not make:
                    self._refuse_missing(Path(url.database or ""))
                self._engine = sqlite_engine(url, make=make)
            else:
                self._engine = postgresql_engine(url)
            self._bring_up_to_date(make)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that reads."""
        with self.told(), self._engine.connect() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction of the one process that may write now; what it read stays true until it ends."""
        with self.told(), self._engine.connect() as connection:
            # Told to _begin of SQLite, which has no other lock.
            connection = connection.execution_options(lipmark_writes=True)
            with connection.begin():
                if connection.dialect.name == "postgresql":
                    connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": WRITERS_LOCK})
                yield connection

    def close(self) -> None:
        """Let the connections go."""
        self._engine.dispose()

    @contextmanager
    def told(self) -> Iterator[None]:
        """The database's complaints in our words; values and passwords stay out of them."""
        try:
            yield
        except ModuleNotFoundError as error:
            raise LogbookError(
                "logbook: PostgreSQL needs psycopg, which is not installed: pip install 'lipmark[postgresql]'."
            ) from error
        except SQLAlchemyError as error:
            complaint = next(iter(str(getattr(error, "orig", None) or error).splitlines()), type(error).__name__)
            raise LogbookError(
                f"logbook {self.name}: {complaint}; a database that can be read and written is "
                "expected. Check that it can be reached, your rights and the room on its disk."
            ) from error
        except OSError as error:
            raise LogbookError(
                f"logbook {self.name}: {error.strerror}; check the path, your rights and the room on the disk."
            ) from error
        except DAMAGE as error:
            raise LogbookError(
                f"logbook {self.name}: damaged ({type(error).__name__}); a whole database is expected. Keep the "
                "file as it is, and take your backup (docs/logbook.md)."
            ) from error

    def _refuse_missing(self, path: Path) -> None:
        if not path.is_file():
            raise LogbookError(
                f"logbook {self.name}: no file found there; the path of an existing logbook is expected. "
                "lipmark read --log makes one."
            )

    def _bring_up_to_date(self, make: bool) -> None:
        with self.reading() as connection:
            found = _version(connection)
        if found == VERSION:
            return
        if found is None and not make:
            raise LogbookError(
                f"logbook {self.name}: the tables of a logbook are missing; it was emptied, or is another "
                "database. Check the path, and compare it with your backup. Nothing was changed."
            )
        with self.writing() as connection:
            found = _version(connection)
            if found is not None and found > VERSION:
                raise LogbookError(
                    f"logbook {self.name}: its tables have version {found}, this software knows {VERSION} and "
                    "earlier; update lipmark. Nothing was changed."
                )
            if found != VERSION:
                migrate(connection)


def _version(connection: Connection) -> str | None:
    if not inspect(connection).has_table(VERSION_TABLE):
        return None
    return connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar()


def migrate(connection: Connection, to: str = VERSION) -> None:
    """Bring the tables to a version, within the transaction of a writing connection."""
    # Imported here: most openings find today's tables.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, to)


def _make_file(path: Path) -> None:
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    path.touch(mode=0o600)


def sqlite_engine(url: URL, *, make: bool = True) -> Engine:
    """An SQLite file, private; a save is on the disk when it returns.

    Parameters
    ----------
    url : URL
        Of the file.
    make : bool
        Make the file where it is missing, and give it a write-ahead log; else it stays as it is.
    """
    if make:
        _make_file(Path(url.database or ""))
    engine = create_engine(url, connect_args={"timeout": WAIT_S})

    @event.listens_for(engine, "connect")
    def _connected(connection: Any, _: ConnectionPoolEntry) -> None:
        # The driver must not begin transactions by itself: it would begin them without the writer's lock.
        connection.isolation_level = None
        # The file keeps this one: where nothing is made, it stays as it is.
        mode = ("journal_mode = WAL",) if make else ()
        for pragma in (*mode, "foreign_keys = ON", "synchronous = FULL", "recursive_triggers = ON"):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("lipmark_writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def postgresql_engine(url: URL) -> Engine:
    """A PostgreSQL database whose times are UTC; nobody waits for a lock without end."""
    engine = create_engine(url, connect_args={"connect_timeout": WAIT_S}, pool_pre_ping=True)

    @event.listens_for(engine, "connect")
    def _connected(connection: Any, _: ConnectionPoolEntry) -> None:
        connection.execute(f"SET lock_timeout = '{WAIT_S}s'")
        connection.execute("SET timezone = 'UTC'")
        connection.commit()

    return engine
