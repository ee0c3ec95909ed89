"""The benchmark's soak in short: films from four senders, reader, service and database connections killed."""

import runpy
from pathlib import Path

import pytest

BENCH = runpy.run_path(str(Path(__file__).parents[2] / "benchmarks" / "bench_ward.py"))
FILMS = 12


@pytest.mark.outside
def test_no_film_is_lost_or_read_twice(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    with BENCH["place"]("postgresql") as (ward, kill_database):
        ward.data.mkdir()
        ward.start()
        try:
            disturb = [(0.2, kill_database), (0.4, ward.kill_a_reader)]
            found = BENCH["soak"](FILMS, ward, disturb, patience_s=240.0)
        finally:
            ward.kill()
    assert found.kept == FILMS
    assert found.statuses == {"proposed": FILMS}
    assert found.read_twice == 0
