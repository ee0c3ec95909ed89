"""The mouse on the film: takes, drags and places points; everywhere else it moves the film as napari does."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from napari.components import ViewerModel
from napari.utils.events import Event

REACH_PX = 16.0
"""A point is taken within this many screen pixels (ours)."""

STILL_PX = 4.0
"""A press that moves less is a click (ours)."""

Place = tuple[float, float]


class Table(Protocol):
    """What the hand works on; `desk.Desk`."""

    def take_near(self, at: Place, reach: float) -> bool:
        """Take the point near a place; False where there is none."""

    def drag(self, by: Place) -> None:
        """Show what is taken away from where it was."""

    def drop(self, by: Place) -> None:
        """Leave what is taken there."""

    def click(self, at: Place) -> None:
        """Place what waits for a place."""

    def hover(self, at: Place) -> None:
        """The mouse is here."""


class Hand:
    """Binds the mouse of a viewer to a table.

    Parameters
    ----------
    viewer : ViewerModel
        Its mouse callbacks are added to.
    table : Table
        What to do.
    """

    def __init__(self, viewer: ViewerModel, table: Table) -> None:
        self._viewer, self._table = viewer, table
        viewer.mouse_drag_callbacks.append(self._pressed)
        viewer.mouse_move_callbacks.append(self._moved)

    def release(self) -> None:
        """Give the mouse back."""
        self._viewer.mouse_drag_callbacks.remove(self._pressed)
        self._viewer.mouse_move_callbacks.remove(self._moved)

    def _moved(self, viewer: ViewerModel, event: Event) -> None:
        self._table.hover(_place(event))

    def _pressed(self, viewer: ViewerModel, event: Event) -> Iterator[None]:
        if event.button != 1:
            return
        start, pixel = _place(event), 1.0 / viewer.scene.camera.zoom
        if not self._table.take_near(start, REACH_PX * pixel):
            yield from self._click(event, start, STILL_PX * pixel)
            return
        viewer.scene.camera.mouse_pan = False
        try:
            yield
            by = (0.0, 0.0)
            while event.type == "mouse_move":
                by = _way(start, _place(event))
                self._table.drag(by)
                self._table.hover(_place(event))
                yield
            self._table.drop(by)
        finally:
            viewer.scene.camera.mouse_pan = True

    def _click(self, event: Event, start: Place, still: float) -> Iterator[None]:
        yield
        furthest = 0.0
        while event.type == "mouse_move":
            furthest = max(furthest, *map(abs, _way(start, _place(event))))
            yield
        if furthest < still:
            self._table.click(start)


def _place(event: Event) -> Place:
    y, x = event.position[-2:]
    return float(y), float(x)


def _way(start: Place, end: Place) -> Place:
    return end[0] - start[0], end[1] - start[1]
