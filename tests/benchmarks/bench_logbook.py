"""Saves a second, the time to verify, and to list a million entries, of the logbook on SQLite and PostgreSQL.

    python tests/benchmarks/bench_logbook.py

Both write every entry through to the disk before a save returns; PostgreSQL is a server of its own on the same
disk, reached by a socket. The baseline is a bare write of as many bytes with fsync. docs/speed.md has the figures.
"""

from __future__ import annotations

import json
import os
import resource
import runpy
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from annotate.logbook.entry import Draft, Kind
from annotate.logbook.store import Logbook

SAVES, ROUNDS = 200, 5
ENTRIES, COLD_RUNS = 1_000_000, 7
LIPMARK = str(Path(sys.executable).with_name("lipmark"))
SERVER = runpy.run_path(str(Path(__file__).parents[1] / "setup" / "postgresql_server.py"))


def draft(film: int) -> Draft:
    """About as large as a Reading is: 5 kB."""
    reading = {"verdict": "too low", "cautions": ["Repeat the film after the move."] * 100, "film": "film.dcm"}
    inputs = {f"value_{number}": number / 7.0 for number in range(40)}
    return Draft(Kind.READING, f"{film:064x}", f"{film % 50:064x}", "AB", inputs, {}, reading)


def a_second(work: Callable[[int], object]) -> float:
    """Median rate of several rounds, after one that is not counted."""
    rates = []
    for round_number in range(ROUNDS + 1):
        start = time.perf_counter()
        for film in range(SAVES):
            work(round_number * SAVES + film)
        rates.append(SAVES / (time.perf_counter() - start))
    return statistics.median(rates[1:])


def bare(path: Path) -> float:
    """Appends with fsync a second."""
    content = json.dumps({"reading": draft(0).reading, "inputs": draft(0).inputs}).encode()
    with path.open("wb", buffering=0) as file:

        def append(_: int) -> None:
            file.write(content)
            os.fsync(file.fileno())

        return a_second(append)


def show(name: str, url: str, baseline: float) -> None:
    """Measure one database."""
    with Logbook.open(url) as logbook:
        rate = a_second(lambda film: logbook.save(draft(film)))
        start = time.perf_counter()
        found = logbook.verify()
        seconds = time.perf_counter() - start
    if not found.sound:
        raise SystemExit(f"{name}: {found.problems[0]}")
    print(f"{name}: saves a second        {rate:8.0f}     of the bare appends {rate / baseline:5.2f}")
    print(f"{name}: entries verified a second {found.count / seconds:4.0f}")


def fill(path: Path) -> None:
    """Bring a logbook to a million entries, as long as usual ones; their hashes are invented."""
    with Logbook.open(str(path)) as logbook:
        logbook.save(draft(0))
    with sqlite3.connect(path) as connection:
        connection.execute("DROP TRIGGER entry_next")
        columns = "kind, patient, reader, inputs, landmarks, reading, software, weights, previous_hash, time"
        connection.execute(
            f"INSERT INTO entry (number, film, hash, {columns}) "
            "WITH RECURSIVE counted (n) AS (SELECT 2 UNION ALL SELECT n + 1 FROM counted WHERE n < ?) "
            f"SELECT n, printf('%064x', n), printf('%064x', n), {columns} FROM counted, entry WHERE number = 1",
            (ENTRIES,),
        )
    connection.close()


def processor_seconds(*words: str) -> float:
    """Median processor time of a command in a new process."""
    taken = []
    for _ in range(COLD_RUNS):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        taken.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return statistics.median(taken)


def show_list(path: Path) -> None:
    """Time the list of the newest entries out of a million, beside an interpreter that does nothing."""
    fill(path)
    bare_s = processor_seconds(sys.executable, "-c", "pass")
    list_s = processor_seconds(LIPMARK, "log", "list", "--logbook", str(path))
    print(f"{ENTRIES} entries: lipmark log list {list_s:8.2f} s   {list_s / bare_s:4.1f} bare interpreters")


def main() -> None:
    """Print one figure a line."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ["XDG_DATA_HOME"] = folder
        baseline = bare(Path(folder) / "bare")
        print(f"bare append and fsync a second    {baseline:8.0f}")
        show("SQLite    ", str(Path(folder) / "logbook.sqlite"), baseline)
        show_list(Path(folder) / "million.sqlite")
        pg_ctl = SERVER["find_pg_ctl"]()
        if pg_ctl is None:
            raise SystemExit("PostgreSQL is not installed (tests/setup/system_packages.txt)")
        with SERVER["postgresql_server"](pg_ctl) as server:
            show("PostgreSQL", server.url.format("postgres"), baseline)


if __name__ == "__main__":
    main()
