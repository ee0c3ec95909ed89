"""What the parts of the desk may ask of it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from annotate.window.marking import Marking
from annotate.window.panel import Panel
from annotate.window.session import Session
from annotate.window.view import View


class Stage(Protocol):
    """The desk, seen by its parts.

    Attributes
    ----------
    session : Session
        The films.
    view : View
        Shows the film.
    panel : Panel
        Beside it.
    marking : Marking or None
        Of the film that is open.
    """

    session: Session
    view: View
    panel: Panel

    @property
    def marking(self) -> Marking | None:
        """Of the film that is open."""

    def refresh(self) -> None:
        """Show everything as it stands."""

    def redraw(self) -> None:
        """Draw again."""

    def changed(self) -> None:
        """Something was done: keep the draft, and show it."""

    def notify(self, notice: str) -> None:
        """Tell the reader something."""

    def in_background(self, work: Callable[[], object], then: Callable[[object], None]) -> None:
        """Do something slow in another thread, and hand what comes of it over in the window's own."""

    def locked(self) -> bool:
        """Whether the marks stay as they are; says so."""
