"""Processes that read films, each for itself: a film that kills one costs no other film anything."""

from __future__ import annotations

from collections.abc import Callable
from queue import SimpleQueue
from typing import Any, TypeVar, cast

from annotate.films.supervisor import DEADLINE_S, Lost, Supervisor
from annotate.ward.errors import WardError

T = TypeVar("T")
Job = tuple[Callable[..., Any], tuple[object, ...]]


class NotFinishedError(WardError):
    """No process finished a job; why, in words that name nobody."""


class Readers:
    """A fixed number of reading processes, each under a supervisor of its own.

    Parameters
    ----------
    count : int
        How many films are read at once.
    seconds : float
        The longest that a film may take.
    """

    def __init__(self, count: int, seconds: float = DEADLINE_S) -> None:
        self._count = count
        self._free: SimpleQueue[Supervisor[Job, Any]] = SimpleQueue()
        for _ in range(count):
            supervisor = Supervisor(_do, 1, deadline_s=seconds, begin=_warm_up)
            supervisor.submit((int, ()))  # Starts the process: the first film must not wait for it.
            self._free.put(supervisor)

    def run(self, work: Callable[..., T], *words: object) -> T:
        """What `work(*words)` gives in a free process; waits for one. A process that dies is tried once more.

        Raises
        ------
        NotFinishedError
            Where it killed its process twice, took too long, or raised.
        """
        supervisor = self._free.get()
        try:
            ticket, done = supervisor.submit((work, words)), dict[int, Any]()
            while ticket not in done:
                done.update(supervisor.finished())
        finally:
            self._free.put(supervisor)
        if isinstance(done[ticket], Lost):
            raise NotFinishedError(done[ticket].reason)
        return cast(T, done[ticket])

    def stop(self) -> None:
        """End all, once they are free."""
        for _ in range(self._count):
            self._free.get().close()


def _do(job: Job) -> object:
    work, words = job
    return work(*words)


def _warm_up() -> None:
    """Import and load what the first film would wait for."""
    import numpy as np

    from annotate.messages import tell
    from imaging.film import Film
    from imaging.propose import propose

    tell(verbose=False)
    propose(Film(np.random.default_rng(0).random((256, 256), np.float32)))
