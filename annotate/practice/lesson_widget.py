"""Question and answer at the top of the window's panel."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from html import escape

from qtpy.QtCore import Qt
from qtpy.QtGui import QKeySequence, QShortcut
from qtpy.QtWidgets import QGridLayout, QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from annotate.practice.lesson import CHOICES, Practice, Shown
from annotate.practice.lesson_words import (
    Row,
    move_named,
    round_in_words,
    told_after,
    told_before,
)
from annotate.practice.progress import progress_of
from annotate.window.purpose import Host
from annotate.window.size import grown
from measure.advice import STEP_CM

STYLE = """
QPushButton:checked { border: 3px solid #56b4e9; font-weight: bold; }
QPushButton:disabled { color: #80868c; }
QLabel#head { font-size: 19px; font-weight: bold; }
QLabel#outcome { font-size: 19px; font-weight: bold; color: #101010; padding: 6px 10px; border-radius: 6px; }
QLabel#sentence { font-size: 15px; }
"""
SOLVED, NOT_SOLVED = (64, 190, 150), (230, 159, 0)
"""Behind the outcome, whose sign and words say the same."""

SOFT = "color:#c8c8c8"
COLUMNS = 2


class LessonWidget(QWidget):
    """Shows the question until it is answered, then the truth.

    Parameters
    ----------
    practice : Practice
    desk : Host
        Of the window; its film area gets the keys.
    """

    def __init__(self, practice: Practice, desk: Host) -> None:
        super().__init__()
        self._practice, self._desk = practice, desk
        self.setStyleSheet(grown(STYLE, desk.scale))
        self._told = _label()
        self._moved = _label()
        self._choices = [self._choice_button(number, choice.value) for number, choice in enumerate(CHOICES, 1)]
        self._outcome, self._sentence, self._facts = _label("outcome"), _label("sentence"), _label()
        self._before, self._after = self._question(), self._answer()
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self._before)
        column.addWidget(self._after)
        self._shortcuts = list(self._bound(desk.film_area))
        self.show_state()

    def show_state(self) -> None:
        """Show how the film stands that is open."""
        shown = self._practice.now
        self.setVisible(shown is not None)
        if shown is None:
            return
        answered = shown.comparison is not None
        self._before.setVisible(not answered)
        self._after.setVisible(answered)
        if answered:
            self._show_answer(shown)
        else:
            self._show_question(shown)

    def _show_question(self, shown: Shown) -> None:
        self._told.setText(_table((label, text) for label, text in told_before(shown.task)))
        self._moved.setText(f"What to do at the lip: <b>{escape(move_named(shown.withdraw_cm))}</b>")
        for choice, button in zip(CHOICES, self._choices, strict=True):
            button.setChecked(choice is shown.choice)

    def _show_answer(self, shown: Shown) -> None:
        if shown.comparison is None or shown.lesson is None:
            return
        solved = shown.comparison.solved
        self._outcome.setText("✓ SOLVED" if solved else "✗ NOT SOLVED")
        self._outcome.setStyleSheet(f"background: rgb{SOLVED if solved else NOT_SOLVED};")
        self._sentence.setText(shown.lesson.sentence)
        facts = _comparison(told_after(shown.comparison))
        if self._practice.round.finished:
            figures = progress_of(self._practice.round.done)
            facts += f"<p><b>The round</b></p>{_table(round_in_words(figures))}"
        self._facts.setText(facts)

    def _question(self) -> QWidget:
        page = QWidget()
        column = QVBoxLayout(page)
        column.setContentsMargins(0, 0, 0, 0)
        head = _label("head")
        head.setText("Where does the tip lie?")
        how = _label()
        how.setText(
            "Place the tip (T) and the carina (C), or say that one is not visible (V). Then a ruler lies there: "
            "bend it along the airway by its grips (R takes it away)."
        )
        grid = QGridLayout()
        for number, button in enumerate(self._choices):
            grid.addWidget(button, number // COLUMNS, number % COLUMNS)
        moves = QHBoxLayout()
        for text, act in (
            ("D  advance", partial(self._practice.move, -STEP_CM)),
            ("0  leave", self._practice.leave),
            ("W  withdraw", partial(self._practice.move, STEP_CM)),
        ):
            moves.addWidget(self._button(text, act))
        for item in (head, how, self._told):
            column.addWidget(item)
        column.addLayout(grid)
        column.addWidget(self._moved)
        column.addLayout(moves)
        return page

    def _answer(self) -> QWidget:
        page = QWidget()
        column = QVBoxLayout(page)
        column.setContentsMargins(0, 0, 0, 0)
        self._facts.setTextFormat(Qt.TextFormat.RichText)
        for item in (self._outcome, self._sentence, self._facts):
            column.addWidget(item)
        return page

    def _choice_button(self, number: int, words: str) -> QPushButton:
        button = self._button(f"{number}  {words}", partial(self._practice.choose, CHOICES[number - 1]))
        button.setCheckable(True)
        return button

    def _button(self, text: str, act: Callable[[], None]) -> QPushButton:
        button = QPushButton(text)
        button.setFocusPolicy(Qt.FocusPolicy.TabFocus)
        button.clicked.connect(partial(self._do, act))
        return button

    def _bound(self, area: QWidget) -> Iterable[QShortcut]:
        keys: dict[str, Callable[[], None]] = {
            str(number): partial(self._practice.choose, choice) for number, choice in enumerate(CHOICES, 1)
        }
        keys |= {
            "W": partial(self._practice.move, STEP_CM),
            "D": partial(self._practice.move, -STEP_CM),
            "0": self._practice.leave,
        }
        for press, act in keys.items():
            shortcut = QShortcut(QKeySequence(press), area)
            shortcut.setContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
            shortcut.activated.connect(partial(self._do, act))
            yield shortcut

    def _do(self, act: Callable[[], None], *_: object) -> None:
        act()
        self._desk.refresh()


def _label(name: str = "") -> QLabel:
    label = QLabel()
    label.setObjectName(name)
    label.setWordWrap(True)
    return label


def _table(rows: Iterable[tuple[str, str]]) -> str:
    cells = "".join(
        f"<tr><td style='{SOFT}; padding-right:10px'>{escape(label)}</td><td>{escape(text)}</td></tr>"
        for label, text in rows
    )
    return f"<table>{cells}</table>"


def _comparison(rows: Iterable[Row]) -> str:
    """Yours beside the truth; what has no counterpart takes both columns."""
    cells = [f"<tr><td></td><td style='{SOFT}'>yours</td><td style='{SOFT}'>true</td></tr>"]
    for row in rows:
        label = f"<td style='{SOFT}; padding-right:10px'>{escape(row.label)}</td>"
        if row.true:
            cells.append(f"<tr>{label}<td style='padding-right:10px'>{escape(row.yours)}</td>")
            cells.append(f"<td><b>{escape(row.true)}</b></td></tr>")
        else:
            cells.append(f"<tr>{label}<td colspan='2'>{escape(row.yours)}</td></tr>")
    return f"<table cellspacing='2'>{''.join(cells)}</table>"
