"""Jobs that kill, hang and grow; what a process does here is Python's own `eval`, which every process has."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from annotate.films.supervisor import Lost, Supervisor

KILLER = "__import__('os').kill(__import__('os').getpid(), 9)"
LEAVER = "__import__('os')._exit(3)"
HANGER = "__import__('time').sleep(1000)"
HOG = "bytearray(10**12)"
FAULT = "1 / 0"


@pytest.fixture
def supervisor():
    with Supervisor(eval, 2, deadline_s=4.0) as made:
        yield made


def test_results_come_in_the_order_of_the_jobs(supervisor):
    slow_first = ["__import__('time').sleep(0.5) or 'slow'", *map(str, range(20))]
    assert list(supervisor.results(slow_first)) == ["slow", *range(20)]


def test_a_killer_a_hanger_and_a_hog_cost_three_of_two_hundred(supervisor):
    jobs = list(map(str, range(200)))
    jobs[40], jobs[90], jobs[150] = KILLER, HANGER, HOG
    start = time.monotonic()
    results = list(supervisor.results(jobs))
    lost = {place: result.reason for place, result in enumerate(results) if isinstance(result, Lost)}
    assert lost == {
        40: "ended the process that read it (signal 9), twice",
        90: "took longer than 4 s",
        150: "needs more memory than a film should",
    }
    assert [result for result in results if not isinstance(result, Lost)] == [
        number for number in range(200) if number not in lost
    ]
    assert time.monotonic() - start < 60


def test_other_ends_are_told(supervisor):
    left, fault = supervisor.results([LEAVER, FAULT])
    assert left == Lost("ended the process that read it (status 3), twice")
    assert fault == Lost("led to an unforeseen ZeroDivisionError")


def test_process_that_is_killed_from_outside_costs_nothing(supervisor):
    results = supervisor.results(
        ["__import__('os').getpid()", "__import__('time').sleep(1) or 'done'", *["7"] * 10]
    )
    os.kill(next(results), signal.SIGKILL)
    assert list(results) == ["done", *[7] * 10]


def test_jobs_are_drawn_as_processes_become_free(supervisor, monkeypatch):
    monkeypatch.setattr("annotate.films.supervisor.AHEAD", 10)
    drawn = 0

    def endless():
        nonlocal drawn
        while True:
            drawn += 1
            yield "0"

    results = supervisor.results(endless())
    for taken in range(1, 50):
        next(results)
        assert drawn <= taken + 10 + 2 * 2


def test_tickets_tell_which_result_is_whose(supervisor):
    slow = supervisor.submit("__import__('time').sleep(0.6) or 'slow'")
    fast = supervisor.submit("'fast'")
    assert supervisor.finished(0.0) == []
    assert supervisor.outstanding == 2
    done = {}
    while supervisor.outstanding:
        done.update(supervisor.finished(5.0))
    done.update(supervisor.finished(0.0))
    assert done == {slow: "slow", fast: "fast"}


def test_at_the_end_no_process_is_left(supervisor):
    with Supervisor(eval, 2) as other:
        (pid,) = other.results(["__import__('os').getpid()"])
        other.submit(HANGER)
        start = time.monotonic()
    assert time.monotonic() - start < 2
    assert not is_running(pid)


STARTS = """
import sys
from annotate.films.supervisor import Supervisor
if __name__ == "__main__":
    with Supervisor(eval, 2) as supervisor:
        jobs = ["__import__('os').getpid()"] * 4 + ["__import__('time').sleep(1000)"] * 2
        for number, pid in enumerate(supervisor.results(jobs)):
            print(pid, flush=True)
"""


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_processes_end_with_the_one_that_started_them(how, tmp_path):
    script = tmp_path / "starts.py"
    script.write_text(STARTS, encoding="utf-8")
    paths = os.pathsep.join([str(Path.cwd()), *sys.path])
    process = subprocess.Popen(
        [sys.executable, script],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "PYTHONPATH": paths},
    )
    pids = {int(process.stdout.readline()) for _ in range(4)}
    process.send_signal(how)
    process.wait(timeout=5)
    deadline = time.monotonic() + 5
    while any(map(is_running, pids)) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not [pid for pid in pids if is_running(pid)]


def is_running(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False
