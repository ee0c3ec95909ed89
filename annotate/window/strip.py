"""All films of one tube as a strip: height above the carina, lip marks, and moves that nothing explains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from qtpy.QtCore import QPointF, QRectF
from qtpy.QtGui import QColor, QPainter, QPaintEvent, QPen
from qtpy.QtWidgets import QWidget

from annotate.drawing.palette import INK, PAPER, PATH, TIP, ZONE
from annotate.logbook.trend import TrendPoint
from annotate.window.marking import Marking
from annotate.window.purpose import Around
from measure.estimate import Estimate

HEIGHT_PX = 170.0
LEFT_PX, RIGHT_PX, TOP_PX, BOTTOM_PX = 40.0, 20.0, 24.0, 44.0
LOWEST_CM, HIGHEST_CM = -2.0, 10.0
DOT_PX, TEXT_PX = 5.0, 13
MOST = 12
"""The newest so many are shown: more would overlap."""


NOW = "now"


@dataclass(frozen=True, slots=True)
class Dot:
    """A film of the strip: height in cm, mark at the lip, when it was taken, whether its move is unexplained."""

    height: Estimate
    lip_mark_cm: float | None
    when: str
    unexplained: bool


class Strip(QWidget):
    """One dot a film with its 95 % interval; the film that is open is a ring.

    Parameters
    ----------
    scale : float
        Of all that is painted, over that of a usual screen.
    """

    def __init__(self, scale: float = 1.0) -> None:
        super().__init__()
        self._scale = scale
        self._before: Sequence[TrendPoint] = ()
        self._after: Sequence[TrendPoint] = ()
        self._marking: Marking | None = None
        self.setFixedHeight(round(scale * HEIGHT_PX))
        self.hide()

    def show_around(self, around: Around, marking: Marking) -> None:
        """Show the film that is open among these."""
        before, after = around
        self._after = after[: MOST // 2]
        self._before = before[len(self._after) - MOST :]
        self._marking = marking
        self.setVisible(bool(self.points))
        self.update()

    @property
    def points(self) -> Sequence[TrendPoint]:
        """The other films that are shown."""
        return (*self._before, *self._after)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802, the name is Qt's
        """Range, intervals, dots, words."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), QColor(*PAPER))
        painter.scale(self._scale, self._scale)
        font = painter.font()
        font.setPixelSize(TEXT_PX)
        painter.setFont(font)
        self._frame(painter)
        films = [*map(_dot, self._before), self._open_film(), *map(_dot, self._after)]
        last: QPointF | None = None
        for place, dot in enumerate(films):
            if dot is not None:
                here = QPointF(LEFT_PX + self._wide() * (place + 0.5) / len(films), self._y(dot.height.value))
                if last is not None:
                    self._join(painter, last, here, dot.unexplained)
                last = here
        for place, dot in enumerate(films):
            if dot is not None:
                self._film(painter, LEFT_PX + self._wide() * (place + 0.5) / len(films), dot)
        painter.end()

    def _open_film(self) -> Dot | None:
        """The film that is open; None while it has no distance."""
        reading = None if self._marking is None or self._marking.looking else self._marking.reading
        if reading is None or reading.distance is None:
            return None
        mark = None if reading.inputs is None else reading.inputs.lip_mark_cm
        return Dot(reading.distance.on_film, mark, NOW, reading.change is not None and reading.change.flagged)

    def _join(self, painter: QPainter, last: QPointF, here: QPointF, unexplained: bool) -> None:
        painter.setPen(QPen(QColor(*(TIP if unexplained else INK)), 2.5 if unexplained else 1.0))
        painter.drawLine(last, here)
        if unexplained:
            painter.drawText((last + here) / 2.0 + QPointF(6.0, -4.0), "!")

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

    def _film(self, painter: QPainter, x: float, dot: Dot) -> None:
        now = dot.when == NOW
        at = QPointF(x, self._y(dot.height.value))
        painter.setPen(QPen(QColor(*INK), 1.5))
        painter.drawLine(QPointF(x, self._y(dot.height.low)), QPointF(x, self._y(dot.height.high)))
        painter.setBrush(QColor(*(PAPER if now else INK)))
        painter.setPen(QPen(QColor(*(PATH if now else INK)), 2.0))
        painter.drawEllipse(at, DOT_PX, DOT_PX)
        painter.setPen(QColor(*(PATH if now else INK)))
        words = "?" if dot.lip_mark_cm is None else f"{dot.lip_mark_cm:g}"
        for text, up in ((words, 24.0), (dot.when, 8.0)):
            wide = painter.fontMetrics().horizontalAdvance(text)
            painter.drawText(QPointF(x - wide / 2.0, HEIGHT_PX - up), text)

    def _wide(self) -> float:
        return self.width() / self._scale - LEFT_PX - RIGHT_PX

    def _y(self, height_cm: float) -> float:
        share = (min(max(height_cm, LOWEST_CM), HIGHEST_CM) - LOWEST_CM) / (HIGHEST_CM - LOWEST_CM)
        return HEIGHT_PX - BOTTOM_PX - share * (HEIGHT_PX - TOP_PX - BOTTOM_PX)


def _dot(point: TrendPoint) -> Dot:
    when = "" if point.hours is None else _after(point.hours)
    return Dot(point.height_on_film_cm, point.lip_mark_cm, when, point.unexplained)


def _after(hours: float) -> str:
    """Hours or days after the first film."""
    return f"+{hours:.0f} h" if hours < 48.0 else f"+{hours / 24.0:.0f} d"
