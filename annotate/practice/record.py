"""One answered film as it is kept, and the round it belongs to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from datetime import datetime

from annotate.practice.compare import Choice, Comparison, withdraw_cm
from annotate.practice.staircase import FIRST_DIFFICULTY
from annotate.practice.task import FilmSpec
from annotate.practice.teaching import Lesson, Mistake
from measure.patient import AgeGroup
from measure.reading import Plain

FORMAT = 1
"""Of the object that is kept; a reader of another format refuses it."""

SYNTHETIC = "synthetic"


@dataclass(frozen=True, slots=True)
class RoundSettings:
    """What a round was started with.

    Parameters
    ----------
    ident : str
        When it was started, ISO 8601: rounds sort by it.
    seed : int
    length : int
        Films.
    difficulty : float or None
        None where it follows the trainee, from `start` on.
    start : float
    age_group : AgeGroup
    repeats : tuple of FilmSpec
        Films from earlier rounds that are shown again.
    source : str
        `SYNTHETIC`, or which marks file.
    stage : str
        Of the course; empty for a round of everything.
    """

    ident: str
    seed: int
    length: int
    difficulty: float | None = None
    start: float = FIRST_DIFFICULTY
    age_group: AgeGroup = AgeGroup.ADULT
    repeats: tuple[FilmSpec, ...] = ()
    source: str = SYNTHETIC
    stage: str = ""

    def to_dict(self) -> dict[str, Plain]:
        """JSON-able form."""
        plain: dict[str, Plain] = asdict(self)
        return plain | {
            "age_group": self.age_group.value,
            "repeats": [spec.to_dict() for spec in self.repeats],
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, object]) -> RoundSettings:
        """Read back what `to_dict` wrote."""
        # Rounds before the course name no stage.
        known: dict[str, object] = {"stage": "", **data}
        known = {item.name: known[item.name] for item in fields(cls)}
        repeats = known["repeats"]
        known["repeats"] = tuple(FilmSpec.from_dict(spec) for spec in repeats) if isinstance(repeats, list) else ()
        known["age_group"] = AgeGroup(str(known["age_group"]))
        return cls(**known)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class Record:
    """One film, the answer, and how it compares; lengths on the film, `None` where there is none to tell.

    Parameters
    ----------
    round : RoundSettings
    index : int
        Place in the round, from 0.
    film : str
        Names the film over all rounds.
    spec : FilmSpec or None
        How to make it again; None for a film from a folder.
    tip, carina : (row, column) or None
        As marked, in pixels.
    choice, expected, zone : Choice
        Given, right, and where the tip truly lies: the last two differ in records of the time when an open
        limit was an answer.
    withdraw_cm, expected_withdraw_cm, marks_withdraw_cm : float or None
        Moves: named, right, and following from the trainee's marks.
    true_mm, marked_mm : float or None
        Tip above carina on the film.
    tip_along_mm, tip_across_mm, carina_along_mm, carina_across_mm : float or None
    solved : bool
    seconds : float
    mistake : Mistake
    sentence : str
    time : datetime or None
        When it was kept; None before.
    """

    round: RoundSettings
    index: int
    film: str
    spec: FilmSpec | None
    tip: tuple[float, float] | None
    carina: tuple[float, float] | None
    choice: Choice
    expected: Choice
    zone: Choice
    withdraw_cm: float | None
    expected_withdraw_cm: float | None
    marks_withdraw_cm: float | None
    true_mm: float | None
    marked_mm: float | None
    tip_along_mm: float | None
    tip_across_mm: float | None
    carina_along_mm: float | None
    carina_across_mm: float | None
    solved: bool
    seconds: float
    mistake: Mistake
    sentence: str
    time: datetime | None = None

    @property
    def error_mm(self) -> float | None:
        """Marked less true distance."""
        return None if self.true_mm is None or self.marked_mm is None else self.marked_mm - self.true_mm

    def to_dict(self) -> dict[str, Plain]:
        """JSON-able form; the time is the logbook's own."""
        plain: dict[str, Plain] = {"format": FORMAT}
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, RoundSettings | FilmSpec):
                value = value.to_dict()
            if item.name != "time":
                plain[item.name] = list(value) if isinstance(value, tuple) else value
        return plain

    @classmethod
    def from_dict(cls, data: Mapping[str, object], time: datetime | None = None) -> Record:
        """Read back what `to_dict` wrote.

        Raises
        ------
        ValueError, KeyError, TypeError
            Where it is of another format, or damaged.
        """
        if data["format"] != FORMAT:
            raise ValueError(f"format {data['format']} of a practice entry found, {FORMAT} expected")
        known: dict[str, object] = {item.name: data[item.name] for item in fields(cls) if item.name != "time"}
        settings, spec = known["round"], known["spec"]
        if not isinstance(settings, Mapping):
            raise TypeError("a round's settings expected")
        known["round"] = RoundSettings.from_dict(settings)
        known["spec"] = FilmSpec.from_dict(spec) if isinstance(spec, Mapping) else None
        for name in ("choice", "expected", "zone"):
            known[name] = Choice(str(known[name]))
        for name in ("tip", "carina"):
            at = known[name]
            known[name] = (float(at[0]), float(at[1])) if isinstance(at, list) else None
        known["mistake"] = Mistake(str(known["mistake"]))
        return cls(**known, time=time)  # type: ignore[arg-type]


def record_of(settings: RoundSettings, index: int, comparison: Comparison, lesson: Lesson) -> Record:
    """What is kept of an answered film."""
    answer, task, tip, carina = comparison.answer, comparison.task, comparison.tip, comparison.carina
    distances = (comparison.truth.distance, comparison.from_marks.distance)
    true_mm, marked_mm = (None if d is None else 10.0 * d.on_film.value for d in distances)
    return Record(
        round=settings,
        index=index,
        film=task.ident,
        spec=task.spec,
        tip=None if answer.tip is None else (answer.tip.row, answer.tip.column),
        carina=None if answer.carina is None else (answer.carina.row, answer.carina.column),
        choice=answer.choice,
        expected=comparison.expected,
        zone=comparison.expected,
        withdraw_cm=answer.withdraw_cm,
        expected_withdraw_cm=withdraw_cm(comparison.truth),
        marks_withdraw_cm=withdraw_cm(comparison.from_marks),
        true_mm=true_mm,
        marked_mm=marked_mm,
        tip_along_mm=None if tip is None else tip.along_mm,
        tip_across_mm=None if tip is None else tip.across_mm,
        carina_along_mm=None if carina is None else carina.along_mm,
        carina_across_mm=None if carina is None else carina.across_mm,
        solved=comparison.solved,
        seconds=answer.seconds,
        mistake=lesson.mistake,
        sentence=lesson.sentence,
    )
