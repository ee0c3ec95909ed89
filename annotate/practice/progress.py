"""What a trainee's answers show: bias, agreement, verdicts, time, learning, what to look at again."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import groupby
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from annotate.practice.compare import ZONES, Choice
from annotate.practice.course import StageProgress, course_of
from annotate.practice.record import Record, RoundSettings
from annotate.practice.repetition import Repeat, repeats
from annotate.practice.staircase import reached
from annotate.practice.teaching import Mistake
from measure.advice import Action
from measure.statistics.agreement import (
    BlandAltman,
    Kappa,
    Weighting,
    bland_altman,
    cohen_kappa,
    contingency_table,
    mean_absolute_error,
)
from measure.statistics.control_chart import BinomialCusum, binomial_cusum, decision_limit
from measure.statistics.interval import Interval
from measure.statistics.rates import Count, wilson

LEAST_FOR_INTERVALS = 10
"""From fewer films no interval is told (ours): the outer end of an exact limit of agreement lies 3.4 standard
deviations out with ten films, 5.6 with five and 13 with three, where the limit itself lies at 1.96."""

FAR_OFF_MM = 7.0
"""A distance further off than radiologists differ on average counts as missed in the CUSUM (J Digit Imaging
2021;34:846-852, seen)."""

BEGINNER, MASTER = 0.30, 0.10
"""Shares of missed films between which the CUSUM decides (ours)."""

FALSE_ALARM_FILMS = 100.0
"""A beginner is taken for a master, or a master for a beginner, no oftener than once in so many films (ours)."""

OFFSETS: Mapping[str, Callable[[Record], float | None]] = MappingProxyType(
    {
        "tip along the airway": lambda record: record.tip_along_mm,
        "tip across it": lambda record: record.tip_across_mm,
        "carina along the airway": lambda record: record.carina_along_mm,
        "carina across it": lambda record: record.carina_across_mm,
    }
)
"""Along: positive is too far down. Across: positive is too far to the patient's left."""


@dataclass(frozen=True, slots=True)
class Verdicts:
    """Answers against the truth.

    Parameters
    ----------
    categories : tuple of Choice
    table : ndarray of int, shape (c, c)
        Rows: the trainee's; columns: the truth's.
    kappa : Kappa or None
        None with too few films.
    """

    categories: tuple[Choice, ...]
    table: NDArray[np.int64]
    kappa: Kappa | None


NO_ACTION = "none named"
ACTIONS = (Action.WITHDRAW.value, Action.LEAVE.value, Action.ADVANCE.value, NO_ACTION)


@dataclass(frozen=True, slots=True)
class Actions:
    """What the trainee would have done with the tube, against what was right.

    Parameters
    ----------
    categories : tuple of str
    table : ndarray of int, shape (c, c)
        Rows: the trainee's; columns: the right ones.
    right : Count
        Right ones among the films that an action was asked for.
    """

    categories: tuple[str, ...]
    table: NDArray[np.int64]
    right: Count


@dataclass(frozen=True, slots=True)
class RoundSummary:
    """One round.

    Parameters
    ----------
    settings : RoundSettings
    films, solved : int
    mean_absolute_error_mm : float or None
    median_seconds : float
    difficulty : float
        That the next new film would have had.
    """

    settings: RoundSettings
    films: int
    solved: int
    mean_absolute_error_mm: float | None
    median_seconds: float
    difficulty: float

    @property
    def solved_share(self) -> Interval:
        """With Wilson's interval."""
        return wilson(Count(self.solved, self.films))


@dataclass(frozen=True, slots=True)
class Learning:
    """Two CUSUM of missed films, in the order in which they were read.

    Parameters
    ----------
    missed : tuple of bool
        Distance further off than `FAR_OFF_MM`, or none given where there is one, or a tube missed or made up.
    learnt, slipping : BinomialCusum
        Evidence for the master's share against the beginner's, and the other way round.
    """

    missed: tuple[bool, ...]
    learnt: BinomialCusum
    slipping: BinomialCusum


@dataclass(frozen=True, slots=True)
class Progress:
    """All figures of one trainee's films.

    Parameters
    ----------
    records : tuple of Record
        In the order in which they were answered.
    distance : BlandAltman or None
        Marked less true distance in mm on the film; None with too few.
    mean_absolute_error_mm : Interval or None
        Without its ends where there are few.
    offsets : mapping of str to BlandAltman
        Of each of `OFFSETS` that has enough films, in mm on the film.
    zones, answers : Verdicts
        Choices among the four zones against where the tip lies (kappa with linear weights), and all choices
        against the right ones (plain kappa).
    actions : Actions
        Moves named against the right ones.
    seconds : tuple of float
        Quartiles of the time a film; empty without films.
    rounds : tuple of RoundSummary
    mistakes : tuple of (Mistake, int)
        The most frequent first; without those that were well read.
    repeats : tuple of Repeat
    course : tuple of StageProgress
    """

    records: tuple[Record, ...]
    distance: BlandAltman | None
    mean_absolute_error_mm: Interval | None
    offsets: Mapping[str, BlandAltman]
    zones: Verdicts
    answers: Verdicts
    actions: Actions
    seconds: tuple[float, ...]
    rounds: tuple[RoundSummary, ...]
    mistakes: tuple[tuple[Mistake, int], ...]
    repeats: tuple[Repeat, ...]
    course: tuple[StageProgress, ...]


def progress_of(records: Sequence[Record]) -> Progress:
    """Figures of these films; what they do not determine is None.

    Parameters
    ----------
    records : sequence of Record
        Of one trainee, in their order.
    """
    errors = _known(record.error_mm for record in records)
    found = {name: _known(map(get, records)) for name, get in OFFSETS.items()}
    mistakes = Counter(record.mistake for record in records if record.mistake is not Mistake.NONE)
    seconds = [record.seconds for record in records]
    return Progress(
        records=tuple(records),
        distance=_spread(errors),
        mean_absolute_error_mm=_mean_error(errors),
        offsets={name: spread for name, values in found.items() if (spread := _spread(values)) is not None},
        zones=_verdicts(
            [(r.choice, r.zone) for r in records if r.choice in ZONES and r.zone in ZONES], ZONES, Weighting.LINEAR
        ),
        answers=_verdicts([(r.choice, r.expected) for r in records], tuple(Choice), Weighting.NONE),
        actions=_actions(records),
        seconds=tuple(float(value) for value in np.percentile(seconds, (25, 50, 75))) if seconds else (),
        rounds=tuple(_round(list(group)) for _, group in groupby(records, key=lambda record: record.round.ident)),
        mistakes=tuple(mistakes.most_common()),
        repeats=repeats(records),
        course=course_of(records),
    )


def missed(record: Record) -> bool:
    """Whether a film counts as missed in the CUSUM."""
    if Choice.NO_TUBE in (record.choice, record.expected):
        return record.choice is not record.expected
    if record.true_mm is None:
        return record.choice is not record.expected
    return record.error_mm is None or abs(record.error_mm) > FAR_OFF_MM


def worst(records: Sequence[Record], most: int) -> tuple[Record, ...]:
    """Films that went most wrong and can be drawn again: a wrong answer first, then by the distance.

    A film that was missed more than once is there once, as it was missed last.
    """
    wrong = {record.film: record for record in records if not record.solved and record.spec is not None}
    return tuple(sorted(wrong.values(), key=lambda r: (r.choice is r.expected, -abs(r.error_mm or 0.0)))[:most])


def _known(values: Iterable[float | None]) -> list[float]:
    return [value for value in values if value is not None]


def _spread(values: Sequence[float]) -> BlandAltman | None:
    return bland_altman(values, [0.0] * len(values)) if len(values) >= LEAST_FOR_INTERVALS else None


def _verdicts(
    pairs: Sequence[tuple[Choice, Choice]], categories: tuple[Choice, ...], weighting: Weighting
) -> Verdicts:
    table = contingency_table([pair[0] for pair in pairs], [pair[1] for pair in pairs], categories)
    enough = len(pairs) >= LEAST_FOR_INTERVALS
    return Verdicts(categories, table, cohen_kappa(table, weighting) if enough else None)


def _mean_error(errors: Sequence[float]) -> Interval | None:
    if len(errors) >= LEAST_FOR_INTERVALS:
        return mean_absolute_error(errors, [0.0] * len(errors))
    return Interval(float(np.mean(np.abs(errors))), math.nan, math.nan) if errors else None


def _actions(records: Sequence[Record]) -> Actions:
    """Moves named against the right ones, by their direction; an action is asked for where one is possible."""
    asked = [r for r in records if r.expected_withdraw_cm is not None]
    pairs = [(_action_of(r.withdraw_cm), _action_of(r.expected_withdraw_cm)) for r in asked]
    table = contingency_table([said for said, _ in pairs], [right for _, right in pairs], ACTIONS)
    right_way = sum(said == right for said, right in pairs)
    return Actions(ACTIONS, table, Count(right_way, len(asked)))


def _action_of(move_cm: float | None) -> str:
    if move_cm is None:
        return NO_ACTION
    return Action.LEAVE.value if move_cm == 0.0 else (Action.WITHDRAW if move_cm > 0.0 else Action.ADVANCE).value


def _round(records: Sequence[Record]) -> RoundSummary:
    settings = records[0].round
    errors = [abs(record.error_mm) for record in records if record.error_mm is not None]
    solved = [record.solved for record in records]
    return RoundSummary(
        settings,
        len(records),
        sum(solved),
        float(np.mean(errors)) if errors else None,
        float(np.median([record.seconds for record in records])),
        reached(solved, settings.start) if settings.difficulty is None else settings.difficulty,
    )


def learning_of(records: Sequence[Record]) -> Learning:
    """Two CUSUM over all films; their limits take two seconds to find, once."""
    failures = tuple(missed(record) for record in records)
    learnt_at, slipping_at = _limits()
    return Learning(
        failures,
        binomial_cusum(failures, BEGINNER, MASTER, learnt_at),
        binomial_cusum(failures, MASTER, BEGINNER, slipping_at),
    )


@cache
def _limits() -> tuple[float, float]:
    return (
        decision_limit(BEGINNER, MASTER, FALSE_ALARM_FILMS),
        decision_limit(MASTER, BEGINNER, FALSE_ALARM_FILMS),
    )
