"""The benchmark's soak in short: four senders; a reader is killed, the database crashes and is started again."""

import runpy
from pathlib import Path

import pytest

BENCH = runpy.run_path(str(Path(__file__).parents[2] / "benchmarks" / "bench_ward.py"))
FILMS = 12


@pytest.mark.outside
def test_no_film_is_lost_or_read_twice(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    with BENCH["place"]("postgresql") as (ward, crash_database):
        disturb = [(0.2, crash_database), (0.4, ward.kill_a_reader)]
        found = BENCH["soak"](BENCH["films"](FILMS), ward, disturb, patience_s=240.0)
    assert found.kept == FILMS
    assert found.statuses == {"proposed": FILMS}
    assert found.read_twice == 0
