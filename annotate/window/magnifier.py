"""A round glass beside the cursor: the film enlarged, with a cross on the exact place."""

from __future__ import annotations

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
    """

    def __init__(self, parent: QWidget) -> None:
        super().__init__(parent)
        self._over = parent
        self.setFixedSize(SIDE_PX, SIDE_PX)
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self._image: QImage | None = None
        self.hide()

    def show_at(self, screen: tuple[float, float], grey: NDArray[np.uint8]) -> None:
        """Show a square part of the film whose middle is the place under the cursor.

        Parameters
        ----------
        screen : (float, float)
            X and y of that place on the parent.
        grey : ndarray of uint8, shape (n, n)
            The part, sampled as it is to be shown.
        """
        held = np.ascontiguousarray(grey)
        rows, columns = held.shape
        self._image = QImage(held.tobytes(), columns, rows, columns, QImage.Format.Format_Grayscale8).copy()
        self._move_beside(screen)
        self.show()
        self.raise_()
        self.update()

    def _move_beside(self, screen: tuple[float, float]) -> None:
        x, y = screen[0] + AWAY_PX, screen[1] - AWAY_PX - SIDE_PX
        if x + SIDE_PX > self._over.width():
            x = screen[0] - AWAY_PX - SIDE_PX
        if y < 0:
            y = screen[1] + AWAY_PX
        self.move(round(x), round(y))

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802, the name is Qt's
        """The glass, its rim and the cross."""
        if self._image is None:
            return
        painter = QPainter(self)
        painter.setRenderHints(QPainter.RenderHint.Antialiasing | QPainter.RenderHint.SmoothPixmapTransform)
        glass = QRectF(2.0, 2.0, SIDE_PX - 4.0, SIDE_PX - 4.0)
        round_glass = QPainterPath()
        round_glass.addEllipse(glass)
        painter.save()
        painter.setClipPath(round_glass)
        painter.drawImage(glass, self._image)
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


def sampled(pixels: NDArray[np.float32], row: float, column: float, pixel_aspect: float) -> NDArray[np.float32]:
    """The part of a film under the glass, to a tenth of a pixel; beyond the edge it is black.

    Parameters
    ----------
    pixels : ndarray of float32, shape (rows, columns)
        The film.
    row, column : float
        The middle.
    pixel_aspect : float
        Row spacing over column spacing.

    Returns
    -------
    ndarray of float32, shape (SIDE_PX, SIDE_PX)
    """
    from scipy.ndimage import map_coordinates

    steps = (np.arange(SIDE_PX) - (SIDE_PX - 1) / 2.0) * SHOWN_PIXELS / SIDE_PX
    top = max(int(row - SHOWN_PIXELS / 2.0 / pixel_aspect) - 2, 0)
    left = max(int(column - SHOWN_PIXELS / 2.0) - 2, 0)
    part = pixels[
        top : int(row + SHOWN_PIXELS / 2.0 / pixel_aspect) + 3, left : int(column + SHOWN_PIXELS / 2.0) + 3
    ]
    if part.size == 0:
        return np.zeros((SIDE_PX, SIDE_PX), np.float32)
    rows, columns = np.meshgrid(row - top + steps / pixel_aspect, column - left + steps, indexing="ij")
    return np.asarray(map_coordinates(part, [rows, columns], order=1, cval=0.0), np.float32)
