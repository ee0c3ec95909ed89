import sqlite3
import stat
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import insert, text

from annotate.logbook.database import MIGRATIONS, Database, logbook_url, migrate
from annotate.logbook.entry import BEFORE_THE_FIRST, Entry, Kind
from annotate.logbook.errors import LogbookError
from annotate.logbook.glance import VERSION, VERSION_TABLE
from annotate.logbook.schema import Base, EntryRow
from annotate.logbook.store import Logbook
from annotate.logbook.verification import row_from_entry

OLD = Path(__file__).with_name("version_0001.sql")


def test_the_default_is_a_file_of_the_users_own(own_data_folder, draft):
    with Logbook.open() as logbook:
        logbook.save(draft())
        files = sorted(own_data_folder.iterdir())
        assert [path.name for path in files] == ["logbook.sqlite", "logbook.sqlite-shm", "logbook.sqlite-wal"]
        assert {stat.S_IMODE(path.stat().st_mode) for path in files} == {0o600}
    assert stat.S_IMODE(own_data_folder.stat().st_mode) == 0o700


def test_sqlite_is_set_up_for_two_writers(tmp_path):
    with Logbook.open(str(tmp_path / "a.sqlite")) as logbook, logbook._database.reading() as connection:
        settings = {
            name: connection.execute(text(f"PRAGMA {name}")).scalar()
            for name in ("journal_mode", "foreign_keys", "synchronous", "busy_timeout")
        }
    assert settings == {"journal_mode": "wal", "foreign_keys": 1, "synchronous": 2, "busy_timeout": 30000}


def test_the_environment_names_another(tmp_path, monkeypatch, draft):
    monkeypatch.setenv("LIPMARK_LOGBOOK", f"sqlite:///{tmp_path / 'named.sqlite'}")
    with Logbook.open() as logbook:
        logbook.save(draft())
    with Logbook.open(str(tmp_path / "named.sqlite")) as logbook:
        assert logbook.count() == 1


def test_a_file_written_by_version_1_is_brought_up_and_verifies(tmp_path):
    """The file is as version 1 left it (version_0001.sql), and so are its hashes."""
    path = tmp_path / "old.sqlite"
    old = sqlite3.connect(path)
    old.executescript(OLD.read_text(encoding="utf-8"))
    old.close()
    with Logbook.open(str(path)) as logbook:
        assert logbook.verify().problems == ()
        assert [entry.number for entry in logbook.entries(verdict="near a limit")] == [3]
        assert [entry.number for entry in logbook.entries()] == [2, 3]
        assert logbook.entry(1).reader == "Ä. B."
        assert logbook.entry(1).inputs["spacing"]["row_mm"] == 0.1 + 0.2


def entry_of_version_1(number, previous_hash):
    entry = Entry(
        Kind.READING,
        f"{number:064x}",
        None,
        "AB",
        {},
        {},
        {"verdict": "too high"},
        number=number,
        time=datetime.now(UTC),
        software="0",
        weights="w",
        previous_hash=previous_hash,
        hash="",
    )
    return replace(entry, hash=entry.computed_hash())


def test_either_database_of_version_1_is_brought_up_and_verifies(url, monkeypatch):
    with monkeypatch.context() as patched:
        patched.setattr(Database, "_bring_up_to_date", lambda self, make: None)
        database = Database(logbook_url(url))
    before = BEFORE_THE_FIRST
    with database.writing() as connection:
        migrate(connection, "0001")
        for number in (1, 2, 3):
            entry = entry_of_version_1(number, before)
            connection.execute(insert(EntryRow).values(row_from_entry(entry)))
            before = entry.hash
    database.close()
    with Logbook.open(url) as logbook:
        assert logbook.verify().problems == ()
        assert len(logbook.entries(verdict="too high")) == 3
        with logbook._database.reading() as connection:
            assert connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).scalar() == VERSION


def test_a_newer_logbook_is_left_alone(url, draft):
    with Logbook.open(url) as logbook:
        logbook.save(draft())
        with logbook._database.writing() as connection:
            connection.execute(text(f"UPDATE {VERSION_TABLE} SET version_num = '0999'"))
    with pytest.raises(LogbookError, match=r"version 0999.*update lipmark"):
        Logbook.open(url)


def test_the_newest_migration_is_the_version_we_know():
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.set_main_option("path_separator", "os")
    assert ScriptDirectory.from_config(config).get_current_head() == VERSION


@pytest.mark.outside
def test_the_migrations_make_the_tables_that_sqlalchemy_expects(logbook):
    """Alembic's own comparison of a database with a model."""
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    with logbook._database.reading() as connection:
        context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
        assert compare_metadata(context, Base.metadata) == []


@pytest.mark.parametrize(
    ("where", "complaint"),
    [
        ("mysql://ward@host/db", "'mysql' found"),
        ("sqlite://", "'sqlite' found"),
        ("sqlite:///:memory:", "'sqlite' found"),
        ("sqlite:///file.sqlite?mode=memory", "options found"),
        ("no url://", "URL cannot be read"),
        ("postgresql://ward:geheim@/nowhere?host=/nonexistent", "can be read and written"),
    ],
)
def test_a_place_that_cannot_be_is_told_without_its_password(where, complaint):
    with pytest.raises(LogbookError, match=complaint) as told:
        Logbook.open(where)
    assert "geheim" not in str(told.value)


def test_a_file_that_is_no_logbook_is_told_and_left_alone(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("This is no database at all. " * 10, encoding="utf-8")
    with pytest.raises(LogbookError, match="not a database"):
        Logbook.open(str(path))
    assert path.read_text(encoding="utf-8").startswith("This is no database")
    with pytest.raises(LogbookError, match=r"notes\.txt"):
        Logbook.open(str(path / "logbook.sqlite"))
