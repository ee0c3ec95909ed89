"""A film on the screen with its marks, painted by Qt without a graphics card; a drag repaints the marks only."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from qtpy.QtCore import QPointF, QRectF, Qt, Signal
from qtpy.QtGui import QImage, QMouseEvent, QPainter, QPaintEvent, QPixmap, QResizeEvent, QWheelEvent
from qtpy.QtWidgets import QWidget

from annotate.window.camera import Camera, Place
from annotate.window.grey import Levels, Sizes
from annotate.window.overlay import Drawing
from annotate.window.paint import paint
from annotate.window.view import Table
from imaging.film import Film

REACH_PX = 16.0
"""A point is taken within this many screen pixels (ours)."""

STILL_PX = 4.0
"""A press that moves less is a click (ours)."""

WHEEL_STEP = 1.0015
"""Closer by this for each of the 120 parts of a notch."""

LEVELS_PER_PX = 1.0 / 300.0
"""Share of the window's width for a screen pixel that the right button is dragged (ours)."""

Doing = Callable[[QPointF], None]


class FilmView(QWidget):
    """See `view.View`.

    Parameters
    ----------
    scale : float
        Of type and signs, over those of a usual screen.
    """

    moved = Signal()
    resized = Signal()

    def __init__(self, scale: float = 1.0) -> None:
        super().__init__()
        self._scale = scale
        self.setObjectName("film")
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setMinimumWidth(200)
        self._camera, self._levels = Camera(), Levels()
        self._film: Film | None = None
        self._sizes: Sizes | None = None
        self._drawing = Drawing()
        self._backdrop: QPixmap | None = None
        self._grey_table: tuple[Levels, np.ndarray[tuple[int], np.dtype[np.uint8]]] | None = None
        self._table: Table | None = None
        self._doing: Doing | None = None
        self._end: Doing | None = None

    @property
    def area(self) -> QWidget:
        """The widget itself."""
        return self

    @property
    def scale(self) -> float:
        """Of type and signs."""
        return self._scale

    @property
    def camera(self) -> Camera:
        """What is seen."""
        return replace(self._camera, size=(self.width(), self.height()))

    @camera.setter
    def camera(self, camera: Camera) -> None:
        self._camera = camera
        self._backdrop = None
        self.moved.emit()
        self.update()

    @property
    def levels(self) -> Levels:
        """Film values shown black and white."""
        return self._levels

    @levels.setter
    def levels(self, levels: Levels) -> None:
        self._levels = levels
        self._backdrop = None
        self.update()

    def serve(self, table: Table) -> None:
        """Tell the mouse's doings to a table."""
        self._table = table

    def show_film(self, film: Film) -> None:
        """Put a film in place of the one before."""
        self._film, self._sizes = film, Sizes(film.pixels)
        self._drawing, self._backdrop = Drawing(), None
        self.update()

    def show_drawing(self, drawing: Drawing) -> None:
        """Draw over it."""
        self._drawing = drawing
        self.update()

    def clear(self) -> None:
        """Show nothing."""
        self._film = self._sizes = self._backdrop = None
        self._drawing = Drawing()
        self.update()

    def release(self) -> None:
        """Let go of the table."""
        self._table = None
        self.clear()

    # Painting

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802, the name is Qt's
        """The film as it was rendered last, and the marks over it."""
        painter = QPainter(self)
        if self._film is None:
            painter.fillRect(self.rect(), Qt.GlobalColor.black)
        else:
            if self._backdrop is None or self._backdrop.devicePixelRatio() != self.devicePixelRatioF():
                self._backdrop = self._rendered()
            painter.drawPixmap(0, 0, self._backdrop)
            paint(painter, self._drawing, self.camera, self._scale)
        painter.end()

    def _rendered(self) -> QPixmap:
        dots = self.devicePixelRatioF()
        backdrop = QPixmap(self.size() * dots)
        backdrop.setDevicePixelRatio(dots)
        backdrop.fill(Qt.GlobalColor.black)
        if self._film is None or self._sizes is None:
            return backdrop
        camera, aspect = self.camera, self._film.pixel_aspect
        depths, size = self._sizes.best_for(camera.zoom * dots)
        (top, left), (bottom, right) = camera.on_film(0.0, 0.0), camera.on_film(*map(float, camera.size))
        first_row, first_column = max(int(top / aspect / size) - 1, 0), max(int(left / size) - 1, 0)
        part = depths[first_row : int(bottom / aspect / size) + 3, first_column : int(right / size) + 3]
        if part.size == 0:
            return backdrop
        grey = np.ascontiguousarray(self._greys()[part])
        rows, columns = grey.shape
        image = QImage(grey.data, columns, rows, columns, QImage.Format.Format_Grayscale8)
        x, y = camera.on_screen(((first_row * size - 0.5) * aspect, first_column * size - 0.5))
        painter = QPainter(backdrop)
        painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
        zoom = camera.zoom * size
        painter.drawImage(QRectF(x, y, columns * zoom, rows * aspect * zoom), image)
        painter.end()
        return backdrop

    def _greys(self) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
        if self._grey_table is None or self._grey_table[0] != self._levels:
            self._grey_table = (self._levels, self._levels.table())
        return self._grey_table[1]

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802, the name is Qt's
        """Another size: the backdrop is rendered again."""
        super().resizeEvent(event)
        self._backdrop = None
        self.resized.emit()

    # The mouse

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802, the name is Qt's
        """Take a point, move the film, or change the window."""
        self.setFocus(Qt.FocusReason.MouseFocusReason)
        start = event.position()
        if self._film is None or self._table is None or self._doing is not None:
            return
        if event.button() == Qt.MouseButton.RightButton:
            self._doing, self._end = self._levelling(start), None
        elif event.button() == Qt.MouseButton.MiddleButton:
            self._doing, self._end = self._moving(start), None
        elif event.button() == Qt.MouseButton.LeftButton:
            place = self._place(start)
            if self._table.take_near(place, REACH_PX * self._scale / self._camera.zoom):
                self._doing, self._end = self._dragging(place), self._dropping(place)
            else:
                self._doing, self._end = self._moving(start), self._clicking(start)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802, the name is Qt's
        """Go on with it, or hover."""
        if self._doing is not None:
            self._doing(event.position())
        elif self._table is not None and self._film is not None:
            self._table.hover(self._place(event.position()))

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802, the name is Qt's
        """End it."""
        if event.buttons():
            return
        end, self._doing, self._end = self._end, None, None
        if end is not None:
            end(event.position())

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802, the name is Qt's
        """Closer or farther, about the mouse."""
        if self._table is None:
            return
        at = event.position()
        self.camera = self.camera.closer(WHEEL_STEP ** event.angleDelta().y(), at.x(), at.y())
        event.accept()

    def leaveEvent(self, event: object) -> None:  # noqa: N802, the name is Qt's
        """The mouse is gone."""
        if self._table is not None:
            self._table.leave()

    def _place(self, at: QPointF) -> Place:
        return self.camera.on_film(at.x(), at.y())

    def _dragging(self, start: Place) -> Doing:
        def drag(at: QPointF) -> None:
            if self._table is not None:
                here = self._place(at)
                self._table.drag(_way(start, here))
                self._table.hover(here)

        return drag

    def _dropping(self, start: Place) -> Doing:
        pressed = self.camera.on_screen(start)

        def drop(at: QPointF) -> None:
            if self._table is not None:
                here = pressed == (at.x(), at.y())
                self._table.drop((0.0, 0.0) if here else _way(start, self._place(at)))

        return drop

    def _moving(self, start: QPointF) -> Doing:
        before = self.camera

        def move(at: QPointF) -> None:
            by = at - start
            if max(abs(by.x()), abs(by.y())) >= STILL_PX * self._scale:
                self.camera = before.moved(by.x(), by.y())

        return move

    def _clicking(self, start: QPointF) -> Doing:
        place = self._place(start)

        def click(at: QPointF) -> None:
            by = at - start
            if self._table is not None and max(abs(by.x()), abs(by.y())) < STILL_PX * self._scale:
                self._table.click(place)

        return click

    def _levelling(self, start: QPointF) -> Doing:
        before = self._levels

        def level(at: QPointF) -> None:
            by = at - start
            self.levels = before.shifted(-by.y() * LEVELS_PER_PX, by.x() * LEVELS_PER_PX)

        return level


def _way(start: Place, end: Place) -> Place:
    return end[0] - start[0], end[1] - start[1]
