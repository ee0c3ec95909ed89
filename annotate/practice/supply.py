"""Films are made while the trainee works on the one before."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import Future, ProcessPoolExecutor
from multiprocessing import get_context
from types import TracebackType
from typing import Self

from annotate.practice.marks_file import load_task
from annotate.practice.rounds import Source
from annotate.practice.synthetic import make_task
from annotate.practice.task import FilmSpec, Task


def task_for(source: Source) -> Task:
    """Make or load a film.

    Raises
    ------
    ImagingError, MeasureError
        Where a film of a folder cannot be used.
    """
    return make_task(source) if isinstance(source, FilmSpec) else load_task(source)


class Supply:
    """Tasks, made beforehand in another process so that a drag in the window never waits; use it with `with`."""

    def __init__(self) -> None:
        self._pool = ProcessPoolExecutor(1, get_context("spawn"))
        self._coming: dict[Source, Future[Task]] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let the process end; what has not begun is left."""
        self._pool.shutdown(wait=True, cancel_futures=True)

    def prepare(self, sources: Iterable[Source]) -> None:
        """Make these in the background; what was prepared and is no longer wanted is dropped."""
        wanted = tuple(sources)
        for source in [source for source in self._coming if source not in wanted]:
            self._coming.pop(source).cancel()
        for source in wanted:
            if source not in self._coming:
                self._coming[source] = self._pool.submit(task_for, source)

    def take(self, source: Source) -> Task:
        """The task, as soon as it is made.

        Raises
        ------
        ImagingError, MeasureError
            Where a film of a folder cannot be used.
        """
        self.prepare((*self._coming, source))
        return self._coming.pop(source).result()
