"""Two thousand broken films, always the same ones, and every one that once showed a fault."""

import os
import runpy
import subprocess
import sys
import time
from pathlib import Path

import pytest

FILMS = runpy.run_path(str(Path(__file__).with_name("films.py")))
SEED, COUNT = 20261126, 2000
FOUND = sorted(path for path in Path(__file__).with_name("found").iterdir() if path.suffix == ".film")


def test_no_mutant_shows_a_fault():
    outcomes = list(FILMS["outcomes"](SEED, COUNT))
    assert [outcome for outcome in outcomes if outcome["faults"]] == []
    assert [outcome["number"] for outcome in outcomes] == list(range(COUNT))
    # Mutants that no longer begin like a film would prove little.
    assert sum(outcome["film"] for outcome in outcomes) > COUNT / 5


def test_the_seeds_are_films():
    for name, data in FILMS["seeds"]().items():
        assert FILMS["faults_of"](data, propose=False) == (True, []), name


@pytest.mark.parametrize("path", FOUND, ids=lambda path: path.stem)
def test_what_was_found_stays_mended(path):
    assert FILMS["faults_of"](path.read_bytes(), propose=True)[1] == []


def test_a_fault_is_seen(monkeypatch):
    monkeypatch.setattr("imaging.load.load_film", lambda _data: 1 / 0)
    is_film, faults = FILMS["faults_of"](b"II*\0", propose=False)
    assert not is_film
    assert "ZeroDivisionError" in faults[0]


def test_standing_in_line_is_no_hang_and_sleeping_is_one():
    """Many processes want one core: what each waits for it is not its own time, what it sleeps is."""
    core = f"import os; os.sched_setaffinity(0, {{{min(os.sched_getaffinity(0))}}})"
    busy = [subprocess.Popen([sys.executable, "-c", f"{core}\nwhile True: pass"]) for _ in range(4)]
    asleep = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(1000)"])
    try:
        time.sleep(1.0)
        clocks = [FILMS["OwnClock"](process.pid) for process in (*busy, asleep)]
        start = time.monotonic()
        time.sleep(3.0)
        *ran, slept = (clock.seconds() for clock in clocks)
        wall = time.monotonic() - start
    finally:
        for process in (*busy, asleep):
            process.kill()
            process.wait()
    assert sum(ran) < 2.0 * wall
    assert slept > 0.5 * wall


def test_a_process_that_hangs_is_seen_and_replaced(monkeypatch):
    names = FILMS["outcomes"].__globals__
    monkeypatch.setitem(names, "__file__", str(Path(__file__).with_name("hangs.py")))
    monkeypatch.setitem(names, "PATIENCE_S", 3.0)
    monkeypatch.setitem(names, "LOOK_UP_S", 0.5)
    outcomes = list(FILMS["outcomes"](1, 3))
    assert [outcome["faults"] for outcome in outcomes] == [[], ["the process hung"], []]


def test_a_process_that_dies_is_seen_and_replaced(monkeypatch):
    names = FILMS["outcomes"].__globals__
    monkeypatch.setitem(names, "__file__", str(Path(__file__).with_name("dies.py")))
    outcomes = list(FILMS["outcomes"](1, 4))
    assert [outcome["faults"] for outcome in outcomes] == [[], ["the process ended with status -9"], [], []]
