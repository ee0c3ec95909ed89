import json
import random
import sqlite3
from contextlib import contextmanager
from dataclasses import replace

import psycopg
import pytest

from annotate.logbook.anchor import Seen
from annotate.logbook.errors import LogbookError
from annotate.logbook.store import Logbook
from annotate.logbook.verification import row_from_entry

CHANGES = [
    ("time", "'2020-01-01 00:00:00.000001'"),
    ("kind", "'practice'"),
    ("film", f"'{9:064x}'"),
    ("patient", "NULL"),
    ("reader", "'XY'"),
    ("inputs", "'{}'"),
    ("landmarks", """'{"tip":{"column":1e-17,"row":812.1234567890124}}'"""),
    ("landmarks", """'{"tip":{"column":1e-17,"row":9},"tip":{"column":1e-17,"row":812.1234567890123}}'"""),
    ("reading", "replace(reading, '1.5', '4.5')"),
    ("supersedes", "1"),
    ("software", "'9'"),
    ("weights", f"'{9:064x}'"),
    ("hash", f"'{9:064x}'"),
    ("previous_hash", f"'{9:064x}'"),
]


class Intruder:
    """Somebody with the right to change the tables, who takes the triggers away and puts them back."""

    def __init__(self, url):
        self.sqlite = url.startswith("sqlite")
        if self.sqlite:
            self.database = sqlite3.connect(url.removeprefix("sqlite:///"), isolation_level=None)
            triggers = "SELECT name, sql FROM sqlite_master WHERE type='trigger'"
            self.triggers = self.database.execute(triggers).fetchall()
            self.mark = "?"
        else:
            self.database = psycopg.connect(url, autocommit=True)
            self.mark = "%s"

    def __call__(self, change, values=()):
        with self.unguarded():
            self.database.execute(change, values)

    @contextmanager
    def unguarded(self):
        for name, _ in self.triggers if self.sqlite else ():
            self.database.execute(f"DROP TRIGGER {name}")
        if not self.sqlite:
            self.database.execute("ALTER TABLE entry DISABLE TRIGGER USER")
        yield
        for _, sql in self.triggers if self.sqlite else ():
            self.database.execute(sql)
        if not self.sqlite:
            self.database.execute("ALTER TABLE entry ENABLE TRIGGER USER")

    def put(self, entry):
        row = row_from_entry(entry)
        row["time"] = entry.time.replace(tzinfo=None).isoformat(" ") if self.mark == "?" else entry.time
        marks = ", ".join([self.mark] * len(row))
        self(f"INSERT INTO entry ({', '.join(row)}) VALUES ({marks})", list(row.values()))


@pytest.fixture
def intruder(url, draft):
    """Comes when five entries are there."""
    with Logbook.open(url) as logbook:
        for film in range(1, 6):
            logbook.save(draft(film))
    with Logbook.open(url) as logbook:
        assert logbook.verify().sound
    return Intruder(url)


@pytest.fixture
def problems(url):
    """What is found, with and without what this user's files remember."""

    def find(own_data_folder=None):
        if own_data_folder is not None:
            for path in (own_data_folder / "anchors").iterdir():
                path.unlink()
        with Logbook.open(url) as logbook:
            found = logbook.verify()
            assert found.sound == (not found.problems)
            return found.problems

    return find


def forged(entry, **fields):
    """An entry changed by somebody who knows how the hash is made."""
    entry = replace(entry, **fields)
    return replace(entry, hash=entry.computed_hash())


def test_an_untouched_logbook_is_whole(intruder, problems, url):
    assert problems() == ()
    with Logbook.open(url) as logbook:
        found = logbook.verify()
        assert (found.count, found.head.number) == (5, 5)
        assert found.head.hash == logbook.entry(5).hash


def test_an_empty_logbook_is_whole(logbook):
    found = logbook.verify()
    assert (found.sound, found.count, found.head) == (True, 0, None)


@pytest.mark.parametrize(("column", "value"), CHANGES)
def test_a_change_of_any_value_is_found(intruder, problems, own_data_folder, column, value):
    intruder(f"UPDATE entry SET {column} = {value} WHERE number = 3")
    found = problems(own_data_folder)
    assert any("ntry 3" in problem for problem in found), found


def test_a_removed_entry_is_found(intruder, problems, own_data_folder):
    intruder("DELETE FROM entry WHERE number IN (2, 3)")
    assert problems(own_data_folder)[0].startswith("Missing: 2 to 3")


def test_a_removed_entry_is_found_where_the_rest_is_numbered_anew(intruder, problems, own_data_folder):
    intruder("DELETE FROM entry WHERE number = 3")
    for number in (4, 5):
        intruder(f"UPDATE entry SET number = {number - 1} WHERE number = {number}")
    assert any("does not follow" in problem for problem in problems(own_data_folder))


def test_a_removed_first_entry_is_found(intruder, problems, own_data_folder):
    intruder("DELETE FROM entry WHERE number = 1")
    assert problems(own_data_folder)[0].startswith("Missing: 1.")


def test_two_entries_changed_over_are_found(intruder, problems, own_data_folder):
    for old, new in ((2, 99), (3, 2), (99, 3)):
        intruder(f"UPDATE entry SET number = {new} WHERE number = {old}")
    found = problems(own_data_folder)
    assert any("Entry 2 does not follow entry 1" in problem for problem in found)


def test_an_entry_put_in_is_found(intruder, problems, url, own_data_folder):
    with Logbook.open(url) as logbook:
        third = logbook.entry(3)
    for number in (5, 4, 3):
        intruder(f"UPDATE entry SET number = {number + 1} WHERE number = {number}")
    intruder.put(forged(third, reader="XY"))
    assert any("does not follow" in problem for problem in problems(own_data_folder))


@pytest.mark.parametrize("cut", ["number = 5", "number >= 3", "number >= 1"])
def test_a_cut_off_end_is_missed_by_whoever_saw_it(intruder, problems, cut, own_data_folder):
    intruder(f"DELETE FROM entry WHERE {cut}")
    assert "cut off at the end: 5 was seen" in problems()[0]
    # docs/logbook.md says so: without what was seen, nothing shows that there was more.
    assert problems(own_data_folder) == ()


def test_a_noted_entry_takes_the_place_of_the_memory(intruder, own_data_folder, url):
    with Logbook.open(url) as logbook:
        noted = Seen.parse(str(logbook.verify().head))
    intruder("DELETE FROM entry WHERE number = 5")
    for path in (own_data_folder / "anchors").iterdir():
        path.unlink()
    with Logbook.open(url) as logbook:
        assert not logbook.verify([noted]).sound


@pytest.mark.parametrize("text", ["5", "x:ab", "5:nothex", ""])
def test_what_was_not_noted_so_is_refused(text):
    with pytest.raises(LogbookError, match="NUMBER:HASH"):
        Seen.parse(text)


def test_a_chain_written_anew_is_found_by_whoever_saw_the_old_one(intruder, problems, url):
    with Logbook.open(url) as logbook:
        old = logbook.entries()
    intruder("DELETE FROM entry WHERE number >= 3")
    before = old[1].hash
    for entry in old[2:]:
        entry = forged(entry, reader="XY", previous_hash=before)
        intruder.put(entry)
        before = entry.hash
    assert problems() == ("Entry 5 is another than the one that was seen: the logbook was written anew.",)


def test_saves_after_a_cut_do_not_make_it_forgotten(intruder, problems, url, draft, caplog):
    intruder("DELETE FROM entry WHERE number >= 4")
    with Logbook.open(url) as logbook:
        for film in range(6, 10):
            logbook.save(draft(film))
    assert "lost or changed entry 5" in caplog.text
    assert any("written anew" in problem for problem in problems())


def test_a_damaged_memory_is_no_memory(intruder, problems, own_data_folder):
    for path in (own_data_folder / "anchors").iterdir():
        path.write_text("{", encoding="utf-8")
    assert problems() == ()


def test_a_changed_entry_that_is_no_json_is_told_by_number(intruder, problems, url):
    intruder("UPDATE entry SET inputs = '{' WHERE number = 2")
    assert any("Entry 2 is not what was written" in problem for problem in problems())
    with Logbook.open(url) as logbook, pytest.raises(LogbookError, match="entry 2 was changed"):
        logbook.entry(2)


def test_the_memory_follows_what_was_saved(intruder, url, own_data_folder, draft):
    with Logbook.open(url) as logbook:
        logbook.save(draft(6))
    remembered = [json.loads(path.read_bytes())["number"] for path in (own_data_folder / "anchors").iterdir()]
    assert remembered == [6, 6]


@pytest.mark.parametrize("guard", ["entry_next", "entry_update", "logbook_delete"])
def test_a_missing_or_changed_trigger_is_told(intruder, problems, guard):
    if intruder.sqlite:
        intruder.database.execute(f"DROP TRIGGER {guard}")
        assert problems() == (f"The database's trigger {guard} is missing: it was removed after it was made.",)
        intruder.database.execute(f"CREATE TRIGGER {guard} AFTER INSERT ON entry BEGIN SELECT 1; END")
        assert problems() == (f"The database's trigger {guard} is not as it was made: it was changed.",)
    else:
        intruder.database.execute("ALTER TABLE logbook DISABLE TRIGGER USER")
        assert problems() == (
            "The database's trigger logbook_only_added is missing: it was removed after it was made.",
        )
        intruder.database.execute("ALTER TABLE logbook ENABLE TRIGGER USER")
        name = {"entry_next": "entry_next"}.get(guard, "only_added")
        intruder.database.execute(
            f"CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RETURN NEW; END $$"
        )
        assert all("is not as it was made" in problem for problem in problems())
        assert problems()


def test_a_trigger_more_is_told(intruder, problems):
    if intruder.sqlite:
        intruder.database.execute("CREATE TRIGGER sly AFTER INSERT ON entry BEGIN SELECT 1; END")
    else:
        intruder.database.execute("CREATE TRIGGER sly AFTER INSERT ON entry EXECUTE FUNCTION only_added()")
    assert problems() == ("The database has a trigger sly that this software did not make.",)


def test_a_changed_id_does_not_hide_a_cut_off_end(intruder, problems):
    with intruder.unguarded():
        intruder.database.execute("DELETE FROM entry WHERE number > 3")
    if intruder.sqlite:
        found = intruder.triggers
        for name, _ in found:
            intruder.database.execute(f"DROP TRIGGER {name}")
        intruder.database.execute("UPDATE logbook SET id = '../../../etc/passwd'")
        for _, sql in found:
            intruder.database.execute(sql)
    else:
        intruder.database.execute("ALTER TABLE logbook DISABLE TRIGGER USER")
        intruder.database.execute("UPDATE logbook SET id = 'another'")
        intruder.database.execute("ALTER TABLE logbook ENABLE TRIGGER USER")
    another, cut = problems()
    assert "Another logbook is here than the one that was seen at this place, which had 5 entries" in another
    assert "cut off at the end: 5 was seen" in cut


def test_a_copy_elsewhere_is_no_other_logbook(intruder, tmp_path):
    if not intruder.sqlite:
        return
    copy = tmp_path / "copy.sqlite"
    with sqlite3.connect(copy) as target:
        intruder.database.backup(target)
    with Logbook.open(str(copy)) as logbook:
        assert logbook.verify().problems == ()


@pytest.fixture
def sqlite_file(tmp_path, draft):
    path = tmp_path / "logbook.sqlite"
    with Logbook.open(str(path)) as logbook:
        for film in range(1, 60):
            logbook.save(draft(film))
        assert logbook.verify().sound
    with sqlite3.connect(path) as database:
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        database.execute("PRAGMA journal_mode = DELETE")
    return path


def told_of(path):
    """What verify says; an error in our own words is an answer too."""
    try:
        with Logbook.open(str(path), make=False) as logbook:
            return logbook.verify().problems
    except LogbookError as error:
        return (str(error),)


@pytest.mark.parametrize("done", ["gone", "a folder", "no byte", "another database"])
def test_a_logbook_that_is_not_there_is_neither_empty_nor_made(sqlite_file, done):
    sqlite_file.unlink()
    if done == "a folder":
        sqlite_file.mkdir()
    elif done == "no byte":
        sqlite_file.touch()
    elif done == "another database":
        with sqlite3.connect(sqlite_file) as database:
            database.execute("CREATE TABLE t (a)")
    before = sqlite_file.read_bytes() if sqlite_file.is_file() else None
    (told,) = told_of(sqlite_file)
    assert "no file found there" in told or "tables of a logbook are missing" in told
    assert (sqlite_file.read_bytes() if sqlite_file.is_file() else None) == before


def test_every_damaged_page_is_found_and_every_damaged_file_answered(sqlite_file):
    whole = sqlite_file.read_bytes()
    chance = random.Random(7)
    missed = []
    for number in range(150):
        data = bytearray(whole)
        start = chance.randrange(len(data)) if number % 2 else chance.randrange(2000)
        for place in range(start, min(len(data), start + chance.choice((1, 4, 64, 4096)))):
            data[place] = chance.randrange(256)
        sqlite_file.write_bytes(data)
        for left in sqlite_file.parent.glob("logbook.sqlite-*"):
            left.unlink()
        if not told_of(sqlite_file) and _content(sqlite_file) != _content_of(whole, sqlite_file):
            missed.append(number)
    assert missed == []


def _content(path):
    with sqlite3.connect(path) as database:
        tables = ("entry", "logbook", "schema_version", "sqlite_master")
        return [database.execute(f"SELECT * FROM {table}").fetchall() for table in tables]


def _content_of(data, path):
    other = path.with_name("whole.sqlite")
    other.write_bytes(data)
    return _content(other)
