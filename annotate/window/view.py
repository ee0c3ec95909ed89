"""What shows a film and its marks: our own widget, or napari's viewer; the rest cannot tell which."""

from __future__ import annotations

from typing import Protocol

from qtpy.QtCore import SignalInstance
from qtpy.QtWidgets import QWidget

from annotate.window.camera import Camera, Place
from annotate.window.grey import Levels
from annotate.window.overlay import Drawing
from imaging.film import Film


class Table(Protocol):
    """What the mouse works on; `points.Points`."""

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

    def leave(self) -> None:
        """The mouse is gone."""


class View(Protocol):
    """Shows one film; a press on it goes to the table."""

    @property
    def area(self) -> QWidget:
        """Where the film is: it gets the keys and the magnifier."""

    @property
    def scale(self) -> float:
        """Of type, signs and controls, over those of a usual screen."""

    @property
    def camera(self) -> Camera:
        """What is seen."""

    @camera.setter
    def camera(self, camera: Camera) -> None: ...

    @property
    def levels(self) -> Levels:
        """Film values shown black and white."""

    @levels.setter
    def levels(self, levels: Levels) -> None: ...

    @property
    def moved(self) -> SignalInstance:
        """The camera has changed."""

    @property
    def resized(self) -> SignalInstance:
        """The area has another size."""

    def serve(self, table: Table) -> None:
        """Tell the mouse's doings to a table."""

    def show_film(self, film: Film) -> None:
        """Put a film in place of the one before."""

    def show_drawing(self, drawing: Drawing) -> None:
        """Draw over it, in place of what was drawn."""

    def clear(self) -> None:
        """Show nothing."""

    def release(self) -> None:
        """Leave everything as it was found."""
