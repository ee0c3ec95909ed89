"""A drawing painted: one canvas for everything, in our own window and over napari's."""

from __future__ import annotations

from collections.abc import Iterable

from qtpy.QtCore import QPointF, Qt
from qtpy.QtGui import QColor, QFont, QPainter, QPen, QPolygonF

from annotate.drawing.palette import PAPER, ZONE, Colour
from annotate.window.camera import Camera, Place
from annotate.window.overlay import DASH_PX, Drawing, Label

OUTLINE_PX = 2.0
"""How much wider the dark edge is that lets lines be seen on a bright film."""

OUTLINE_ALPHA, FAINT_ALPHA, BAND_ALPHA, WHOLE = 170, 110, 34, 255
TEXT_PX = 15


def paint(painter: QPainter, drawing: Drawing, camera: Camera, scale: float = 1.0) -> None:
    """Paint a drawing as the camera sees it: the zone, dark edges, lines, words; `scale` as in `View`."""
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    if drawing.band is not None:
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(*ZONE, BAND_ALPHA))
        painter.drawPolygon(_line(drawing.band.tolist(), camera))
        painter.setBrush(Qt.BrushStyle.NoBrush)
    lines = [(stroke, _line(stroke.places.tolist(), camera)) for stroke in drawing.strokes]
    for stroke, line in lines:
        painter.setPen(
            _pen(PAPER, scale * (stroke.weight + OUTLINE_PX), OUTLINE_ALPHA // (2 if stroke.faint else 1))
        )
        painter.drawPolyline(line)
    for stroke, line in lines:
        alpha, dash = FAINT_ALPHA if stroke.faint else WHOLE, scale * DASH_PX if stroke.dashed else 0.0
        painter.setPen(_pen(stroke.colour, scale * stroke.weight, alpha, dash))
        painter.drawPolyline(line)
    font = QFont(painter.font())
    font.setPixelSize(round(scale * TEXT_PX))
    painter.setFont(font)
    for label in drawing.labels:
        _word(painter, label, camera)


def _line(places: Iterable[Place], camera: Camera) -> QPolygonF:
    return QPolygonF([QPointF(*camera.on_screen((y, x))) for y, x in places])


def _pen(colour: Colour, width: float, alpha: int, dash: float = 0.0) -> QPen:
    pen = QPen(QColor(*colour, alpha), width)
    pen.setCapStyle(Qt.PenCapStyle.FlatCap)
    if dash:
        pen.setDashPattern([dash / width, 0.8 * dash / width])
    return pen


def _word(painter: QPainter, label: Label, camera: Camera) -> None:
    x, y = camera.on_screen(label.at)
    metrics = painter.fontMetrics()
    x -= metrics.horizontalAdvance(label.text) if label.aside < 0 else 0.0
    y += metrics.ascent() / 2.0 - 1.0
    painter.setPen(QColor(*PAPER))
    for right, down in ((-1.0, 0.0), (1.0, 0.0), (0.0, -1.0), (0.0, 1.0), (1.0, 1.0)):
        painter.drawText(QPointF(x + right, y + down), label.text)
    painter.setPen(QColor(*label.colour))
    painter.drawText(QPointF(x, y), label.text)
