"""Every key on one sheet."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QDialog, QDialogButtonBox, QHBoxLayout, QLabel, QVBoxLayout, QWidget

from annotate.window.keys import GROUPS, MOUSE, Key
from annotate.window.size import grown
from measure.cautions import ALWAYS

SHEET_PX = 1180
COLUMNS = ((0,), (1,), (2, 3))
"""Groups in each column; the mouse, and the purpose's own keys, follow in the second."""

EXTRA = COLUMNS[1]

Row = tuple[str, str]
Group = tuple[str, tuple[Row, ...]]

STYLE = "QWidget { background: #1b1e22; color: #f0f0f0; font-size: 13px; }"
SIGNS = (
    "Dashed: proposed by the program. Solid: placed by hand. Thin circle: where the point lies with 95 %. "
    "Brackets: where the tip should lie. Diamond: another reader's point."
)


class HelpSheet(QDialog):
    """Opened by F1, closed by any of F1, Esc, Enter.

    Parameters
    ----------
    parent : QWidget
    own : sequence of (str, str)
        Keys of the window's purpose and what they do.
    title : str
        Of that purpose.
    has_form : bool
        Whether the keys that need the form are there.
    scale : float
        As of `panel.Panel`.
    """

    def __init__(
        self,
        parent: QWidget,
        own: Sequence[Row] = (),
        title: str = "",
        has_form: bool = True,
        scale: float = 1.0,
    ) -> None:
        super().__init__(parent)
        self.setWindowTitle("Keys")
        self.setStyleSheet(grown(STYLE, scale))
        self.setMinimumWidth(round(SHEET_PX * scale))
        columns = QHBoxLayout()
        groups: list[Group] = [(name, _rows(keys, has_form)) for name, keys in GROUPS]
        extra: list[Group] = [("Mouse", MOUSE), *([(title.capitalize(), tuple(own))] if own else [])]
        for numbers in COLUMNS:
            side = [groups[number] for number in numbers if groups[number][1]]
            columns.addWidget(
                _sheet([*side, *(extra if numbers == EXTRA else [])]), alignment=Qt.AlignmentFlag.AlignTop
            )
        signs = QLabel(f"{SIGNS}<br><br>{escape(' '.join(ALWAYS))}")
        signs.setWordWrap(True)
        buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Close, self)
        buttons.rejected.connect(self.reject)
        column = QVBoxLayout(self)
        column.addLayout(columns)
        column.addWidget(signs)
        column.addWidget(buttons)


def _rows(keys: Sequence[Key], has_form: bool) -> tuple[Row, ...]:
    shown = (key for key in keys if key.words and (has_form or not key.needs_form))
    return tuple((" or ".join(key.presses), key.words) for key in shown)


def _sheet(groups: Sequence[Group]) -> QLabel:
    parts = []
    for title, rows in groups:
        lines = "".join(
            f"<tr><td style='padding-right:14px'><b>{escape(press)}</b></td><td>{escape(words)}</td></tr>"
            for press, words in rows
        )
        parts.append(f"<h3 style='margin:6px 0 2px 0'>{title}</h3><table cellspacing='1'>{lines}</table>")
    label = QLabel("".join(parts))
    label.setWordWrap(True)
    return label
