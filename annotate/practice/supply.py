"""Films are made while the trainee works on the one before."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType
from typing import Self

from annotate.films.supervisor import DEADLINE_S, Lost, Supervisor
from annotate.practice.marks_file import load_task
from annotate.practice.rounds import Source
from annotate.practice.synthetic import make_task
from annotate.practice.task import FilmSpec, Task
from imaging.errors import FilmUnreadableError, ImagingError
from measure.errors import MeasureError


def task_for(source: Source) -> Task:
    """Make or load a film.

    Raises
    ------
    ImagingError, MeasureError
        Where a film of a folder cannot be used.
    """
    return make_task(source) if isinstance(source, FilmSpec) else load_task(source)


def _made(source: Source) -> Task | ImagingError | MeasureError:
    """The same with what prevents it as an answer: it comes from another process."""
    try:
        return task_for(source)
    except (ImagingError, MeasureError) as error:
        return error


class Supply:
    """Tasks, made beforehand in a process that is watched, so that a drag in the window never waits; use it with
    `with`.

    Parameters
    ----------
    deadline_s : float
        Longest time for a film.
    """

    def __init__(self, deadline_s: float = DEADLINE_S) -> None:
        self._maker = Supervisor(_made, 1, deadline_s=deadline_s)
        self._waiting = ThreadPoolExecutor(1)
        self._closed = False
        self._coming: dict[Source, Future[Task]] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the process, whatever it is doing."""
        self._closed = True
        self._waiting.shutdown(wait=True, cancel_futures=True)
        self._maker.close()

    def prepare(self, sources: Iterable[Source]) -> None:
        """Make these in the background; what was prepared and is no longer wanted is dropped."""
        wanted = tuple(sources)
        for source in [source for source in self._coming if source not in wanted]:
            self._coming.pop(source).cancel()
        for source in wanted:
            if source not in self._coming:
                self._coming[source] = self._waiting.submit(self._make, source)

    def take(self, source: Source) -> Task:
        """The task, as soon as it is made.

        Raises
        ------
        ImagingError, MeasureError
            Where a film of a folder cannot be used.
        """
        self.prepare((*self._coming, source))
        return self._coming.pop(source).result()

    def _make(self, source: Source) -> Task:
        """In the thread that waits for the process."""
        made = self._maker.result(source, lambda: not self._closed)
        if isinstance(made, Task):
            return made
        if made is None:
            raise FilmUnreadableError("no film any more: the practice has ended.")
        raise FilmUnreadableError(f"the film {made.reason}.") if isinstance(made, Lost) else made
