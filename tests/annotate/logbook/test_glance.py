"""A glance at the file finds what the whole logbook would; whatever else it meets, it leaves to that."""

import sqlite3
from dataclasses import replace
from datetime import timedelta

import pytest

from annotate.logbook.entry import Kind
from annotate.logbook.filter import EVERYTHING, Filter
from annotate.logbook.glance import newest_in_file
from annotate.logbook.store import Logbook


@pytest.fixture
def path(tmp_path):
    return tmp_path / "logbook.sqlite"


@pytest.fixture
def entries(path, draft):
    """Readings and practice by two readers, one of them corrected."""
    with Logbook.open(str(path)) as logbook:
        for film in range(1, 8):
            kind = Kind.PRACTICE if film % 3 == 0 else Kind.READING
            logbook.save(draft(film=film, kind=kind, reader="AB" if film % 2 else "CD"))
        logbook.save(draft(film=2, reader="CD", supersedes=2))
        return logbook.entries(current_only=False)


def test_it_is_what_the_logbook_gives(path, entries):
    middle = entries[3]
    with Logbook.open(str(path), make=False) as logbook:
        for wanted in (
            Filter(),
            EVERYTHING,
            Filter(kind=Kind.PRACTICE),
            Filter(reader="CD", film=middle.film),
            Filter(patient=middle.patient),
            Filter(verdict=middle.verdict),
            Filter(since=middle.time),
            Filter(since=middle.time + timedelta(microseconds=1)),
        ):
            for count in (1, 3, 100):
                found = newest_in_file(str(path), count, wanted)
                assert found == logbook.newest(count, wanted), wanted
        assert len(newest_in_file(str(path), 100, Filter(since=middle.time))) == 5
        assert newest_in_file(str(path), 2, EVERYTHING) == entries[-2:]


def test_a_missing_file_is_not_made(path):
    assert newest_in_file(str(path), 1, EVERYTHING) is None
    assert not path.exists()


@pytest.mark.parametrize(
    "spoil",
    [
        "UPDATE schema_version SET version_num = '0999'",
        "DROP TABLE schema_version",
        "DROP TRIGGER entry_update; UPDATE entry SET inputs = '{' WHERE number = 7",
        "DROP TRIGGER entry_update; UPDATE entry SET time = 'yesterday' WHERE number = 7",
    ],
)
def test_what_is_not_sound_is_left_to_the_logbook(path, entries, spoil):
    with sqlite3.connect(path) as connection:
        connection.executescript(spoil)
    assert newest_in_file(str(path), 100, EVERYTHING) is None


def test_neither_another_file_nor_a_server_is_read(path, entries):
    path.write_bytes(b"no database " * 1000)
    assert newest_in_file(str(path), 1, EVERYTHING) is None
    assert newest_in_file("postgresql://nobody@nowhere/logbook", 1, EVERYTHING) is None


def test_values_of_a_filter_are_values_and_no_part_of_the_query(path, entries):
    assert newest_in_file(str(path), 9, replace(EVERYTHING, reader="' OR 1 = 1 --")) == []
