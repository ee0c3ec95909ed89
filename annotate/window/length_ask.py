"""A small field on the film that asks how long the object is whose ends were just clicked."""

from __future__ import annotations

from qtpy.QtCore import Qt, Signal
from qtpy.QtGui import QKeyEvent
from qtpy.QtWidgets import QHBoxLayout, QLabel, QLineEdit, QWidget

from annotate.window.size import grown

AWAY_PX, FIELD_PX = 18, 90
STYLE = """
#ask { background: #1b1e22; border: 2px solid #f0e442; border-radius: 6px; }
#ask QLabel, #ask QLineEdit { color: #f0f0f0; font-size: 15px; }
#ask QLineEdit { background: #2b3036; border: 1px solid #59626c; border-radius: 4px; padding: 3px 5px; }
"""


class LengthAsk(QWidget):
    """Enter tells the length, Esc leaves it.

    Parameters
    ----------
    scale : float
        As of `panel.Panel`.

    Signals
    -------
    told : str
        What was typed.
    """

    told = Signal(str)

    def __init__(self, scale: float = 1.0) -> None:
        super().__init__()
        self._away = round(AWAY_PX * scale)
        self.setObjectName("ask")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.setStyleSheet(grown(STYLE, scale))
        self._line = QLineEdit()
        self._line.setPlaceholderText("e.g. 11")
        self._line.setFixedWidth(round(FIELD_PX * scale))
        self._line.returnPressed.connect(self._tell)
        row = QHBoxLayout(self)
        row.addWidget(QLabel("True length, mm"))
        row.addWidget(self._line)
        self.hide()

    def ask(self, area: QWidget, at: tuple[float, float]) -> None:
        """Appear beside a place of the film."""
        self.setParent(area)
        self._line.clear()
        self.adjustSize()
        x = min(max(round(at[0]) + self._away, 0), max(area.width() - self.width(), 0))
        y = min(max(round(at[1]) + self._away, 0), max(area.height() - self.height(), 0))
        self.move(x, y)
        self.show()
        self.raise_()
        self._line.setFocus()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802, the name is Qt's
        """Esc leaves it."""
        if event.key() == Qt.Key.Key_Escape:
            self._leave()
        else:
            super().keyPressEvent(event)

    def _tell(self) -> None:
        self.told.emit(self._line.text())
        self._leave()

    def _leave(self) -> None:
        self.hide()
        area = self.parentWidget()
        if area is not None:
            area.setFocus()
