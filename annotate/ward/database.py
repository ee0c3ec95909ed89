"""The ward's database: SQLite beside the films by default, PostgreSQL by URL."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import URL, Connection, inspect, make_url, text
from sqlalchemy.exc import ArgumentError, SQLAlchemyError

from annotate.logbook.database import POSTGRESQL, postgresql_engine, sqlite_engine
from annotate.ward.errors import NoRoomError, WardError
from annotate.ward.schema import VERSION, VERSION_TABLE

MIGRATIONS = Path(__file__).with_name("migrations")

MIGRATIONS_LOCK = 0x77617264
"""PostgreSQL's advisory lock of the service that brings the tables up to date: "ward" in ASCII."""


def ward_url(data: Path, given: str | None = None) -> URL:
    """Where the tables are: `ward.sqlite` in the data folder, or the PostgreSQL database that is given.

    Raises
    ------
    WardError
        Where the URL is of neither.
    """
    if given is None:
        return URL.create("sqlite", database=str((data / "ward.sqlite").absolute()))
    try:
        url = make_url(given)
    except ArgumentError as error:
        raise WardError(
            "ward: the database's URL cannot be read; postgresql://USER@HOST/DATABASE expected."
        ) from error
    if url.get_backend_name() != "postgresql":
        raise WardError(
            f"ward: {url.get_backend_name()!r} found in the database's URL; postgresql://... expected."
        )
    return url.set(drivername=POSTGRESQL)


class WardDatabase:
    """Opened connections; several threads may use them.

    Parameters
    ----------
    url : URL
        From `ward_url`.

    Raises
    ------
    WardError
        Where it cannot be reached, or its tables are newer than this software.
    """

    def __init__(self, url: URL) -> None:
        self.url = url
        self.name = url.render_as_string(hide_password=True)
        self.embedded = url.get_backend_name() == "sqlite"
        with self._told():
            self._engine = sqlite_engine(url) if self.embedded else postgresql_engine(url)
        self._bring_up_to_date()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that reads."""
        with self._told(), self._engine.connect() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction; when it ends without an error, it is on the disk."""
        with self._told(), self._engine.connect() as connection:
            connection = connection.execution_options(lipmark_writes=True)
            with connection.begin():
                yield connection

    def close(self) -> None:
        """Let the connections go."""
        self._engine.dispose()

    @contextmanager
    def _told(self) -> Iterator[None]:
        """The database's complaints in our words: values stay out of them, they may name a patient."""
        try:
            yield
        except SQLAlchemyError as error:
            raise NoRoomError(
                f"ward: the database {self.name} does not answer as expected ({type(error).__name__}); check that "
                "it runs, your rights and the room on its disk."
            ) from error
        except ModuleNotFoundError as error:
            raise WardError(
                "ward: PostgreSQL needs psycopg, which is not installed: pip install 'lipmark[postgresql]'."
            ) from error

    def _bring_up_to_date(self) -> None:
        with self.reading() as connection:
            if _version(connection) == VERSION:
                return
        with self.writing() as connection:
            if not self.embedded:
                connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": MIGRATIONS_LOCK})
            found = _version(connection)
            if found is not None and found > VERSION:
                raise WardError(
                    f"ward {self.name}: its tables have version {found}, this software knows {VERSION}; update "
                    "lipmark. Nothing was changed."
                )
            if found != VERSION:
                _migrate(connection)


def _version(connection: Connection) -> str | None:
    if not inspect(connection).has_table(VERSION_TABLE):
        return None
    return connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar()


def _migrate(connection: Connection) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, VERSION)
