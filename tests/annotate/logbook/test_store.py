import hashlib
import json
import sqlite3
import threading
from datetime import UTC, datetime, timedelta

import psycopg
import pytest

from annotate.logbook.entry import BEFORE_THE_FIRST, Draft, Kind
from annotate.logbook.errors import ConflictError, LogbookError
from annotate.logbook.filter import Filter
from annotate.logbook.store import Logbook


def raw(url):
    """A connection past all of our code."""
    if url.startswith("sqlite"):
        return sqlite3.connect(url.removeprefix("sqlite:///"), isolation_level=None)
    return psycopg.connect(url, autocommit=True)


def test_what_was_saved_is_read_back_to_the_last_digit(logbook, url, draft):
    before = datetime.now(UTC)
    saved = logbook.save(draft())
    with Logbook.open(url) as again:
        found = again.entry(1)
    assert found == saved
    assert found.landmarks["tip"] == {"row": 812.1234567890123, "column": 1e-17}
    assert found.inputs["spacing"]["row_mm"] == 0.30000000000000004
    assert before <= found.time <= datetime.now(UTC)
    assert found.time.utcoffset() == timedelta(0)
    assert found.software
    assert len(found.weights) == 64


@pytest.mark.outside
def test_the_chain_is_what_anyone_can_recompute_from_the_tables(logbook, url, draft):
    """FIPS 180-4 by hashlib over JSON by json, read with the databases' own drivers: docs/logbook.md's recipe."""
    for film in range(1, 5):
        logbook.save(draft(film, reader="Ä. B.", supersedes=None))
    columns = (
        "number kind film patient reader inputs landmarks reading supersedes software weights previous_hash hash"
    )
    rows = raw(url).execute(f"SELECT {', '.join(columns.split())}, time FROM entry ORDER BY number").fetchall()
    before = BEFORE_THE_FIRST
    for row in rows:
        fields = dict(zip([*columns.split(), "time"], row, strict=True))
        for name in ("inputs", "landmarks", "reading"):
            fields[name] = json.loads(fields[name])
        time = fields["time"]
        if isinstance(time, str):
            time = datetime.fromisoformat(time).replace(tzinfo=UTC)
        fields["time"] = time.astimezone(UTC).isoformat(timespec="microseconds")
        stated = fields.pop("hash")
        text = json.dumps(fields, sort_keys=True, separators=(",", ":"))
        assert fields["previous_hash"] == before
        assert hashlib.sha256(text.encode()).hexdigest() == stated
        before = stated
    assert [row[0] for row in rows] == [1, 2, 3, 4]


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE entry SET reader = 'XY'",
        "DELETE FROM entry WHERE number = 2",
        "DELETE FROM logbook",
        "UPDATE logbook SET id = 'x'",
        "INSERT INTO entry SELECT 7, time, kind, film, patient, reader, inputs, landmarks, reading, NULL, "
        "software, weights, hash, 'x' FROM entry WHERE number = 2",
        "INSERT INTO entry SELECT 3, time, kind, film, patient, reader, inputs, landmarks, reading, NULL, "
        "software, weights, previous_hash, 'x' FROM entry WHERE number = 2",
    ],
)
def test_the_database_itself_refuses_everything_but_the_next_entry(logbook, url, draft, change):
    logbook.save(draft(1))
    logbook.save(draft(2))
    columns = (
        "(number, time, kind, film, patient, reader, inputs, landmarks, reading, supersedes, software, weights, "
        "previous_hash, hash)"
    )
    with pytest.raises((sqlite3.IntegrityError, psycopg.errors.RaiseException), match="logbook: "):
        raw(url).execute(change.replace("INTO entry", f"INTO entry {columns}"))
    assert logbook.verify().sound
    assert logbook.count() == 2


def test_postgresql_refuses_to_empty_the_table(logbook, url, draft):
    logbook.save(draft())
    if url.startswith("postgresql"):
        with pytest.raises(psycopg.errors.RaiseException, match="only added"):
            raw(url).execute("TRUNCATE entry CASCADE")
    else:
        with pytest.raises(sqlite3.IntegrityError, match="logbook: "):
            raw(url).execute(
                "REPLACE INTO entry (number, time, kind, film, reader, inputs, landmarks, reading, software, "
                "weights, previous_hash, hash) VALUES (1, 't', 'reading', 'f', 'r', '{}', '{}', '{}', 's', 'w', "
                f"'{BEFORE_THE_FIRST}', 'h')"
            )
    assert logbook.verify().sound


def test_a_correction_supersedes_and_overwrites_nothing(logbook, draft):
    first = logbook.save(draft())
    second = logbook.save(draft(reader="CD", supersedes=first.number))
    assert logbook.entries() == [second]
    assert logbook.entries(current_only=False) == [first, second]
    assert logbook.corrected_by(first.number) == second.number
    assert logbook.corrected_by(second.number) is None


def test_an_entry_is_corrected_once(logbook, draft):
    logbook.save(draft())
    logbook.save(draft(supersedes=1))
    with pytest.raises(ConflictError, match="corrected by entry 2"):
        logbook.save(draft(supersedes=1))
    assert logbook.count() == 2


@pytest.mark.parametrize(
    ("fields", "complaint"),
    [({"supersedes": 9}, "no entry 9"), ({"supersedes": 1, "film": 2}, "another film"),
     ({"supersedes": 1, "kind": Kind.PRACTICE}, "another film or kind")],
)  # fmt: skip
def test_a_correction_is_of_the_same_film(logbook, draft, fields, complaint):
    logbook.save(draft())
    with pytest.raises(LogbookError, match=complaint):
        logbook.save(draft(**fields))
    assert logbook.count() == 1


def test_of_two_who_correct_together_one_is_told(logbook, draft):
    logbook.save(draft())
    told, gate = [], threading.Barrier(2)

    def correct():
        gate.wait()
        try:
            logbook.save(draft(supersedes=1))
        except ConflictError as error:
            told.append(error)

    both = [threading.Thread(target=correct) for _ in range(2)]
    for thread in both:
        thread.start()
    for thread in both:
        thread.join()
    assert len(told) == 1
    assert logbook.count() == 2


def test_filters(logbook, draft):
    logbook.save(draft(1, patient=1))
    logbook.save(draft(2, patient=2, reader="CD", reading={"verdict": "too high"}))
    logbook.save(draft(3, patient=None, kind=Kind.PRACTICE, reading={}))
    third = logbook.entry(3)

    def numbers(**wanted):
        return [entry.number for entry in logbook.entries(**wanted)]

    assert numbers() == [1, 2, 3]
    assert numbers(kind=Kind.PRACTICE) == [3]
    assert numbers(patient=f"{2:064x}") == [2]
    assert numbers(reader="AB") == [1, 3]
    assert numbers(film=f"{2:064x}") == [2]
    assert numbers(verdict="too high") == [2]
    assert numbers(since=third.time) == [3]
    assert numbers(reader="AB", kind=Kind.READING) == [1]
    assert numbers(reader="nobody") == []
    assert logbook.patients() == [f"{1:064x}", f"{2:064x}"]
    assert logbook.patients("0" * 63 + "2") == [f"{2:064x}"]
    assert logbook.patients("%") == []


def test_batches_give_the_same_as_all_at_once(logbook, draft):
    for film in range(1, 24):
        logbook.save(draft(film))
    for batch in (1, 7, 23, 100):
        assert list(logbook.iterate(Filter(), batch)) == logbook.entries()


def test_names_of_files_are_not_kept(logbook, draft):
    reading = {
        "film": "/ward/Secret^Bed.dcm",
        "verdict": "too low",
        "identifiers": {"patient_name": "Secret^Bed"},
        "change": {"film": "Secret^Bed-1.dcm", "flagged": True},
        "cautions": ["Since Secret^Bed-1.dcm the tip has moved.", "Mind."],
    }
    inputs = {"film": "Secret^Bed.dcm", "previous": {"film": "Secret^Bed-1.dcm", "lip_mark_cm": 23.0}}
    entry = logbook.save(draft(reading=reading, inputs=inputs))
    assert "Secret" not in repr(entry)
    assert entry.reading["film"] == entry.film[:12]
    assert entry.reading["cautions"] == ["Since the previous film the tip has moved.", "Mind."]
    assert entry.inputs == {"previous": {"lip_mark_cm": 23.0}}


@pytest.mark.parametrize(
    "fields",
    [{"film": "film.dcm"}, {"patient": "ID-4711"}, {"reader": " "}, {"reader": "A\nB"}, {"reader": "x" * 101}],
)
def test_a_draft_that_cannot_be_is_refused(draft, fields):
    known = draft()
    values = {name: getattr(known, name) for name in Draft.__dataclass_fields__} | fields
    with pytest.raises(LogbookError) as told:
        Draft(**values)
    assert "4711" not in str(told.value)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), {1, 2}])
def test_what_json_cannot_say_is_refused(logbook, draft, value):
    with pytest.raises(LogbookError, match="logbook"):
        logbook.save(draft(inputs={"x": value}))
    assert logbook.count() == 0


def test_an_entry_that_is_not_there(logbook):
    with pytest.raises(LogbookError, match="no entry 5"):
        logbook.entry(5)
