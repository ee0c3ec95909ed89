"""Processes that read films, each for itself: a film that kills one costs no other film anything."""

from __future__ import annotations

import signal
from collections.abc import Callable
from multiprocessing import get_context
from multiprocessing.connection import Connection
from queue import SimpleQueue
from typing import TypeVar, cast

from annotate.messages import tell, tell_unforeseen
from annotate.ward.errors import WardError

T = TypeVar("T")

MOST_SECONDS = 90.0
"""A film that takes longer has stopped its decoder (ours): the largest take some seconds."""

READY = b"ready"


class ReaderDiedError(WardError):
    """The process that read a film has died, or had to be stopped."""


class UnforeseenError(WardError):
    """A process that reads films met an error that nobody foresaw."""


class Readers:
    """A fixed number of reading processes; a dead one is replaced.

    Parameters
    ----------
    count : int
        How many films are read at once.
    seconds : float
        The longest that a film may take.
    """

    def __init__(self, count: int, seconds: float = MOST_SECONDS) -> None:
        self._seconds = seconds
        self._free: SimpleQueue[_Reader] = SimpleQueue()
        for _ in range(count):
            self._free.put(_Reader())
        self._count = count

    def run(self, work: Callable[..., T], *words: object) -> T:
        """What `work(*words)` gives in a free process; waits for one.

        Raises
        ------
        ReaderDiedError
            Where it killed its process or took too long.
        UnforeseenError
            Where it raised; without the error's own words.
        """
        reader = self._free.get()
        try:
            answer = reader.run((work, words), self._seconds)
        except ReaderDiedError:
            reader.stop()
            reader = _Reader()
            raise
        finally:
            self._free.put(reader)
        if isinstance(answer, UnforeseenError):
            raise answer
        return cast(T, answer)

    def processes(self) -> list[int]:
        """Process IDs of the readers that are free."""
        readers = [self._free.get() for _ in range(self._free.qsize())]
        for reader in readers:
            self._free.put(reader)
        return [reader.pid for reader in readers]

    def stop(self) -> None:
        """Stop all, once they are free."""
        for _ in range(self._count):
            self._free.get().stop()


class _Reader:
    """One process, and the pipe to it."""

    def __init__(self) -> None:
        context = get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs,), daemon=True, name="lipmark-reader")
        self._process.start()
        theirs.close()  # Else the pipe would stay open when the process dies.
        self._ready = False

    @property
    def pid(self) -> int:
        return self._process.pid or 0

    def run(self, job: object, seconds: float) -> object:
        try:
            if not self._ready and self._pipe.poll(seconds):
                self._ready = self._pipe.recv() == READY
            self._pipe.send(job)
            if not self._pipe.poll(seconds):
                raise ReaderDiedError(f"it took longer than {seconds:.0f} s")
            answer: object = self._pipe.recv()
            return answer
        except (EOFError, OSError) as error:
            raise ReaderDiedError("the process that read it died") from error

    def stop(self) -> None:
        self._process.kill()
        self._process.join()
        self._pipe.close()


def _serve(pipe: Connection) -> None:
    """In the reading process: do job after job until the pipe closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    tell(verbose=False)
    _warm_up()
    pipe.send(READY)
    while True:
        try:
            work, words = pipe.recv()
        except EOFError:
            return
        try:
            answer = work(*words)
        except Exception as error:
            tell_unforeseen(error)
            answer = UnforeseenError(f"unforeseen {type(error).__name__}")
        pipe.send(answer)


def _warm_up() -> None:
    """Import and load what the first film would wait for."""
    import numpy as np

    from imaging.film import Film
    from imaging.propose import propose

    propose(Film(np.random.default_rng(0).random((256, 256), np.float32)))
