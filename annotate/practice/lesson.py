"""The marking window as a lesson: a film, an answer, the truth; without Qt."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from annotate.logbook.errors import LogbookError
from annotate.logbook.store import Logbook
from annotate.practice.compare import Answer, Choice, Comparison, compare
from annotate.practice.keeping import keep
from annotate.practice.record import Record, record_of
from annotate.practice.rounds import Round, Source
from annotate.practice.supply import Supply
from annotate.practice.task import Task
from annotate.practice.teaching import Lesson, teach
from annotate.window.marking import Marking
from annotate.window.marks import CARINA, TIP, Marks
from annotate.window.purpose import NotSavedError, Purpose
from imaging.errors import FilmRefusedError
from imaging.film import Film
from measure.advice import FIRST_STEP_CM
from measure.errors import MeasureError
from measure.landmarks import Landmarks

if TYPE_CHECKING:
    from qtpy.QtWidgets import QWidget

    from annotate.window.purpose import Host

CHOICES = (
    Choice.WITHIN_RANGE,
    Choice.TOO_LOW,
    Choice.TOO_HIGH,
    Choice.IN_A_MAIN_BRONCHUS,
    Choice.CANNOT_SAY,
    Choice.NO_TUBE,
)
"""In the order of their keys, 1 to 6. Nobody can hide behind an open limit: someone must decide what to do."""

LONGEST_MOVE_CM = 3.0 * FIRST_STEP_CM
NO_PIXELS = np.zeros((1, 1), np.float32)


@dataclass(slots=True)
class Shown:
    """A film of this sitting.

    Parameters
    ----------
    source : Source
        What the film is made from.
    task : Task
    began : float
        When it was shown, on a clock that only goes forward.
    choice : Choice or None
    withdraw_cm : float or None
    comparison : Comparison or None
        Once answered.
    lesson : Lesson or None
    """

    source: Source
    task: Task
    began: float
    choice: Choice | None = None
    withdraw_cm: float | None = None
    comparison: Comparison | None = None
    lesson: Lesson | None = None

    def put_aside(self) -> None:
        """Let the pixels go: many films, or large ones, would fill the memory."""
        film = replace(self.task.film, pixels=NO_PIXELS)
        self._hold(replace(self.task, film=film))

    def bring_back(self, supply: Supply) -> None:
        """Make the film again."""
        if self.task.film.pixels is NO_PIXELS:
            self._hold(supply.take(self.source))

    def _hold(self, task: Task) -> None:
        self.task = task
        if self.comparison is not None:
            self.comparison = replace(self.comparison, task=task)


class Practice(Purpose):
    """Films of a round, each shown without proposals until it is answered.

    Parameters
    ----------
    round_ : Round
        New, or left off.
    reader : str
    logbook : str or None
        URL; None for the user's own.
    supply : Supply
        Makes the films; its owner closes it.
    clock : callable
        Seconds that only go forward.
    """

    key = "practice"
    title = "practice"
    proposes = False
    has_form = False
    lays_ruler = True
    asks = ""
    compared_as = "true"
    saves_as = "Answer"
    taken_up = "Answered. N: next film."
    keys = (
        ("1 to 6", "choose where the tip lies"),
        ("W", "withdraw by half a centimetre more"),
        ("D", "advance by half a centimetre more"),
        ("0", "leave the tube"),
        ("Ctrl+S", "answer, and see the truth"),
    )

    def __init__(
        self,
        round_: Round,
        reader: str,
        logbook: str | None,
        supply: Supply,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.round = round_
        self.reader = reader
        self.now: Shown | None = None
        self._logbook = logbook
        self._supply = supply
        self._clock = clock
        self._before = len(round_.done)
        self._shown: dict[int, Shown] = {}
        self._on_refresh: Callable[[], None] = lambda: None

    @property
    def paths(self) -> tuple[Path, ...]:
        """Names of the films that are left; they tell nothing of what is on them."""
        return tuple(Path(f"practice film {n + 1}") for n in range(self._before, self.round.settings.length))

    def load(self, path: Path) -> Film:
        """The film of a name.

        Raises
        ------
        ImagingError
            Where the film before is not answered yet, or this one cannot be used.
        """
        if self.now is not None:
            self.now.put_aside()
        self.now = None
        place = self.paths.index(path)
        if place not in self._shown:
            self._shown[place] = self._take(place)
        self._shown[place].bring_back(self._supply)
        self.now = self._shown[place]
        return self.now.task.film

    def _take(self, place: int) -> Shown:
        source = self.round.next()
        if source is None or place != len(self._shown) or any(s.comparison is None for s in self._shown.values()):
            raise FilmRefusedError("Answer the film before this one first: back with P.")
        try:
            task = self._supply.take(source)
        except MeasureError as error:
            raise FilmRefusedError(str(error)) from error
        self._supply.prepare(self.round.coming())
        return Shown(source, task, self._clock())

    # The answer

    def choose(self, choice: Choice) -> None:
        """Say where the tip lies."""
        if self.now is not None and self.now.comparison is None:
            self.now.choice = choice

    def move(self, step_cm: float) -> None:
        """Withdraw by so much more, or advance."""
        if self.now is not None and self.now.comparison is None:
            moved = (self.now.withdraw_cm or 0.0) + step_cm
            self.now.withdraw_cm = min(max(moved, -LONGEST_MOVE_CM), LONGEST_MOVE_CM)

    def leave(self) -> None:
        """Leave the tube where it is."""
        if self.now is not None and self.now.comparison is None:
            self.now.withdraw_cm = 0.0

    def save(self, marking: Marking) -> str:
        """Take the answer, keep it, and let the truth be seen.

        Raises
        ------
        NotSavedError
            Where something is missing, or the logbook refuses.
        """
        shown = self._answerable(marking)
        assert shown.choice is not None
        placed = marking.landmarks
        answer = Answer(placed.tip, placed.carina, shown.choice, shown.withdraw_cm, self._clock() - shown.began)
        comparison = compare(shown.task, answer)
        lesson = teach(comparison)
        record = record_of(self.round.settings, len(self.round.done), comparison, lesson)
        self.round = self.round.answered(self._kept(comparison, record))
        shown.comparison, shown.lesson = comparison, lesson
        after = "The round is finished." if self.round.finished else "N: next film."
        return f"Answered and kept. {after}"

    def _answerable(self, marking: Marking) -> Shown:
        """The film that is shown, where its answer is complete."""
        shown = self.now
        if shown is None or shown.comparison is not None:
            raise NotSavedError("This film is answered. N: next film.")
        if shown.choice is None:
            raise NotSavedError("Choose where the tip lies: keys 1 to 6.")
        if shown.choice is Choice.NO_TUBE:
            return shown
        for name in ("tip", "carina"):
            if not marking.points(name) and name not in marking.marks.not_visible:
                raise NotSavedError(f"Place the {name} ({name[0].upper()}), or say that it is not visible (V).")
        decided = shown.choice is not Choice.CANNOT_SAY
        if decided and shown.withdraw_cm is None:
            raise NotSavedError("Say what to do: W withdraws, D advances by half a centimetre, 0 leaves the tube.")
        if not decided:
            shown.withdraw_cm = None
        return shown

    def _kept(self, comparison: Comparison, record: Record) -> Record:
        try:
            with Logbook.open(self._logbook) as logbook:
                return keep(logbook, self.reader, comparison, record)
        except (LogbookError, OSError) as error:
            raise NotSavedError(f"Not kept: {error}") from error

    # What the window asks

    def tells(self, marking: Marking) -> bool:
        """Never: what there is to tell, the lesson tells."""
        return False

    def earlier(self, marking: Marking) -> tuple[Marks, Mapping[str, str]] | None:
        """The marks of a film that was answered in this sitting."""
        if self.now is None or self.now.comparison is None:
            return None
        answer = self.now.comparison.answer
        placed = {name: at for name, at in ((TIP, answer.tip), (CARINA, answer.carina)) if at is not None}
        return Marks({name: ((at.row, at.column),) for name, at in placed.items()}), {}

    def compared(self, marking: Marking) -> Landmarks | None:
        """The true points, once the film is answered."""
        if not self.locked(marking) or self.now is None:
            return None
        key = self.now.task.key
        return Landmarks(tip=key.tip, carina=key.carina)

    def locked(self, marking: Marking) -> bool:
        """An answer stays as it was given."""
        return self.now is not None and self.now.comparison is not None

    def refreshed(self) -> None:
        """Show question or answer anew."""
        self._on_refresh()

    def widget(self, desk: Host) -> QWidget:
        """Question and answer, for the top of the panel."""
        from annotate.practice.lesson_widget import LessonWidget

        widget = LessonWidget(self, desk)
        self._on_refresh = widget.show_state
        return widget
