"""Several processes, and one that is killed; all are real ones, started by spawn."""

import os
import random
import signal
import time
from itertools import count
from multiprocessing import get_context

import pytest

from annotate.logbook.entry import Draft, Kind
from annotate.logbook.store import Logbook

SPAWN = get_context("spawn")
EACH = 500
PATIENCE_S = 120


def draft_by(reader, film):
    return Draft(Kind.READING, f"{film:064x}", None, reader, {}, {}, {"verdict": "too low"})


def save_many(url, reader, gate):
    gate.wait(PATIENCE_S)
    with Logbook.open(url) as logbook:
        for film in range(EACH):
            logbook.save(draft_by(reader, film))


def save_until_killed(url, saved):
    with Logbook.open(url) as logbook:
        for film in count():
            saved.send(logbook.save(draft_by("AB", film)).number)


def test_two_processes_lose_nothing(url):
    """They also make the logbook together: neither finds one."""
    gate = SPAWN.Barrier(2)
    both = [SPAWN.Process(target=save_many, args=(url, reader, gate)) for reader in ("AB", "CD")]
    for process in both:
        process.start()
    for process in both:
        process.join(PATIENCE_S)
    assert [process.exitcode for process in both] == [0, 0]
    with Logbook.open(url) as logbook:
        found = logbook.verify()
        assert (found.problems, found.count) == ((), 2 * EACH)
        for reader in ("AB", "CD"):
            films = [entry.film for entry in logbook.entries(reader=reader)]
            assert films == [f"{film:064x}" for film in range(EACH)]


@pytest.mark.parametrize("seed", range(3))
def test_a_killed_process_leaves_a_logbook_that_verifies(url, seed):
    ours, theirs = SPAWN.Pipe(duplex=False)
    process = SPAWN.Process(target=save_until_killed, args=(url, theirs))
    process.start()
    theirs.close()
    try:
        assert ours.poll(PATIENCE_S)
        time.sleep(random.Random(seed).uniform(0.0, 0.3))
    finally:
        os.kill(process.pid, signal.SIGKILL)
        process.join(PATIENCE_S)
    assert process.exitcode == -signal.SIGKILL
    acknowledged = 0
    try:
        while ours.poll(0):
            acknowledged = ours.recv()
    except EOFError:
        pass
    with Logbook.open(url) as logbook:
        found = logbook.verify()
        assert found.problems == ()
        assert acknowledged <= found.count <= acknowledged + 1
        assert acknowledged >= 1
        logbook.save(draft_by("CD", 0))
        assert logbook.verify().count == found.count + 1
