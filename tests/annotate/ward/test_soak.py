"""The benchmark's soak in short: two services on one PostgreSQL, which crashes; one of their readers is killed."""

import runpy
from pathlib import Path

import pytest

from annotate.logbook.store import Logbook

BENCH = runpy.run_path(str(Path(__file__).parents[2] / "benchmarks" / "bench_ward.py"))
FILMS = 8


@pytest.mark.outside
def test_two_services_lose_no_film_read_each_once_and_show_all(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    with BENCH["place"]("postgresql") as (ward, crash_database), BENCH["another"](ward) as second:
        disturb = [(0.2, crash_database), (0.4, ward.kill_a_reader)]
        found = BENCH["soak"](BENCH["films"](FILMS), [ward, second], disturb, patience_s=240.0)
        read = [service.has_read() for service in (ward, second)]
        shown = [service.page().count(BENCH["ROW"]) for service in (ward, second)]
        # Who is signed in at one is so at the other: browsers send a cookie to every port of a host.
        second.client.cookies = ward.client.cookies
        status = second.client.get("/").status_code
        film = ward.get("/api/films").json()[0]["film"]
        for service in (ward, second):
            BENCH["confirm"](service, film)
        with Logbook.open(ward.database) as logbook:
            (entry,), sound = logbook.entries(), logbook.verify().sound
    assert found.kept == FILMS
    assert found.statuses == {"proposed": FILMS}
    assert found.read_twice == 0
    assert sum(read) == FILMS
    assert min(read) > 0
    assert shown == [FILMS, FILMS]
    assert status == 200
    assert entry.supersedes is not None
    assert sound
