"""How the film is looked at: where, how close, how bright, through the magnifier."""

from __future__ import annotations

from dataclasses import replace

from annotate.drawing.close_up import close_up
from annotate.window.camera import Camera, Place
from annotate.window.grey import levels_of, part_of
from annotate.window.magnifier import Magnifier, under_glass
from annotate.window.stage import Stage

ZOOM_STEP = 1.25
MARGIN = 1.03
"""Room round the whole film."""

LEVEL_STEP = 0.05
"""Share of the grey window's width that a key changes (ours)."""


class Looks:
    """Actions that change what is seen, and nothing else.

    Parameters
    ----------
    stage : Stage
        The desk.

    Attributes
    ----------
    hidden : bool
        Whether all that is drawn is hidden.
    magnifies : bool
        Whether the magnifier is wanted.
    """

    def __init__(self, stage: Stage) -> None:
        self._stage = stage
        self.magnifier = Magnifier(stage.view.area, stage.view.scale)
        self.magnifies = True
        self.hidden = False
        self._fitted = True
        stage.view.moved.connect(self._moved)
        stage.view.resized.connect(self._resized)

    def on_whole(self) -> None:
        """The whole film fills the view."""
        marking, view = self._stage.marking, self._stage.view
        if marking is None:
            return
        view.levels = levels_of(marking.film.pixels, view.levels.inverted)
        self._fit()

    def on_mediastinum(self) -> None:
        """Trachea and carina fill the view."""
        marking, view = self._stage.marking, self._stage.view
        if marking is None:
            return
        film = marking.answer.film
        part, aspect = close_up(film, marking.landmarks), film.pixel_aspect
        view.levels = levels_of(part_of(film, part), view.levels.inverted)
        self._look((part.middle_row * aspect, part.middle_column), view.area.height() / (part.height * aspect))

    def on_zoom_in(self) -> None:
        """Closer."""
        self._zoom(ZOOM_STEP)

    def on_zoom_out(self) -> None:
        """Farther."""
        self._zoom(1.0 / ZOOM_STEP)

    def on_invert(self) -> None:
        """Black becomes white."""
        view = self._stage.view
        view.levels = replace(view.levels, inverted=not view.levels.inverted)

    def on_brighter(self) -> None:
        """A brighter film."""
        self._level(LEVEL_STEP, 0.0)

    def on_darker(self) -> None:
        """A darker film."""
        self._level(-LEVEL_STEP, 0.0)

    def on_more_contrast(self) -> None:
        """A narrower grey window."""
        self._level(0.0, -LEVEL_STEP)

    def on_less_contrast(self) -> None:
        """A wider grey window."""
        self._level(0.0, LEVEL_STEP)

    def on_magnifier(self) -> None:
        """Magnifier on or off."""
        self.magnifies = not self.magnifies
        self.magnifier.hide()

    def on_drawing(self) -> None:
        """Hide or show all that is drawn."""
        self.hidden = not self.hidden
        self._stage.redraw()

    def magnify(self, at: Place) -> None:
        """Show what is at a place through the magnifier."""
        marking, view = self._stage.marking, self._stage.view
        if marking is None or not self.magnifies:
            return
        aspect = marking.film.pixel_aspect
        part, shown = under_glass(marking.film.pixels, at[0] / aspect, at[1], aspect)
        grey = levels_of(part, view.levels.inverted).grey(part)
        self.magnifier.show_at(view.camera.on_screen(at), grey, shown)

    def stop(self) -> None:
        """Let go of the view."""
        self._stage.view.moved.disconnect(self._moved)
        self._stage.view.resized.disconnect(self._resized)
        self.magnifier.deleteLater()

    def _fit(self) -> None:
        marking, area = self._stage.marking, self._stage.view.area
        if marking is None:
            return
        rows, columns = marking.film.shape
        height = rows * marking.film.pixel_aspect
        self._look((height / 2.0, columns / 2.0), min(area.height() / height, area.width() / columns) / MARGIN)
        self._fitted = True

    def _look(self, centre: Place, zoom: float) -> None:
        self._stage.view.camera = Camera(centre, zoom)

    def _zoom(self, factor: float) -> None:
        view = self._stage.view
        view.camera = replace(view.camera, zoom=view.camera.zoom * factor)

    def _level(self, brighter: float, wider: float) -> None:
        self._stage.view.levels = self._stage.view.levels.shifted(brighter, wider)

    def _moved(self) -> None:
        self._fitted = False
        self.magnifier.hide()

    def _resized(self) -> None:
        """A film that was seen as a whole still is."""
        if self._fitted:
            self._fit()
