import json
import sqlite3
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
    """Somebody with the right to change the tables, who takes the triggers away first."""

    def __init__(self, url):
        if url.startswith("sqlite"):
            self.database = sqlite3.connect(url.removeprefix("sqlite:///"), isolation_level=None)
            for (name,) in self.database.execute("SELECT name FROM sqlite_master WHERE type='trigger'").fetchall():
                self.database.execute(f"DROP TRIGGER {name}")
            self.mark = "?"
        else:
            self.database = psycopg.connect(url, autocommit=True)
            self.database.execute("ALTER TABLE entry DISABLE TRIGGER USER")
            self.mark = "%s"

    def __call__(self, change, values=()):
        self.database.execute(change, values)

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
    next((own_data_folder / "anchors").iterdir()).unlink()
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
    next((own_data_folder / "anchors").iterdir()).write_text("{", encoding="utf-8")
    assert problems() == ()


def test_a_changed_entry_that_is_no_json_is_told_by_number(intruder, problems, url):
    intruder("UPDATE entry SET inputs = '{' WHERE number = 2")
    assert any("Entry 2 is not what was written" in problem for problem in problems())
    with Logbook.open(url) as logbook, pytest.raises(LogbookError, match="entry 2 was changed"):
        logbook.entry(2)


def test_the_memory_follows_what_was_saved(intruder, url, own_data_folder, draft):
    with Logbook.open(url) as logbook:
        logbook.save(draft(6))
    remembered = json.loads(next((own_data_folder / "anchors").iterdir()).read_bytes())
    assert remembered["number"] == 6
