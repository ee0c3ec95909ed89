"""All films of one tube as a strip: height above the carina, lip marks, and moves that nothing explains."""

from __future__ import annotations

from collections.abc import Sequence

from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QPainter, QPaintEvent, QPen
from qtpy.QtWidgets import QWidget

from annotate.drawing.palette import INK, PAPER, PATH, TIP, ZONE
from annotate.logbook.trend import TrendPoint
from annotate.window.marking import Marking
from measure.estimate import Estimate

HEIGHT_PX = 170
LEFT_PX, RIGHT_PX, TOP_PX, BOTTOM_PX = 40.0, 20.0, 24.0, 44.0
LOWEST_CM, HIGHEST_CM = -2.0, 10.0
DOT_PX = 5.0
MOST = 12
"""The newest so many are shown: more would overlap."""


NOW = "now"


class Strip(QWidget):
    """One dot a film with its 95 % interval; the film that is open is a ring."""

    def __init__(self) -> None:
        super().__init__()
        self.points: Sequence[TrendPoint] = ()
        self._marking: Marking | None = None
        self.setFixedHeight(HEIGHT_PX)
        self.hide()

    def show_points(self, points: Sequence[TrendPoint], marking: Marking) -> None:
        """Show these films, and the one that is open."""
        self.points = [point for point in points if point.entry.film != marking.fingerprint][-MOST:]
        self._marking = marking
        self.setVisible(bool(self.points))
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802, the name is Qt's
        """Range, intervals, dots, words."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), QColor(*PAPER))
        self._frame(painter)
        count = len(self.points) + 1
        before: QPointF | None = None
        for place, point in enumerate(self.points):
            when = f"{place - count + 1}" if point.hours is None else _after(point.hours)
            here = self._film(painter, place, count, point.height_on_film_cm, point.lip_mark_cm, when)
            if before is not None:
                flagged = point.unexplained
                painter.setPen(QPen(QColor(*(TIP if flagged else INK)), 2.5 if flagged else 1.0))
                painter.drawLine(before, here)
                if flagged:
                    painter.drawText((before + here) / 2.0 + QPointF(-4.0, -6.0), "!")
            before = here
        self._present(painter, count)
        painter.end()

    def _present(self, painter: QPainter, count: int) -> None:
        reading = None if self._marking is None or self._marking.looking else self._marking.reading
        if reading is not None and reading.distance is not None:
            mark = None if reading.inputs is None else reading.inputs.lip_mark_cm
            self._film(painter, count - 1, count, reading.distance.on_film, mark, NOW)

    def _frame(self, painter: QPainter) -> None:
        accepted = None if self._marking is None else self._marking.reading.accepted_range
        if accepted is not None:
            top, bottom = self._y(min(accepted.high_cm.value, HIGHEST_CM)), self._y(accepted.low_cm.value)
            painter.fillRect(QRectF(LEFT_PX, top, self._wide(), bottom - top), QColor(*ZONE, 70))
        for height in (0, 5, 10):
            y = self._y(float(height))
            painter.setPen(QPen(QColor(*INK, 90), 1.0))
            painter.drawLine(QPointF(LEFT_PX, y), QPointF(LEFT_PX + self._wide(), y))
            painter.setPen(QColor(*INK))
            painter.drawText(QPointF(10.0, y + 4.0), f"{height}")
        painter.drawText(QPointF(10.0, 15.0), "cm above the carina, film by film; below: mark at the lip")

    def _film(
        self, painter: QPainter, place: int, count: int, height: Estimate, lip_mark_cm: float | None, when: str
    ) -> QPointF:
        now = when == NOW
        x = LEFT_PX + self._wide() * (place + 0.5) / count
        at = QPointF(x, self._y(height.value))
        painter.setPen(QPen(QColor(*INK), 1.5))
        painter.drawLine(QPointF(x, self._y(height.low)), QPointF(x, self._y(height.high)))
        painter.setBrush(Qt.BrushStyle.NoBrush if now else QColor(*INK))
        painter.setPen(QPen(QColor(*(PATH if now else INK)), 2.0))
        painter.drawEllipse(at, DOT_PX, DOT_PX)
        painter.setPen(QColor(*INK))
        words = "?" if lip_mark_cm is None else f"{lip_mark_cm:g}"
        painter.drawText(QPointF(x - 8.0, self.height() - 24.0), words)
        painter.drawText(QPointF(x - 14.0, self.height() - 8.0), when)
        return at

    def _wide(self) -> float:
        return self.width() - LEFT_PX - RIGHT_PX

    def _y(self, height_cm: float) -> float:
        share = (min(max(height_cm, LOWEST_CM), HIGHEST_CM) - LOWEST_CM) / (HIGHEST_CM - LOWEST_CM)
        return self.height() - BOTTOM_PX - share * (self.height() - TOP_PX - BOTTOM_PX)


def _after(hours: float) -> str:
    """Hours or days after the first film."""
    return f"+{hours:.0f} h" if hours < 48.0 else f"+{hours / 24.0:.0f} d"
