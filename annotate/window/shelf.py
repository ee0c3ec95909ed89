"""Films at hand: the open one, the one before and the next ones, loaded beforehand; the others are let go."""

from __future__ import annotations

from collections.abc import Callable, Collection
from concurrent.futures import Future
from threading import Lock

from imaging.film import Film


class Shelf:
    """Loads a film once, whichever thread asks first.

    Parameters
    ----------
    load : function
        Makes the film of a number.
    """

    def __init__(self, load: Callable[[int], Film]) -> None:
        self._load = load
        self._films: dict[int, Future[Film]] = {}
        self._lock = Lock()

    def film(self, number: int) -> Film:
        """The film; a second thread waits for the first. What cannot be loaded is tried again the next time.

        Raises
        ------
        Exception
            What loading it raised.
        """
        with self._lock:
            held = self._films.get(number)
            mine = held is None
            held = held or self._films.setdefault(number, Future())
        if mine:
            try:
                held.set_result(self._load(number))
            except Exception as error:
                with self._lock:
                    self._films.pop(number, None)
                held.set_exception(error)
        return held.result()

    def keep(self, numbers: Collection[int]) -> None:
        """Let all others go."""
        with self._lock:
            self._films = {number: held for number, held in self._films.items() if number in numbers}
