"""A round glass beside the cursor: the film enlarged, with a cross on the exact place."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QImage, QPainter, QPainterPath, QPaintEvent, QPen
from qtpy.QtWidgets import QWidget

from annotate.drawing.palette import INK, PAPER

SIDE_PX = 200
AWAY_PX = 36
SHOWN_PIXELS = 50.0
"""Film pixels across the glass: each is four of the screen."""


class Magnifier(QWidget):
    """Lies over the film, takes no mouse.

    Parameters
    ----------
    parent : QWidget
        What it lies over.
    scale : float
        As of `view.View`.
    """

    def __init__(self, parent: QWidget, scale: float = 1.0) -> None:
        super().__init__(parent)
        self._over, self._scale = parent, scale
        self.setFixedSize(round(scale * SIDE_PX), round(scale * SIDE_PX))
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self._image: QImage | None = None
        self._shown = QRectF()
        self.hide()

    def show_at(self, screen: tuple[float, float], grey: NDArray[np.uint8], shown: QRectF) -> None:
        """Show a part of the film whose middle is the place under the cursor.

        Parameters
        ----------
        screen : (float, float)
            X and y of that place on the parent.
        grey : ndarray of uint8, shape (rows, columns)
            A part of the film as it is to be shown.
        shown : QRectF
            What of it fills the glass, to fractions of a pixel.
        """
        held = np.ascontiguousarray(grey)
        rows, columns = held.shape
        self._image = QImage(held.tobytes(), columns, rows, columns, QImage.Format.Format_Grayscale8).copy()
        self._shown = shown
        self._move_beside(screen)
        self.show()
        self.raise_()
        self.update()

    def _move_beside(self, screen: tuple[float, float]) -> None:
        away, side = self._scale * AWAY_PX, self._scale * SIDE_PX
        x, y = screen[0] + away, screen[1] - away - side
        if x + side > self._over.width():
            x = screen[0] - away - side
        if y < 0:
            y = screen[1] + away
        self.move(round(x), round(y))

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802, the name is Qt's
        """The glass, its rim and the cross."""
        if self._image is None:
            return
        painter = QPainter(self)
        painter.setRenderHints(QPainter.RenderHint.Antialiasing | QPainter.RenderHint.SmoothPixmapTransform)
        painter.scale(self._scale, self._scale)
        glass = QRectF(2.0, 2.0, SIDE_PX - 4.0, SIDE_PX - 4.0)
        round_glass = QPainterPath()
        round_glass.addEllipse(glass)
        painter.save()
        painter.setClipPath(round_glass)
        painter.drawImage(glass, self._image, self._shown)
        painter.restore()
        middle, arm, gap = SIDE_PX / 2.0, 26.0, 5.0
        for colour, width in ((QColor(*PAPER), 4.0), (QColor(*INK), 1.5)):
            painter.setPen(QPen(colour, width))
            for side in (-1.0, 1.0):
                near, far = middle + side * gap, middle + side * arm
                painter.drawLine(QPointF(near, middle), QPointF(far, middle))
                painter.drawLine(QPointF(middle, near), QPointF(middle, far))
            painter.drawEllipse(glass)
        painter.end()


def under_glass(
    pixels: NDArray[np.float32], row: float, column: float, pixel_aspect: float
) -> tuple[NDArray[np.float32], QRectF]:
    """The part of a film under the glass, and what of it is shown; beyond the edge it is black.

    Parameters
    ----------
    pixels : ndarray of float32, shape (rows, columns)
        The film.
    row, column : float
        The middle.
    pixel_aspect : float
        Row spacing over column spacing.
    """
    high, wide = SHOWN_PIXELS / pixel_aspect, SHOWN_PIXELS
    # A pixel's middle is its whole number; a picture's first pixel reaches from 0 to 1.
    top, left = row + 0.5 - high / 2.0, column + 0.5 - wide / 2.0
    first_row, first_column = math.floor(top) - 1, math.floor(left) - 1
    part = np.zeros((math.ceil(high) + 4, math.ceil(wide) + 4), np.float32)
    rows, columns = pixels.shape
    inside_rows = slice(max(first_row, 0), max(min(first_row + part.shape[0], rows), 0))
    inside_columns = slice(max(first_column, 0), max(min(first_column + part.shape[1], columns), 0))
    found = pixels[inside_rows, inside_columns]
    if found.size:
        down, across = inside_rows.start - first_row, inside_columns.start - first_column
        part[down : down + found.shape[0], across : across + found.shape[1]] = found
    return part, QRectF(left - first_column, top - first_row, wide, high)
