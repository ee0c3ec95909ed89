"""The panel beside the film: the answer in large type, what would sharpen it, the form, the buttons."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from html import escape

from qtpy.QtCore import Qt, Signal
from qtpy.QtGui import QAction
from qtpy.QtWidgets import (
    QComboBox,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QMenu,
    QPushButton,
    QScrollArea,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from annotate.drawing.palette import PATH, TIP, Colour
from annotate.window.form import CLEAR, CLEARLY, FIELDS, NECK, NOT_SHOWN, OBJECT, Field
from annotate.window.length_ask import LengthAsk
from annotate.window.marks import CARINA as CARINA_NAME
from annotate.window.marks import POINTS, WORDS
from annotate.window.marks import TIP as TIP_NAME
from annotate.window.size import grown
from annotate.window.words import Odds, Said
from measure.landmarks import VERTEBRAE
from measure.verdict import Verdict

FORM_COLUMNS = 2
SOFT = "style='color:#c8c8c8; padding-right:12px'"
WIDE = "style='padding-right:18px'"
USUAL_WIDTH_PX, LEAST_WIDTH_PX, TEXT_PX = 456, 400, 13
FIELD_PX, GAP_PX, MARGINS_PX = 60, 7, (12, 10)

TONES: Mapping[Verdict, Colour] = {
    Verdict.WITHIN_RANGE: (64, 190, 150),
    Verdict.TOO_LOW: TIP,
    Verdict.TOO_HIGH: TIP,
    Verdict.IN_A_MAIN_BRONCHUS: TIP,
    Verdict.NEAR_A_LIMIT: PATH,
    Verdict.CANNOT_SAY: (200, 200, 200),
}
"""Behind the verdict, whose sign and words say the same."""


NECK_BUTTONS = (("1  neutral", "neutral"), ("2  flexed", "flexed"), ("3  extended", "extended"))
NOTICE_LINES = 2
"""Room that a notice has, whether there is one or not: the form does not jump."""

STYLE = """
#lipmark { background: #1b1e22; }
#lipmark QWidget { background: #1b1e22; color: #f0f0f0; font-size: 13px; }
#lipmark QLabel#verdict { font-size: 21px; font-weight: bold; color: #101010; padding: 8px 10px;
    border-radius: 6px; }
#lipmark QLabel#move { font-size: 21px; font-weight: bold; }
#lipmark QLabel#where { color: #c8c8c8; }
#lipmark QLabel#notice { color: #f0e442; }
#lipmark QLineEdit, #lipmark QComboBox { background: #2b3036; border: 1px solid #59626c; border-radius: 4px;
    padding: 3px 5px; min-height: 18px; }
#lipmark QLineEdit:focus, #lipmark QComboBox:focus { border: 2px solid #56b4e9; }
#lipmark QLineEdit[wrong="true"], #lipmark QComboBox[wrong="true"] { border: 2px dashed #e69f00; }
#lipmark QPushButton, #lipmark QToolButton { background: #353c44; border: 1px solid #59626c; border-radius: 4px;
    padding: 5px 6px; min-height: 20px; }
#lipmark QPushButton:hover, #lipmark QToolButton:hover { background: #454e58; }
#lipmark QPushButton:disabled { color: #80868c; }
#lipmark QScrollBar:vertical { background: #1b1e22; width: 8px; }
#lipmark QScrollBar::handle:vertical { background: #59626c; border-radius: 4px; min-height: 24px; }
#lipmark QScrollBar::add-line:vertical, #lipmark QScrollBar::sub-line:vertical { height: 0px; image: none; }
#lipmark QPushButton#save { background: #0b5f87; font-weight: bold; }
#lipmark QPushButton:checked { border: 2px solid #56b4e9; }
#lipmark QPushButton[waits="true"] { border: 2px dashed #f0e442; }
"""

DIALOGS = """
QMenu, QDialog { background: #1b1e22; color: #f0f0f0; border: 1px solid #7d8893; font-size: 13px; }
QMenu::item { padding: 5px 22px; }
QMenu::item:selected { background: #0b5f87; }
QDialog QWidget { font-size: 13px; }
QDialogButtonBox { dialogbuttonbox-buttons-have-icons: 0; }
QMessageBox QPushButton, QDialog QPushButton { background: #353c44; color: #f0f0f0; border: 1px solid #59626c;
    border-radius: 4px; padding: 6px 12px; }
QMessageBox QPushButton:default { border: 2px solid #56b4e9; }
QToolTip { background: #2b3036; color: #f0f0f0; border: 1px solid #7d8893; font-size: 13px; }
QSplitter::handle { background: #353c44; }
"""
"""For menus, questions and tips of the whole window."""


class Panel(QWidget):
    """Shows what it is told and tells what is pressed; knows nothing of films.

    Parameters
    ----------
    scale : float
        Of type and controls, over those of a usual screen.

    Signals
    -------
    typed : str, str
        A field of the form and its text.
    chosen : str
        A landmark taken from the menu.
    pressed : str
        An action by its name in `keys`.
    """

    typed = Signal(str, str)
    chosen = Signal(str)
    pressed = Signal(str)

    def __init__(self, scale: float = 1.0) -> None:
        super().__init__()
        self._scale = scale
        self.setObjectName("lipmark")
        self.setStyleSheet(grown(STYLE, scale))
        self.setMinimumWidth(self._px(LEAST_WIDTH_PX))
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self._where, self._notice = _label("where"), _label("notice")
        self._verdict, self._move = _label("verdict"), _label("move")
        self._story = _label("story")
        self._story.setTextFormat(Qt.TextFormat.RichText)
        self._story.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.menu = self._landmark_menu()
        self._fields: dict[str, QLineEdit | QComboBox] = {}
        self._column = QVBoxLayout(self)
        self._column.setContentsMargins(*map(self._px, (*MARGINS_PX, *MARGINS_PX)))
        self._column.setSpacing(self._px(GAP_PX))
        for widget in (self._where, self._verdict, self._move):
            self._column.addWidget(widget)
        self._column.addWidget(self._scrolled(self._story), stretch=1)
        self._points = {
            name: self._button(words, name) for name, words in ((TIP_NAME, "Tip  T"), (CARINA_NAME, "Carina  C"))
        }
        self._necks = {posture: self._button(words, posture, checkable=True) for words, posture in NECK_BUTTONS}
        self._clear = self._button("Clear  K", "clear", checkable=True)
        self._clear.setToolTip("The points were seen without doubt: narrower intervals.")
        self._length = LengthAsk(scale)
        self._length.told.connect(self._length_told)
        self._typing = QWidget()
        self._typing.setLayout(self._form())
        self._column.addWidget(self._typing)
        self._notice.setFixedHeight(NOTICE_LINES * self._px(1.5 * TEXT_PX))
        self._column.addWidget(self._notice)
        self._column.addLayout(self._points_row())
        self._column.addLayout(self._films_row())

    @property
    def usual_width(self) -> int:
        """Width as it opens."""
        return self._px(USUAL_WIDTH_PX)

    def put_on_top(self, widget: QWidget) -> None:
        """Give a widget the panel's top."""
        self._column.insertWidget(1, widget)

    def without_form(self) -> None:
        """Leave out what only a reading needs: what is typed, other landmarks, proposals to accept."""
        for widget in (self._typing, *self._for_a_reading):
            widget.hide()

    def call_save(self, words: str) -> None:
        """Give the button that saves its words."""
        self._save.setText(f"{words}  Ctrl+S")

    def say(self, said: Said) -> None:
        """Show the answer."""
        self._verdict.setText(said.verdict)
        self._verdict.setVisible(bool(said.verdict))
        self._verdict.setStyleSheet(f"background: rgb{TONES[said.tone]};")
        self._move.setText(said.move.replace(" %", "\u00a0%"))
        self._move.setVisible(bool(said.move))
        self._story.setText(_story(said))

    def place(self, where: str, notice: str) -> None:
        """Show which film of how many, and what the reader should know."""
        self._where.setText(where)
        self._notice.setText(notice)
        self._notice.setToolTip(notice)

    def fill(self, texts: Mapping[str, str], hints: Mapping[str, str], enabled: bool) -> None:
        """Show a film's form; hints are what the film itself says."""
        for posture, button in self._necks.items():
            button.setChecked(texts.get(NECK) == posture)
            button.setEnabled(enabled)
        self._clear.setChecked(texts.get(CLEARLY) == CLEAR)
        self._length.hide()
        for field in _shown_fields():
            widget, text = self._fields[field.key], texts.get(field.key, "")
            widget.setEnabled(enabled)
            blocked = widget.blockSignals(True)
            if isinstance(widget, QComboBox):
                widget.setItemText(0, hints.get(field.key, field.hint))
                widget.setCurrentIndex(widget.findData(text))
            else:
                widget.setPlaceholderText(hints.get(field.key, field.hint))
                widget.setText(text)
            widget.blockSignals(blocked)

    def mark_problems(self, problems: Mapping[str, str]) -> None:
        """Edge the fields that could not be used, and say why on them."""
        for field in _shown_fields():
            widget, problem = self._fields[field.key], problems.get(field.key, "")
            widget.setToolTip(problem or field.why)
            if bool(widget.property("wrong")) != bool(problem):
                widget.setProperty("wrong", bool(problem))
                widget.style().unpolish(widget)
                widget.style().polish(widget)

    def mark_chosen(self, selected: str, waiting: str) -> None:
        """Show on the buttons of tip and carina which is taken, and which waits for a click."""
        for name, button in self._points.items():
            button.setCheckable(True)
            button.setChecked(name == selected)
            if bool(button.property("waits")) != (name == waiting):
                button.setProperty("waits", name == waiting)
                button.style().unpolish(button)
                button.style().polish(button)

    def focus_form(self, key: str) -> None:
        """Put the keyboard into a field."""
        self.show()
        self._fields[key].setFocus(Qt.FocusReason.ShortcutFocusReason)

    def ask_length(self, area: QWidget, at: tuple[float, float]) -> None:
        """Ask on the film for the length of the object whose ends were just clicked."""
        self._length.ask(area, at)

    def _px(self, size: float) -> int:
        return round(size * self._scale)

    def _length_told(self, text: str) -> None:
        widget = self._fields[OBJECT]
        if isinstance(widget, QLineEdit):
            widget.setText(text)
        self.typed.emit(OBJECT, text)

    def _form(self) -> QGridLayout:
        grid = QGridLayout()
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(self._px(8))
        grid.setVerticalSpacing(self._px(4))
        grid.addWidget(QLabel("Neck"), 0, 0)
        necks = QHBoxLayout()
        for button in self._necks.values():
            necks.addWidget(button)
        grid.addLayout(necks, 0, 1, 1, 2 * FORM_COLUMNS - 1)
        for number, field in enumerate(_shown_fields(), FORM_COLUMNS):
            row, column = divmod(number, FORM_COLUMNS)
            widget = self._combo(field) if field.choices else self._line(field)
            label = QLabel(field.label)
            label.setBuddy(widget)
            widget.setAccessibleName(field.label)
            widget.setToolTip(field.why)
            self._fields[field.key] = widget
            grid.addWidget(label, row, 2 * column)
            grid.addWidget(widget, row, 2 * column + 1)
        return grid

    def _line(self, field: Field) -> QLineEdit:
        line = QLineEdit()
        line.setPlaceholderText(field.hint)
        line.setMinimumWidth(self._px(FIELD_PX))
        line.textEdited.connect(lambda text: self.typed.emit(field.key, text))
        return line

    def _combo(self, field: Field) -> QComboBox:
        combo = QComboBox()
        combo.addItem(field.hint, "")
        for choice in field.choices:
            combo.addItem(str(choice), str(choice))
        combo.currentIndexChanged.connect(lambda _: self.typed.emit(field.key, str(combo.currentData())))
        return combo

    def _points_row(self) -> QHBoxLayout:
        other = QToolButton()
        other.setText("Other  O")
        other.setToolTip("Other landmarks: mandible, vertebrae, cords, cuff, walls, an object of known length")
        other.setMenu(self.menu)
        other.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        accept = self._button("Accept  A", "accept")
        self._for_a_reading: tuple[QWidget, ...] = (other, accept, self._clear)
        row = QHBoxLayout()
        row.setSpacing(self._px(4))
        for widget in (*self._points.values(), other, accept, self._clear, self._button("Undo", "undo")):
            row.addWidget(widget)
        return row

    def _films_row(self) -> QHBoxLayout:
        row = QHBoxLayout()
        row.addWidget(self._button("◀ Previous  P", "previous_film"))
        self._save = self._button("", "save")
        self._save.setObjectName("save")
        row.addWidget(self._save, stretch=1)
        row.addWidget(self._button("Next  N ▶", "next_film"))
        row.addWidget(self._button("Help  F1", "help"))
        return row

    def _button(self, text: str, action: str, checkable: bool = False) -> QPushButton:
        button = QPushButton(text)
        button.setCheckable(checkable)
        button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        button.clicked.connect(lambda: self.pressed.emit(action))
        return button

    def _landmark_menu(self) -> QMenu:
        menu = QMenu(self)
        vertebrae = QMenu("vertebrae", menu)
        for name in POINTS:
            if name in (TIP_NAME, CARINA_NAME):
                continue
            home = vertebrae if name in VERTEBRAE else menu
            action = QAction(WORDS[name], home)
            action.triggered.connect(self._chooser(name))
            home.addAction(action)
        menu.addMenu(vertebrae)
        return menu

    def _chooser(self, name: str) -> Callable[[], None]:
        return lambda: self.chosen.emit(name)

    def _scrolled(self, widget: QWidget) -> QScrollArea:
        area = QScrollArea()
        area.setWidget(widget)
        area.setWidgetResizable(True)
        area.setFrameShape(QFrame.Shape.NoFrame)
        area.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        return area


def _shown_fields() -> tuple[Field, ...]:
    return tuple(field for field in FIELDS if field.key not in NOT_SHOWN)


def _label(name: str) -> QLabel:
    label = QLabel()
    label.setObjectName(name)
    label.setWordWrap(True)
    return label


def _story(said: Said) -> str:
    """Everything below the move, as rich text."""
    parts = [f"<p>{escape(said.reason)}</p>" if said.reason else "", _odds(said.odds)]
    if said.unknown:
        parts.append(f"<p><b>Would sharpen it, the most worth first</b></p>{_list(said.unknown)}")
    parts.append(_table(said.facts))
    if said.cautions:
        parts.append(f"<p><b>Mind</b></p>{_list(said.cautions)}")
    return "".join(parts)


def _list(texts: tuple[str, ...]) -> str:
    items = "".join(f"<li>{escape(text)}</li>" for text in texts)
    return f"<ul style='margin-left:-22px; margin-top:2px'>{items}</ul>"


def _odds(odds: tuple[Odds, ...]) -> str:
    """Chances now, and after the move where there is one."""
    if not odds:
        return ""
    moved = any(each.after for each in odds)
    head = f"<tr><td></td><td {SOFT}>now</td>{f'<td {SOFT}>after the move</td>' if moved else ''}</tr>"
    rows = "".join(
        f"<tr><td {SOFT}>{escape(each.zone)}</td><td {WIDE}>{escape(each.now)}</td>"
        + (f"<td><b>{escape(each.after)}</b></td>" if moved else "")
        + "</tr>"
        for each in odds
    )
    return f"<table>{head}{rows}</table>"


def _table(facts: tuple[tuple[str, str], ...]) -> str:
    rows = "".join(f"<tr><td {SOFT}>{escape(label)}</td><td>{escape(text)}</td></tr>" for label, text in facts)
    return f"<table>{rows}</table>" if rows else ""
