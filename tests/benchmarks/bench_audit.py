"""Films a second of `lipmark audit`, how it scales, where the time goes, and what memory a worker needs.

    python tests/benchmarks/bench_audit.py [FILMS]

Films are synthetic, 2048 by 2048 pixels of 16 bits, of the size of clinical ones; entries of marks have no pixels.
Time on a core is told beside the clock's, which other work on the machine changes. docs/speed.md has the figures
that were measured, and where.
"""

from __future__ import annotations

import argparse
import csv
import os
import subprocess
import sys
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
import psutil

from annotate.audit.dataset import as_table, row_of
from annotate.audit.entry import Entry
from annotate.audit.results import Results
from annotate.films.answers import Answer
from imaging.case import Request, case_of
from imaging.load import load_film
from imaging.propose import propose
from measure.assess import assess

LIPMARK = str(Path(sys.executable).with_name("lipmark"))
SIZE_PX = 2048
ENTRIES = 20_000
COLUMNS = (
    *("film_label", "time", "unit", "sex", "neck", "mm_per_pixel"),
    *("tip_row", "tip_column", "carina_row", "carina_column", "reader"),
)
MARKED = Request(tip=(800.0, 1000.0), carina=(1000.0, 1000.0))
LOOK_EVERY_S = 0.1
MIB = 2.0**20


def write_films(count: int, folder: Path) -> None:
    """Synthetic films with a tube; the same for each run."""
    from synthetic_images.batch import BatchSettings, make_batch

    make_batch(count, folder, BatchSettings(seed=5, size_px=SIZE_PX), workers=os.cpu_count() or 1)


def write_marks(path: Path) -> None:
    """A manifest of marks without films."""
    random = np.random.default_rng(3)
    with path.open("w", newline="", encoding="utf-8") as file:
        lines = csv.writer(file)
        lines.writerow(COLUMNS)
        for number in range(ENTRIES):
            day, tip = f"2025-{number % 12 + 1:02d}-{number % 28 + 1:02d}", 1200.0 - random.normal(300.0, 140.0)
            known = (day, f"unit {number % 4}", "female" if number % 2 else "male", "neutral", 0.15)
            lines.writerow((f"film {number}", *known, round(tip, 1), 1000, 1200, 1010, "AB"))


@dataclass
class Run:
    """What one audit took.

    Parameters
    ----------
    wall_s : float
    core_s : dict of int to float
        Time on a core by process; other work on the machine does not count.
    peak_mib : dict of int to float
        Resident memory by process.
    """

    wall_s: float = 0.0
    core_s: dict[int, float] = field(default_factory=dict)
    peak_mib: dict[int, float] = field(default_factory=dict)
    main: int = 0

    @property
    def total_core_s(self) -> float:
        """Of all processes."""
        return sum(self.core_s.values())

    @property
    def worker_mib(self) -> float:
        """Of the largest worker."""
        return max((mib for pid, mib in self.peak_mib.items() if pid != self.main), default=0.0)

    def look(self, process: psutil.Process) -> None:
        """Note what a process has used so far."""
        with process.oneshot():
            times = process.cpu_times()
            self.core_s[process.pid] = times.user + times.system
            self.peak_mib[process.pid] = max(self.peak_mib.get(process.pid, 0.0), process.memory_info().rss / MIB)


def audit(source: Path, out: Path, *words: str) -> Run:
    """Run the command and watch its processes."""
    start = time.perf_counter()
    process = psutil.Popen(
        [LIPMARK, "audit", "run", str(source), "--out", str(out), *words], stdout=subprocess.DEVNULL
    )
    run = Run(main=process.pid)
    while process.poll() is None:
        with suppress(psutil.NoSuchProcess):
            for each in (process, *process.children(recursive=True)):
                run.look(each)
        time.sleep(LOOK_EVERY_S)
    run.wall_s = time.perf_counter() - start
    if process.returncode:
        raise SystemExit(f"lipmark audit run {source} failed with {process.returncode}")
    return run


def shares(folder: Path, scratch: Path) -> dict[str, float]:
    """Core seconds a film in one process: decoding, proposing, measuring, and writing the rows of a part."""
    taken = dict.fromkeys(("decoding", "proposing", "measuring", "writing"), 0.0)
    rows, films = [], sorted(folder.glob("*.dcm"))
    propose(load_film(films[0]))
    for number, path in enumerate(films, start=1):
        moments = [time.process_time()]
        film = load_film(path)
        moments.append(time.process_time())
        propose(film)
        moments.append(time.process_time())
        entry, case = Entry(path.name, str(number), path, MARKED), case_of(path.name, film, MARKED)
        rows.append(row_of(number, entry, MARKED, Answer(assess(case), case=case)))
        moments.append(time.process_time())
        for name, (start, end) in zip(taken, pairwise(moments), strict=False):
            taken[name] += (end - start) / len(films)
    results = Results(str(scratch))
    results.begin({})
    results.write(1, as_table(rows))
    start = time.process_time()
    results.write(0, as_table(rows))
    taken["writing"] = (time.process_time() - start) / len(films)
    return taken


def main() -> None:
    """Print one figure a line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("films", nargs="?", type=int, default=80)
    count = parser.parse_args().films
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_films(count, folder / "films")
        write_films(count // 4, folder / "few")
        write_marks(folder / "marks.csv")
        times = shares(folder / "few", folder / "shares")
        total = sum(times.values())
        for step, taken in times.items():
            print(f"one process: {step:<10}                  {1000.0 * taken:8.1f} ms a film {taken / total:6.1%}")
        few = audit(folder / "few", folder / "out few", "--workers", "1", "--films-per-part", "5")
        print(f"{count // 4} films, 1 worker: peak memory of the worker {few.worker_mib:8.0f} MiB")
        runs = {}
        for workers in (1, 2):
            words = ("--workers", str(workers), "--films-per-part", "5")
            run = runs[workers] = audit(folder / "films", folder / f"out {workers}", *words)
            show(f"{count} films", workers, run)
            print(f"  by the clock, start included         {count / run.wall_s:8.2f} films a second")
            print(f"  on cores                             {run.total_core_s / count:8.2f} core seconds a film")
        steady = (runs[1].total_core_s - few.total_core_s) / (count - count // 4)
        print(f"a film more                            {steady:8.2f} core seconds")
        print(f"scaling from 1 to 2 workers            {runs[1].wall_s / runs[2].wall_s:8.2f} by the clock")
        print(f"core seconds, 1 over 2 workers         {runs[1].total_core_s / runs[2].total_core_s:8.2f}")
        for workers in (1, 2):
            run = audit(folder / "marks.csv", folder / f"marks {workers}", "--workers", str(workers))
            show(f"{ENTRIES} entries of marks", workers, run)
            print(f"  by the clock, start included         {run.wall_s:8.1f} s   goal below 60")
            print(f"  on cores                             {run.total_core_s:8.1f} core seconds")


def show(what: str, workers: int, run: Run) -> None:
    """Heading and memory of a run."""
    print(f"{what}, {workers} worker(s)")
    print(f"  peak memory a worker, and of the rest{run.worker_mib:8.0f}, {run.peak_mib[run.main]:.0f} MiB")


if __name__ == "__main__":
    main()
