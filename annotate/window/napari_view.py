"""napari's viewer as a view: its film layer, its mouse, and our marks on one canvas over it."""

from __future__ import annotations

from collections.abc import Iterator

from napari.components import ViewerModel
from napari.layers import Image
from napari.utils.events import Event
from qtpy.QtCore import QEvent, QObject, Qt, Signal
from qtpy.QtGui import QPainter, QPaintEvent
from qtpy.QtWidgets import QWidget

from annotate.window.camera import Camera, Place
from annotate.window.film_view import REACH_PX, STILL_PX
from annotate.window.grey import Levels
from annotate.window.overlay import Drawing
from annotate.window.paint import paint
from annotate.window.view import Table
from imaging.film import Film


class Canvas(QWidget):
    """Lies over the film and takes no mouse."""

    def __init__(self, view: NapariView, parent: QWidget) -> None:
        super().__init__(parent)
        self._view = view
        self.drawing = Drawing()
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.resize(parent.size())
        self.show()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802, the name is Qt's
        """All marks."""
        painter = QPainter(self)
        paint(painter, self.drawing, self._view.camera)
        painter.end()


class NapariView(QObject):
    """See `view.View`.

    Parameters
    ----------
    viewer : ViewerModel
        napari's; a layer is added to it and its mouse callbacks are added to.
    area : QWidget
        Where it shows the film.
    """

    moved = Signal()
    resized = Signal()

    def __init__(self, viewer: ViewerModel, area: QWidget) -> None:
        super().__init__()
        self._viewer, self._area = viewer, area
        self._canvas = Canvas(self, area)
        self._film: Image | None = None
        self._levels = Levels()
        self._table: Table | None = None
        viewer.mouse_drag_callbacks.append(self._pressed)
        viewer.mouse_move_callbacks.append(self._hovered)
        viewer.scene.camera.events.zoom.connect(self._seen_otherwise)
        viewer.scene.camera.events.center.connect(self._seen_otherwise)
        area.installEventFilter(self)

    @property
    def area(self) -> QWidget:
        """Where the film is."""
        return self._area

    @property
    def scale(self) -> float:
        """Napari's own type does not grow."""
        return 1.0

    @property
    def camera(self) -> Camera:
        """What is seen."""
        y, x = self._viewer.scene.camera.center[-2:]
        return Camera(
            (float(y), float(x)), float(self._viewer.scene.camera.zoom), (self._area.width(), self._area.height())
        )

    @camera.setter
    def camera(self, camera: Camera) -> None:
        self._viewer.scene.camera.center = (0.0, *camera.centre)
        self._viewer.scene.camera.zoom = camera.zoom

    @property
    def levels(self) -> Levels:
        """Film values shown black and white."""
        return self._levels

    @levels.setter
    def levels(self, levels: Levels) -> None:
        self._levels = levels
        if self._film is not None:
            self._film.contrast_limits = (levels.low, levels.high)
            self._film.colormap = "gray_r" if levels.inverted else "gray"

    def serve(self, table: Table) -> None:
        """Tell the mouse's doings to a table."""
        self._table = table

    def show_film(self, film: Film) -> None:
        """Put a film over napari's own layers."""
        self._take_away()
        self._film = Image(film.pixels, name="film", scale=(film.pixel_aspect, 1.0), interpolation2d="linear")
        self._viewer.add_layer(self._film)
        self._viewer.layers.selection.active = None
        self.show_drawing(Drawing())

    def show_drawing(self, drawing: Drawing) -> None:
        """Draw over it."""
        self._canvas.drawing = drawing
        self._canvas.raise_()
        self._canvas.update()

    def clear(self) -> None:
        """Show nothing of ours."""
        self._take_away()
        self.show_drawing(Drawing())

    def release(self) -> None:
        """Give mouse and camera back."""
        self.clear()
        self._area.removeEventFilter(self)
        self._viewer.mouse_drag_callbacks.remove(self._pressed)
        self._viewer.mouse_move_callbacks.remove(self._hovered)
        self._viewer.scene.camera.events.zoom.disconnect(self._seen_otherwise)
        self._viewer.scene.camera.events.center.disconnect(self._seen_otherwise)
        self._canvas.deleteLater()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802, the name is Qt's
        """The canvas is as large as what it lies over."""
        if event.type() == QEvent.Type.Resize:
            self._canvas.resize(self._area.size())
            self.resized.emit()
        return False

    def _take_away(self) -> None:
        if self._film is not None and self._film in self._viewer.layers:
            self._viewer.layers.remove(self._film)
        self._film = None

    def _seen_otherwise(self) -> None:
        self._canvas.update()
        self.moved.emit()

    def _hovered(self, viewer: ViewerModel, event: Event) -> None:
        if self._table is not None:
            self._table.hover(_place(event))

    def _pressed(self, viewer: ViewerModel, event: Event) -> Iterator[None]:
        if event.button != 1 or self._table is None:
            return
        table, start, pixel = self._table, _place(event), 1.0 / viewer.scene.camera.zoom
        if not table.take_near(start, REACH_PX * pixel):
            yield from self._click(event, start, STILL_PX * pixel)
            return
        viewer.scene.camera.mouse_pan = False
        try:
            yield
            by = (0.0, 0.0)
            while event.type == "mouse_move":
                by = _way(start, _place(event))
                table.drag(by)
                table.hover(_place(event))
                yield
            table.drop(by)
        finally:
            viewer.scene.camera.mouse_pan = True

    def _click(self, event: Event, start: Place, still: float) -> Iterator[None]:
        yield
        furthest = 0.0
        while event.type == "mouse_move":
            furthest = max(furthest, *map(abs, _way(start, _place(event))))
            yield
        if furthest < still and self._table is not None:
            self._table.click(start)


def _place(event: Event) -> Place:
    y, x = event.position[-2:]
    return float(y), float(x)


def _way(start: Place, end: Place) -> Place:
    return end[0] - start[0], end[1] - start[1]
