"""Readers may die, films may not be lost: SQLite and PostgreSQL, one service and two."""

import os
import threading
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext

from annotate.ward import work as work_module
from annotate.ward.database import WardDatabase, ward_url
from annotate.ward.errors import ChangedMeanwhileError, WardError
from annotate.ward.film_reader import FilmRead, Known, read_film, read_with_film_before
from annotate.ward.readers import NotFinishedError, Readers
from annotate.ward.register import Register, new_film
from annotate.ward.schema import VERSION_TABLE, Base, Decision, Status
from annotate.ward.shelf import CASE, CROP, FILM, Shelf
from annotate.ward.vault import Vault
from annotate.ward.work import Work
from annotate.ward.work_queue import WorkQueue
from measure.landmarks import Source
from measure.reading import Reading


@pytest.fixture(params=["sqlite", "postgresql"])
def database(request, tmp_path):
    given = None if request.param == "sqlite" else request.getfixturevalue("new_postgresql")
    opened = WardDatabase(ward_url(tmp_path, given))
    yield opened
    opened.close()


@pytest.fixture
def vault(tmp_path):
    return Vault(tmp_path / "keys" / "ward.key")


@pytest.fixture
def shelf(tmp_path, vault):
    return Shelf(tmp_path / "films", vault)


@pytest.fixture
def register(database, vault):
    return Register(database, vault)


class AtOnce:
    """Has the answer ready, and counts; or loses every film."""

    def __init__(self, answer, lost=False):
        self.answer, self.read, self.lost = answer, [], lost

    def run(self, work, name, content):
        assert work is read_film
        if self.lost:
            raise NotFinishedError("ended the process, twice")
        self.read.append(name)
        return self.answer


def received(register, shelf, content, films=1):
    names = []
    for number in range(films):
        film = new_film()
        shelf.put(film, FILM, content)
        assert register.add(film, f"{number:064x}", "test")
        names.append(film)
    return names


@pytest.fixture(scope="module")
def one_read(film_bytes):
    """The answer to one film, read once for all tests."""
    return read_film("0" * 16, film_bytes())


def worker(register, shelf, tmp_path, readers):
    return Work(register, shelf, readers, tmp_path / "keys" / "pseudonym.key", timedelta(days=7))


def test_the_tables_are_those_that_the_program_knows(database):
    with database.reading() as connection:
        context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE})
        found = compare_metadata(context, Base.metadata)
    assert [change for change in found if "ward_queue" not in str(change)] == []


def test_a_newer_database_is_refused(tmp_path):
    url = ward_url(tmp_path)
    database = WardDatabase(url)
    with database.writing() as connection:
        connection.exec_driver_sql(f"UPDATE {VERSION_TABLE} SET version_num = '9999'")
    with pytest.raises(WardError, match="update lipmark"):
        WardDatabase(url)


def test_two_services_on_one_database_read_each_film_once(register, shelf, tmp_path, one_read):
    films = received(register, shelf, b"content", films=24)
    services = [AtOnce(one_read), AtOnce(one_read), AtOnce(one_read)]

    def all_of(readers):
        work = worker(register, shelf, tmp_path, readers)
        for film in films:
            work.read(film)

    threads = [threading.Thread(target=all_of, args=(readers,)) for readers in services]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(name for readers in services for name in readers.read) == sorted(films)
    assert register.counts()[Status.PROPOSED] == 24


def test_a_film_that_no_process_finishes_is_set_aside(register, shelf, tmp_path, one_read):
    (film,) = received(register, shelf, b"deadly")
    worker(register, shelf, tmp_path, AtOnce(one_read, lost=True)).read(film)
    assert register.film(film).status is Status.SET_ASIDE
    assert register.film(film).reason == "Not read: ended the process, twice. Look at the film itself."


def test_a_killed_service_s_film_is_read_by_another(register, shelf, tmp_path, one_read, monkeypatch):
    monkeypatch.setattr("annotate.ward.register.HOLD", timedelta(seconds=0.3))
    (film,) = received(register, shelf, b"content")
    assert register.claim(film, "killed service")
    survivor = worker(register, shelf, tmp_path, AtOnce(one_read))
    survivor.read(film)
    assert register.film(film).status is Status.BEING_READ
    time.sleep(0.35)
    assert register.lost() == [film]
    survivor.read(film)
    assert register.film(film).status is Status.PROPOSED
    # The other was not dead, but slow: its answer comes too late and changes nothing.
    whose = work_module.Whose(one_read.identifiers, None, "")
    assert not register.keep_proposal(film, "killed service", one_read.reading, whose)
    assert len(register.readings(film)) == 1


class Woken:
    """A queue with so many before."""

    def __init__(self, pending):
        self.before, self.films = pending, []

    def pending(self):
        return self.before

    def wake_reader(self, film, *, first=False):
        self.films.append((film, first))


@pytest.mark.parametrize("pending", [0, 300])
def test_what_a_killed_service_had_in_hand_is_read_first_however_many_wait(
    register, shelf, tmp_path, one_read, monkeypatch, pending
):
    monkeypatch.setattr("annotate.ward.register.HOLD", timedelta(0))
    monkeypatch.setattr(work_module, "STALLED", timedelta(0))
    held, waits = received(register, shelf, b"content", films=2)
    assert register.claim(held, "killed service")
    queue = Woken(pending)
    worker(register, shelf, tmp_path, AtOnce(one_read)).catch_up(queue)
    assert queue.films == [(held, True)] + ([] if pending else [(waits, False)])


def test_the_queue_gives_out_first_what_goes_first(database, tmp_path):
    queue, done = WorkQueue(tmp_path, database), []
    queue._register(done.append, done.append)
    for film in ("one", "two"):
        queue.wake_reader(film)
    queue.wake_reader("held", first=True)
    while queue.pending():
        queue._huey.execute(queue._huey.dequeue())
    assert done == ["held", "one", "two"]


def test_a_queue_that_does_not_answer_is_told_in_a_line(database, tmp_path, monkeypatch, caplog):
    queue, asked = WorkQueue(tmp_path, database), threading.Event()

    def away():
        asked.set()
        raise OSError("somewhere deep")

    monkeypatch.setattr(queue._huey, "dequeue", away)
    queue.work(1, print, print, print)
    assert asked.wait(10.0)
    queue.stop()
    assert "ward: the queue: Error reading from queue" in caplog.text
    assert "Traceback" not in caplog.text
    assert "somewhere deep" not in caplog.text


def test_a_film_that_stops_every_service_is_set_aside(register, shelf, tmp_path, one_read, monkeypatch):
    monkeypatch.setattr("annotate.ward.register.HOLD", timedelta(0))
    (film,) = received(register, shelf, b"content")
    for number in range(5):
        assert register.claim(film, f"killed service {number}")
    worker(register, shelf, tmp_path, AtOnce(one_read)).read(film)
    assert register.film(film).status is Status.SET_ASIDE


def test_a_film_whose_file_was_altered_is_set_aside(register, shelf, tmp_path, one_read):
    (film,) = received(register, shelf, b"content")
    (tmp_path / "films" / film[:2] / film / FILM).write_bytes(b"altered")
    worker(register, shelf, tmp_path, AtOnce(one_read)).read(film)
    assert "sent again" in register.film(film).reason


def test_pixels_and_names_go_when_their_days_are_over_and_readings_stay(register, shelf, tmp_path, one_read):
    (film,) = received(register, shelf, b"content")
    worker(register, shelf, tmp_path, AtOnce(one_read)).read(film)
    assert register.film(film).identifiers.patient_id == "ID-4711"
    forgetful = Work(register, shelf, AtOnce(one_read), tmp_path / "keys" / "pseudonym.key", timedelta(0))
    assert forgetful.forget_expired() == 1
    assert forgetful.forget_expired() == 0
    kept = register.film(film)
    assert kept.identifiers is None
    assert kept.answer.answer["verdict"]
    assert shelf.get(film, FILM) is None
    assert not list((tmp_path / "films").rglob("film"))


def test_the_film_before_is_the_one_taken_before_however_late_it_came(register, shelf, tmp_path, one_read):
    def whose(patient, taken):
        return work_module.Whose(replace(one_read.identifiers, taken=taken), patient, "")

    # In the order of their receipt; the last two do not say when they were taken.
    told = [("A", "20260103080000"), ("A", "20260101080000"), ("B", "20260102080000"), ("A", "20260102080000")]
    told += [("A", ""), ("A", "")]
    films = received(register, shelf, b"content", films=len(told))
    for film, (patient, taken) in zip(films, told, strict=True):
        assert register.claim(film, "service")
        assert register.keep_proposal(film, "service", one_read.reading, whose(patient, taken))
    before = [register.before(register.film(film)) for film in films]
    assert [None if each is None else films.index(each.id) for each in before] == [3, None, None, 1, 3, 4]


def test_who_saw_an_older_reading_does_not_overwrite_a_newer_one(register, shelf, tmp_path, one_read):
    (film,) = received(register, shelf, b"content")
    worker(register, shelf, tmp_path, AtOnce(one_read)).read(film)
    seen = register.film(film).answer.number
    register.keep_decision(film, seen, one_read.reading, "AB", Decision.CONFIRMED)
    with pytest.raises(ChangedMeanwhileError):
        register.keep_decision(film, seen, one_read.reading, "CD", Decision.CONFIRMED)
    assert [each.reader for each in register.readings(film)] == ["program", "AB"]


def test_most_urgent_first(register, shelf, tmp_path, one_read, monkeypatch):
    ranks = iter([(4, 0.0), (1, -0.9), (1, -0.2), (0, 0.0)])
    monkeypatch.setattr("annotate.ward.register.rank", lambda reading: next(ranks))
    films = received(register, shelf, b"content", films=4)
    work = worker(register, shelf, tmp_path, AtOnce(one_read))
    for film in films:
        work.read(film)
    listed = register.since(datetime.now(UTC) - timedelta(hours=1), 10)
    assert [film.id for film in listed] == [films[3], films[1], films[2], films[0]]


# Processes


@pytest.fixture(scope="module")
def readers():
    opened = Readers(1, seconds=1.0)
    yield opened
    opened.stop()


def test_a_dead_process_is_replaced_and_costs_its_own_job_alone(readers):
    with pytest.raises(NotFinishedError, match="twice"):
        readers.run(os._exit, 9)
    assert readers.run(len, "four") == 4


def test_an_endless_job_is_stopped(readers):
    with pytest.raises(NotFinishedError, match="longer than 1 s"):
        readers.run(time.sleep, 60)


def test_an_unforeseen_error_keeps_its_words_to_itself(readers):
    with pytest.raises(NotFinishedError) as caught:
        readers.run(int, "Secret^Bed")
    assert str(caught.value) == "led to an unforeseen ValueError"


def test_what_is_known_comes_back_from_its_bytes(one_read):
    again = Known.unpacked(one_read.known.packed())
    assert again.film.shape == one_read.known.film.shape
    assert again.proposal == one_read.known.proposal
    assert again.film.identifiers == one_read.identifiers
    assert len(one_read.known.packed()) < 20_000


def test_damaged_bytes_are_an_answer():
    done = read_film("f" * 16, b"\0" * 128 + b"DICM" + b"\xff" * 50)
    assert isinstance(done, FilmRead)
    assert done.aside_because
    assert done.known is None


# What is locked


def test_an_altered_film_is_told(tmp_path, vault, shelf):
    shelf.put("ab12", CASE, b"something")
    path = tmp_path / "films" / "ab" / "ab12" / CASE
    path.write_bytes(path.read_bytes()[:-2] + b"xx")
    with pytest.raises(WardError, match="altered"):
        shelf.get("ab12", CASE)


def test_another_key_opens_nothing(tmp_path, vault):
    locked = vault.locked(b"something")
    with pytest.raises(WardError, match="another key"):
        Vault(tmp_path / "other.key").opened(locked)


def test_a_key_that_others_can_read_is_refused(tmp_path):
    path = tmp_path / "ward.key"
    Vault(path)
    path.chmod(0o644)
    with pytest.raises(WardError, match="chmod 600"):
        Vault(path)


# The film before


class InTurn:
    """Has the answer to a film ready, and keeps what it is asked with the film before; or loses that."""

    def __init__(self, answer, lost=False):
        self.answer, self.lost, self.asked = answer, lost, []

    def run(self, work, *words):
        if work is read_film:
            return self.answer
        assert work is read_with_film_before
        if self.lost:
            raise NotFinishedError("took longer than 60 s")
        self.asked.append(words)
        return replace(self.answer, crop=b"anew")


@pytest.fixture
def follow_up(register, shelf, tmp_path, one_read):
    """Two films of one patient, the first answered and then decided as given; what is asked of the second."""

    def run(decision, *, reading=None, lost=False, meanwhile=lambda film: None):
        readers = InTurn(one_read, lost)
        work = worker(register, shelf, tmp_path, readers)
        first, second = received(register, shelf, b"as it came", films=2)
        work.read(first)
        if decision is not None:
            seen = register.film(first).answer.number
            register.keep_decision(first, seen, reading or one_read.reading, "AB", decision)
        meanwhile(first)
        work.read(second)
        return readers.asked, register.film(second), shelf.get(second, CROP)

    return run


@pytest.mark.parametrize("decision", [Decision.CONFIRMED, Decision.CORRECTED])
def test_a_film_is_read_with_the_film_before_that_a_reader_has_confirmed(follow_up, one_read, decision):
    [(name, content, found, before)], second, crop = follow_up(decision)
    assert (name, found) == (second.id, one_read.known.proposal)
    assert content == before.content == b"as it came"
    proposed = Reading.from_dict(one_read.reading.to_dict()).landmarks.carina
    assert proposed.source is Source.PROPOSED
    assert before.reading.landmarks.carina == replace(proposed, source=Source.HAND)
    assert second.status is Status.PROPOSED
    assert crop == b"anew"


@pytest.mark.parametrize("decision", [None, Decision.NO_TUBE, Decision.NO_CARINA])
def test_a_film_before_whose_marks_nobody_has_confirmed_is_not_asked(follow_up, decision):
    asked, second, _ = follow_up(decision)
    assert not asked
    assert not any("film before" in caution for caution in second.answer.answer["cautions"])


def test_a_hint_of_a_carina_is_not_confirmed_by_a_reader_who_could_not_measure_with_it(follow_up, one_read):
    hint = replace(one_read.reading.landmarks.carina, confidence=0.3)
    landmarks = replace(one_read.reading.landmarks, carina=hint)
    asked, _, _ = follow_up(Decision.CONFIRMED, reading=replace(one_read.reading, landmarks=landmarks))
    assert not asked


def test_a_film_before_whose_days_are_over_gives_nothing(follow_up, register, shelf):
    def forget(film):
        register.forget(film)
        shelf.clear(film)

    asked, second, _ = follow_up(Decision.CONFIRMED, meanwhile=forget)
    assert not asked
    assert second.status is Status.PROPOSED


def test_a_film_before_that_was_altered_is_told_and_changes_nothing(follow_up, one_read, tmp_path):
    def alter(film):
        (tmp_path / "films" / film[:2] / film / FILM).write_bytes(b"altered")

    asked, second, crop = follow_up(Decision.CONFIRMED, meanwhile=alter)
    assert not asked
    assert crop == one_read.crop
    answer = second.answer.answer
    assert "The film before gave no carina for this one: it cannot be read." in answer["cautions"]
    assert answer["carina"] == one_read.reading.to_dict()["carina"]


def test_a_film_before_that_loses_its_process_is_told_and_changes_nothing(follow_up, one_read, shelf):
    _, second, _ = follow_up(Decision.CONFIRMED, lost=True)
    told = "The film before gave no carina for this one: it took longer than 60 s."
    assert told in second.answer.answer["cautions"]
    kept = Known.unpacked(shelf.get(second.id, CASE)).proposal
    assert kept == replace(one_read.known.proposal, reasons=kept.reasons)
    assert kept.reasons[-1] == told


def test_an_unconfirmed_film_between_does_not_hide_the_confirmed_one(register, shelf, tmp_path, one_read):
    readers = InTurn(one_read)
    work = worker(register, shelf, tmp_path, readers)
    films = received(register, shelf, b"as it came", films=3)
    work.read(films[0])
    seen = register.film(films[0]).answer.number
    register.keep_decision(films[0], seen, one_read.reading, "AB", Decision.CORRECTED)
    for film in films[1:]:
        work.read(film)
    assert len(readers.asked) == 2
    assert register.before(register.film(films[2])).id == films[1]
    assert register.before(register.film(films[2]), confirmed=True).id == films[0]
