"""Processes that work on films, watched: one that dies, hangs or grows costs its film alone."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from enum import Enum
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from types import TracebackType
from typing import Any, Generic, Self, TypeVar, cast

DEADLINE_S = 60.0
"""For one film (ours): a film takes about a second, the largest in the slowest encoding some 30."""

START_S = 120.0
"""For a process to start (ours): it takes a second or two, on a busy machine ten times as long."""

MEMORY_BYTES = 6 * 1024**3
"""Address space of a process (ours): the network's libraries reserve most of it, 0.5 GB are used."""

ATTEMPTS = 2
"""A process may be ended for another's sake, for instance by a system short of memory: its film gets a second."""

AHEAD = 1000
"""Answers that wait for a slow one before them (ours): some megabytes."""

LOOK_UP_S = 0.1
"""How often it is asked whether a result is still wanted (ours)."""

Job = TypeVar("Job")
Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Lost:
    """What stands for the result of a job that no process finished; the reason in words."""

    reason: str


class _Said(Enum):
    BEGUN = "begun"
    DONE = "done"
    FAILED = "failed"


@dataclass(slots=True)
class _Task:
    """A job on its way."""

    ticket: int
    job: Any
    attempts: int = 0


@dataclass(slots=True, eq=False)
class _Worker:
    """One process as it is seen from outside."""

    process: BaseProcess
    connection: Connection
    task: _Task | None = None
    until: float = field(default=0.0)


class Supervisor(Generic[Job, Result]):
    """Processes that do the same work on one job after another.

    Hand in jobs by `submit` and take what is finished by `finished`, in whatever order; or give all of them to
    `results`, which keeps theirs. Use it in a `with` statement: at its end the processes are gone. They also end
    with the process that started them, however that ends.

    Parameters
    ----------
    work : callable
        What a process does with a job; a function of a module, since it is sent there.
    workers : int
        How many processes.
    deadline_s : float
        Longest time for a job, its start not counted.
    memory_bytes : int
        Most address space of a process, where the system can limit it.
    begin : callable, optional
        What a process does before its first job.
    """

    def __init__(
        self,
        work: Callable[[Job], Result],
        workers: int,
        *,
        deadline_s: float = DEADLINE_S,
        memory_bytes: int = MEMORY_BYTES,
        begin: Callable[[], None] | None = None,
    ) -> None:
        self._work, self._begin = work, begin
        self._deadline_s, self._memory_bytes = deadline_s, memory_bytes
        self._count = max(1, workers)
        self._workers: list[_Worker] = []
        self._waiting: deque[_Task] = deque()
        self._done: list[tuple[int, Result | Lost]] = []
        self._tickets = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def outstanding(self) -> int:
        """Jobs that are handed in and not finished."""
        return len(self._waiting) + sum(worker.task is not None for worker in self._workers)

    def start(self) -> None:
        """Let the processes get ready before there is a job; else each starts with its first."""
        while len(self._workers) < self._count:
            self._workers.append(self._started())

    def submit(self, job: Job) -> int:
        """Hand a job in, and return the ticket by which its result is known."""
        self._tickets += 1
        self._waiting.append(_Task(self._tickets, job))
        self._hand_out()
        return self._tickets

    def finished(self, timeout_s: float | None = None) -> list[tuple[int, Result | Lost]]:
        """Tickets and results of jobs finished meanwhile; waits for the first of them, so long at most."""
        end = None if timeout_s is None else time.monotonic() + timeout_s
        while not self._done and self.outstanding:
            now = time.monotonic()
            if end is not None and now >= end:
                break
            self._watch(now, end)
        done, self._done = self._done, []
        return done

    def result(self, job: Job, wanted: Callable[[], bool]) -> Result | Lost | None:
        """The result of one job, or None where nobody wants it any more: `wanted` is asked again and again."""
        ticket = self.submit(job)
        while wanted():
            for done, result in self.finished(LOOK_UP_S):
                if done == ticket:
                    return result
        return None

    def results(self, jobs: Iterable[Job]) -> Iterator[Result | Lost]:
        """A result for every job, in the order of the jobs, each as soon as those before it are there.

        Jobs are drawn as processes become free.
        """
        left, held, following = iter(jobs), dict[int, Result | Lost](), self._tickets + 1
        exhausted = False
        while not exhausted or self.outstanding or held:
            while not exhausted and self.outstanding < 2 * self._count and len(held) < AHEAD:
                try:
                    self.submit(next(left))
                except StopIteration:
                    exhausted = True
            held.update(self.finished())
            while following in held:
                yield held.pop(following)
                following += 1

    def close(self) -> None:
        """End the processes, whatever they are doing."""
        for worker in self._workers:
            worker.process.kill()
            worker.connection.close()
        for worker in self._workers:
            worker.process.join()
        self._workers.clear()
        self._waiting.clear()

    def _hand_out(self) -> None:
        """Give waiting jobs to idle processes, and start some where there are too few."""
        for worker in self._workers:
            if worker.task is None and self._waiting:
                self._give(worker)
        while self._waiting and len(self._workers) < self._count:
            self._workers.append(self._started())
            self._give(self._workers[-1])

    def _started(self) -> _Worker:
        ours, theirs = get_context("spawn").Pipe()
        process = get_context("spawn").Process(
            target=_serve, args=(theirs, self._work, self._begin, self._memory_bytes, os.getpid()), daemon=True
        )
        process.start()
        theirs.close()  # Else the end of the process would not end the pipe.
        return _Worker(process, ours)

    def _give(self, worker: _Worker) -> None:
        task = self._waiting.popleft()
        task.attempts += 1
        worker.task, worker.until = task, time.monotonic() + START_S
        try:
            worker.connection.send((task.ticket, task.job))
        except OSError:  # It has just died: which is seen, and answered, when it is asked for its result.
            worker.until = 0.0

    def _watch(self, now: float, end: float | None) -> None:
        """Wait until a process says something, dies, or has had its time."""
        busy = [worker for worker in self._workers if worker.task is not None]
        until = min([worker.until for worker in busy] + ([] if end is None else [end]))
        ready = wait([worker.connection for worker in busy], max(0.0, until - now))
        now = time.monotonic()
        for worker in busy:
            if worker.connection in ready:
                self._listen(worker)
            elif now >= worker.until:
                self._give_up(worker, f"took longer than {self._deadline_s:g} s")
        self._hand_out()

    def _listen(self, worker: _Worker) -> None:
        try:
            ticket, said, what = worker.connection.recv()
        except (EOFError, OSError):
            self._bury(worker)
            return
        task = cast(_Task, worker.task)
        assert ticket == task.ticket
        if said is _Said.BEGUN:
            worker.until = time.monotonic() + self._deadline_s
            return
        worker.task = None
        self._done.append((ticket, Lost(what) if said is _Said.FAILED else what))

    def _bury(self, worker: _Worker) -> None:
        """Try a dead process's job once more, and then give it up."""
        worker.process.join(1.0)
        status, task = worker.process.exitcode, cast(_Task, worker.task)
        if task.attempts < ATTEMPTS:
            self._remove(worker)
            self._waiting.appendleft(task)
            return
        how = f"signal {-status}" if status is not None and status < 0 else f"status {status}"
        self._give_up(worker, f"ended the process that read it ({how}), twice")

    def _give_up(self, worker: _Worker, reason: str) -> None:
        task = cast(_Task, worker.task)
        self._remove(worker)
        self._done.append((task.ticket, Lost(reason)))

    def _remove(self, worker: _Worker) -> None:
        self._workers.remove(worker)
        worker.process.kill()
        worker.process.join()
        worker.connection.close()


def _serve(
    connection: Connection,
    work: Callable[[Any], Any],
    begin: Callable[[], None] | None,
    memory_bytes: int,
    parent: int,
) -> None:
    """Do jobs until nobody hands in more; runs in a process of its own."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # The one that started it decides when to stop.
    _die_with(parent)
    _limit_memory(memory_bytes)
    if begin is not None:
        begin()
    while True:
        try:
            ticket, job = connection.recv()
        except (EOFError, OSError):
            return
        connection.send((ticket, _Said.BEGUN, None))
        try:
            done = (ticket, _Said.DONE, work(job))
        except MemoryError:
            done = (ticket, _Said.FAILED, "needs more memory than a film should")
        except Exception as error:
            done = (ticket, _Said.FAILED, f"led to an unforeseen {type(error).__name__}")
        try:
            connection.send(done)
        except OSError:
            return


def _die_with(parent: int) -> None:
    """Have the system end this process when its parent is gone, even in the middle of a job (Linux)."""
    if not sys.platform.startswith("linux"):
        return
    import ctypes

    pr_set_pdeathsig = 1
    ctypes.CDLL(None).prctl(pr_set_pdeathsig, signal.SIGKILL)
    if os.getppid() != parent:  # It was gone before that.
        os._exit(1)


def _limit_memory(memory_bytes: int) -> None:
    try:
        import resource
    except ImportError:  # not on Windows
        return
    hard = resource.getrlimit(resource.RLIMIT_AS)[1]
    wanted = memory_bytes if hard == resource.RLIM_INFINITY else min(memory_bytes, hard)
    resource.setrlimit(resource.RLIMIT_AS, (wanted, hard))
