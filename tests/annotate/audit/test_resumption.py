"""Killed, started again, with more workers, with other workers: the results are the same."""

import os
import signal
import subprocess
import sys
import time
from collections import deque
from itertools import count
from pathlib import Path

import cloudpickle
import pytest

from annotate.audit.dataset import as_table
from annotate.audit.entry import Entry
from annotate.audit.errors import AuditError
from annotate.audit.parts import Measured, Part, cut, measure_part
from annotate.audit.versions import versions
from annotate.audit.workers import DaskWorkers, local_workers

LIPMARK = str(Path(sys.executable).with_name("lipmark"))
WAIT_S = 120.0


def start(manifest, out, *words):
    command = [LIPMARK, "audit", "run", str(manifest), "--out", str(out), *map(str, words)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def finish(manifest, out, *words):
    process = start(manifest, out, *words)
    told, err = process.communicate(timeout=WAIT_S)
    assert process.returncode == 0, err
    return told


def parts(out):
    return sorted((out / "films").glob("part-*.parquet"))


def content(out):
    return {file.relative_to(out): file.read_bytes() for file in sorted(out.rglob("*")) if file.is_file()}


@pytest.fixture
def mixed_manifest(manifest, dicom_film, marks):
    """Films with pixels, one of them broken, among many entries of marks alone."""
    films = [dicom_film(f"{number}.dcm") for number in range(6)]
    films[2].write_bytes(films[2].read_bytes()[:5000])
    rows = [{"film": film.name} for film in films]
    return manifest(rows + [marks(number / 20.0, neck="neutral") for number in range(200)])


def test_one_worker_and_two_leave_the_same_bytes(mixed_manifest, tmp_path):
    for workers in (1, 2):
        told = finish(mixed_manifest, tmp_path / str(workers), "--workers", workers, "--films-per-part", 2)
        assert "206 entries, 1 could not be read" in told
    one, two = content(tmp_path / "1"), content(tmp_path / "2")
    assert len(one) == 7
    assert one == two


def test_killed_in_the_middle_it_loses_and_repeats_nothing(manifest, dicom_film, tmp_path, rows_in):
    film = dicom_film()
    names = [f"{number:02d}.dcm" for number in range(10)]
    for name in names:
        (tmp_path / name).symlink_to(film)
    path = manifest([{"film": name} for name in names])
    out, whole = tmp_path / "out", tmp_path / "whole"
    words = ("--workers", 1, "--films-per-part", 1)

    process = start(path, out, *words)
    deadline = time.monotonic() + WAIT_S
    while len(parts(out)) < 3 and process.poll() is None and time.monotonic() < deadline:
        time.sleep(0.01)
    os.kill(process.pid, signal.SIGKILL)
    process.communicate()
    assert process.returncode == -signal.SIGKILL, "it was finished before it could be killed"
    kept = {file: (file.stat().st_mtime_ns, file.read_bytes()) for file in parts(out)}
    assert 3 <= len(kept) < len(names)

    told = finish(path, out, *words)
    assert f"10 entries ({len(kept)} of them by an earlier run)" in told
    assert {file: (file.stat().st_mtime_ns, file.read_bytes()) for file in kept} == kept
    assert [row["entry"] for row in rows_in(out, "entry")] == list(range(1, 11))
    finish(path, whole, *words)
    assert content(out) == content(whole)


def test_half_written_part_does_not_count(audit, manifest, tmp_path, marks):
    """As a process that was killed while it wrote would leave it."""
    path, out = manifest([marks()]), tmp_path / "out"
    assert audit(path, "--out", out)[0] == 0
    (whole,) = parts(out)
    before = whole.read_bytes()
    half = whole.with_name(f"{whole.name}.unfinished")
    half.write_bytes(before[:100])
    whole.unlink()
    assert audit(path, "--out", out)[0] == 0
    assert whole.read_bytes() == before
    assert not half.exists()


def test_parts_hold_every_entry_once_in_order():
    films = [Entry(str(n), str(n), film=Path("x") if n % 3 else None) for n in range(500)]
    made = list(cut(films, 7))
    assert [part.number for part in made] == list(range(len(made)))
    assert [place for part in made for place, _ in part.entries] == list(range(1, 501))
    assert max(sum(entry.film is not None for _, entry in part.entries) for part in made) == 7


def kill_own_process(part, verbose):
    """A worker that the third entry takes with it, that the fifth holds up, and that stops for no other."""
    numbers = [number for number, _ in part.entries]
    if 3 in numbers:
        os.kill(os.getpid(), signal.SIGKILL)
    if 5 in numbers:
        time.sleep(1000)
    return measure_part(part, verbose)


@pytest.mark.parametrize("with_pixels", [False, True])
def test_film_that_kills_or_hangs_its_worker_is_given_up_alone(with_pixels, tmp_path):
    film = tmp_path / "missing.dcm" if with_pixels else None
    entries = tuple(
        (number, Entry(f"row {number}", str(number), film=film)) for number in range(1, 5 + with_pixels)
    )
    with local_workers(2, deadline_s=10.0) as workers:
        ((part, measured),) = workers.measured(iter([Part(0, entries)]), measure=kill_own_process)
    assert part.number == 0
    errors = dict(zip(*(measured.table.column(name).to_pylist() for name in ("entry", "error")), strict=True))
    assert list(errors) == [number for number, _ in entries]
    assert "ended the process that read it (signal 9), twice" in errors.pop(3)
    if with_pixels:
        assert "took longer than 10 s" in errors.pop(5)
    assert [
        error for error in errors.values() if ("cannot be opened" if with_pixels else "mm per pixel") not in error
    ] == []


def test_film_that_kills_a_dask_worker_is_given_up_alone():
    import dask
    from distributed import Client, LocalCluster

    cloudpickle.register_pickle_by_value(sys.modules[__name__])
    made = [Part(0, tuple((number, Entry(f"row {number}", str(number))) for number in range(1, 5)))]
    try:
        with (
            dask.config.set({"distributed.scheduler.allowed-failures": 0}),
            LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address="127.0.0.1:0") as cluster,
            Client(cluster) as client,
        ):
            ((_, measured),) = DaskWorkers(client).measured(iter(made), measure=kill_own_process)
    finally:
        cloudpickle.unregister_pickle_by_value(sys.modules[__name__])
    errors = dict(zip(*(measured.table.column(name).to_pylist() for name in ("entry", "error")), strict=True))
    assert "the process that read it ended" in errors[3]
    assert all("mm per pixel" in errors[number] for number in (1, 2, 4))


def test_only_a_few_parts_are_on_their_way(scheduler):
    """However many parts there are, they are drawn as workers become free."""
    from distributed import Client

    drawn = 0

    def endless():
        nonlocal drawn
        for number in range(200):
            drawn += 1
            yield Part(number, ())

    def empty(part, verbose):
        return Measured(as_table([]), versions())

    with Client(scheduler) as client:
        for done, _ in enumerate(DaskWorkers(client).measured(endless(), measure=empty), start=1):
            assert drawn <= done + 2
    assert drawn == 200


def test_lost_scheduler_is_told():
    """A scheduler of another process that is killed while parts are on their way."""
    from distributed import Client, Worker
    from distributed.utils import open_port

    address = f"tcp://127.0.0.1:{open_port()}"
    command = [str(Path(LIPMARK).with_name("dask")), "scheduler", "--no-dashboard"]
    scheduler = subprocess.Popen([*command, "--host", address], stderr=subprocess.DEVNULL)

    def empty(part, verbose):
        return Measured(as_table([]), versions())

    async def worker(dask_worker=None):
        await Worker(address, nthreads=1, dashboard=False)

    try:
        with Client(address, timeout=WAIT_S) as client:
            client.run_on_scheduler(worker)
            measured = DaskWorkers(client).measured((Part(number, ()) for number in count()), measure=empty)
            next(measured)
            scheduler.kill()
            with pytest.raises(AuditError, match="run the same command again"):
                deque(measured, maxlen=0)
    finally:
        scheduler.kill()
        scheduler.wait()


def test_workers_with_other_software_are_refused(lipmark, manifest, marks, scheduler, tmp_path, monkeypatch):
    monkeypatch.setattr("annotate.audit.auditing.versions", lambda: versions() | {"numpy": "1.0"})
    status, _, err = lipmark(
        "audit",
        "run",
        manifest([marks()]),
        "--out",
        tmp_path / "out",
        "--scheduler",
        scheduler,
        "--insecure-scheduler",
    )
    assert status == 2
    assert "workers with other software found: numpy" in err
