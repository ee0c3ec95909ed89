"""A round: which film comes next, and what has been answered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from annotate.practice.course import STAGES, Stage, draw_stage
from annotate.practice.marks_file import MarkedFilm
from annotate.practice.record import SYNTHETIC, Record, RoundSettings
from annotate.practice.repetition import due
from annotate.practice.staircase import FIRST_DIFFICULTY, next_difficulty, reached
from annotate.practice.synthetic import draw_spec
from annotate.practice.task import FilmSpec
from measure.patient import AgeGroup

REPEAT_EVERY = 3
"""Every third film of a round may be one from before: among new ones it is not known by its place (ours)."""

Source = FilmSpec | MarkedFilm
"""What a task is made from."""


@dataclass(frozen=True, slots=True)
class Round:
    """A round in progress; frozen, an answer makes a new one.

    Parameters
    ----------
    settings : RoundSettings
    done : tuple of Record
        Answered films in their order.
    films : tuple of MarkedFilm
        Of a folder; empty for synthetic films.
    """

    settings: RoundSettings
    done: tuple[Record, ...] = ()
    films: tuple[MarkedFilm, ...] = ()

    @property
    def finished(self) -> bool:
        """Whether every film is answered."""
        return len(self.done) >= self.settings.length

    @property
    def difficulty(self) -> float:
        """Difficulty of the next new film."""
        if self.settings.difficulty is not None:
            return self.settings.difficulty
        return reached((record.solved for record in self.done), self.settings.start)

    def answered(self, record: Record) -> Round:
        """The round with one more film answered."""
        return replace(self, done=(*self.done, record))

    def next(self) -> Source | None:
        """The film to be shown now; None where the round is finished."""
        return None if self.finished else self._at(len(self.done), self.difficulty)

    def coming(self) -> tuple[Source, ...]:
        """What may be shown after the film that is shown now: one film for each outcome, to be made beforehand."""
        place = len(self.done) + 1
        if place >= self.settings.length:
            return ()
        fixed = self.settings.difficulty
        outcomes = (
            (fixed,) if fixed is not None else tuple(next_difficulty(self.difficulty, o) for o in (True, False))
        )
        return tuple(dict.fromkeys(self._at(place, difficulty) for difficulty in outcomes))

    def _at(self, place: int, difficulty: float) -> Source:
        if self.films:
            return self.films[place]
        turn = place // REPEAT_EVERY
        if place % REPEAT_EVERY == REPEAT_EVERY - 1 and turn < len(self.settings.repeats):
            return self.settings.repeats[turn]
        if self.settings.stage:
            return draw_stage(STAGES[self.settings.stage], self.settings.seed, place)
        return draw_spec(self.settings.seed, place, difficulty, self.settings.age_group)


def start_round(
    history: Sequence[Record],
    now: datetime,
    length: int,
    difficulty: float | None,
    age_group: AgeGroup,
    seed: int | None = None,
    stage: Stage | None = None,
) -> Round:
    """A new round of synthetic films: as difficult as the trainee has come to, with films to be repeated.

    Parameters
    ----------
    history : sequence of Record
        All that were kept of this trainee.
    now : datetime
        Names the round and, where no seed is given, seeds it.
    length : int
    difficulty : float or None
        None: follows the trainee.
    age_group : AgeGroup
    seed : int, optional
        The same films for everybody, and none repeated.
    stage : Stage, optional
        Of the course: its films, its difficulty and its age group.
    """
    if stage is not None:
        difficulty, age_group = stage.difficulty, stage.age_group
    alike = [r for r in history if r.round.source == SYNTHETIC and r.round.age_group is age_group]
    alike = [r for r in alike if not r.round.stage]
    start = FIRST_DIFFICULTY
    if alike and alike[-1].round.difficulty is None:
        last = alike[-1].round
        start = reached((r.solved for r in alike if r.round.ident == last.ident), last.start)
    settings = RoundSettings(
        ident=now.isoformat(timespec="seconds"),
        seed=int(now.timestamp()) if seed is None else seed,
        length=length,
        difficulty=difficulty,
        start=round(start, 4),
        age_group=age_group,
        repeats=() if seed is not None or stage is not None else due(alike, now, length // REPEAT_EVERY),
        stage="" if stage is None else stage.key,
    )
    return Round(settings)


def unfinished(history: Sequence[Record], source: str = SYNTHETIC) -> Round | None:
    """The newest round of a source, where it was left before its end."""
    alike = [record for record in history if record.round.source == source]
    if not alike:
        return None
    settings = alike[-1].round
    found = Round(settings, tuple(record for record in alike if record.round.ident == settings.ident))
    return None if found.finished else found


def marks_round(films: Sequence[MarkedFilm], source: str, now: datetime, left: Round | None) -> Round:
    """A round over the films of a marks file, or the rest of the one that was left off."""
    if left is not None:
        return replace(left, films=tuple(films))
    settings = RoundSettings(now.isoformat(timespec="seconds"), 0, len(films), difficulty=0.0, source=source)
    return Round(settings, films=tuple(films))
