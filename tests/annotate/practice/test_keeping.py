"""Answers come back from the logbook as they were."""

from dataclasses import replace

import pytest

from annotate.logbook.entry import Kind
from annotate.logbook.store import Logbook
from annotate.practice.compare import Answer, Choice, compare
from annotate.practice.keeping import keep, kept, trainees
from annotate.practice.record import Record, record_of
from annotate.practice.rounds import start_round, unfinished
from annotate.practice.teaching import teach
from measure.patient import AgeGroup


@pytest.fixture
def logbook(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    with Logbook.open(str(tmp_path / "log.sqlite")) as book:
        yield book


def answered(practice, count=3, reader_seed=1):
    round_ = start_round((), practice.START, 5, None, AgeGroup.ADULT)
    trainee = practice.Trainee(seed=reader_seed)
    found = []
    while len(round_.done) < count:
        task = practice.pixelless(round_.next())
        comparison = compare(task, trainee.answer(task))
        record = record_of(round_.settings, len(round_.done), comparison, teach(comparison))
        round_ = round_.answered(record)
        found.append((comparison, record))
    return found


def test_what_is_kept_comes_back(practice, logbook):
    found = answered(practice)
    for comparison, record in found:
        keep(logbook, "AB", comparison, record)
    back = kept(logbook, "AB")
    assert [replace(record, time=None) for record in back] == [record for _, record in found]
    assert all(record.time is not None for record in back)
    assert unfinished(back).next() is not None
    assert kept(logbook, "CD") == ()
    assert trainees(logbook) == ["AB"]
    assert logbook.verify().sound


def test_an_entry_is_practice_with_the_reading_of_the_trainees_marks(practice, logbook):
    comparison, record = answered(practice, 1)[0]
    keep(logbook, "AB", comparison, record)
    (entry,) = logbook.entries()
    assert entry.kind is Kind.PRACTICE
    assert entry.patient is None
    assert entry.film == comparison.task.film.fingerprint
    assert entry.verdict == comparison.from_marks.verdict.value
    assert logbook.entries(kind=Kind.READING) == []


def test_answers_that_lack_points_come_back(practice, logbook, task):
    comparison = compare(task, Answer(None, None, Choice.NO_TUBE))
    settings = start_round((), practice.START, 1, 0.5, AgeGroup.ADULT).settings
    record = record_of(settings, 0, comparison, teach(comparison))
    assert Record.from_dict(record.to_dict()) == record
    keep(logbook, "AB", comparison, record)
    assert replace(kept(logbook, "AB")[0], time=None) == record


def test_a_damaged_entry_is_told_and_the_others_are_there(practice, logbook, caplog):
    found = answered(practice, 2)
    for comparison, record in found:
        keep(logbook, "AB", comparison, record)
    (entry, _) = logbook.entries()
    from annotate.logbook.entry import Draft

    draft = {name: getattr(entry, name) for name in Draft.__dataclass_fields__}
    for damaged in ({"format": 99}, {"format": 1}, None):
        logbook.save(Draft(**draft | {"inputs": {"practice": damaged}}))
    assert len(kept(logbook, "AB")) == 2
    assert caplog.text.count("cannot be used") == 3
