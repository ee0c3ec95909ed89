"""A course: one thing after the other, each until it is mastered, and what a trainee should practise next."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

from annotate.practice.compare import FORK_UNSEEN_OFF_MM, ZONES, Choice
from annotate.practice.record import Record
from annotate.practice.synthetic import recipe_of
from annotate.practice.task import FilmSpec
from annotate.practice.teaching import CARINA_OFF_MM, TIP_OFF_MM
from measure.patient import AgeGroup
from measure.posture import NeckPosture
from synthetic_images.batch import film_seed
from synthetic_images.recipe import Placement
from synthetic_images.streams import stream

LAST = 10
MASTERED = 8
"""A stage is mastered where so many of its last ten films were right (ours: the share that the difficulty aims at,
and a little more)."""

BRONCHI = (Placement.RIGHT_BRONCHUS, Placement.LEFT_BRONCHUS)
BENT = (NeckPosture.FLEXED, NeckPosture.EXTENDED)


@dataclass(frozen=True, slots=True)
class Stage:
    """One thing to learn.

    Parameters
    ----------
    key, title : str
        For the command line, and for people.
    looks_at : str
        What counts in it, in words.
    difficulty : float
        Of its films.
    belongs, right : callable
        Whether an answered film counts in it, and whether it was right.
    age_group : AgeGroup
    placements, postures
        What its films are drawn from; a posture of None leaves it open.
    fork_unseen : bool
        Whether its films hide the carina.
    """

    key: str
    title: str
    looks_at: str
    difficulty: float
    belongs: Callable[[Record], bool]
    right: Callable[[Record], bool]
    age_group: AgeGroup = AgeGroup.ADULT
    placements: tuple[Placement, ...] = (Placement.TRACHEA,)
    postures: tuple[NeckPosture | None, ...] = (None,)
    fork_unseen: bool = False


def _within(along_mm: float | None, across_mm: float | None, most_mm: float) -> bool:
    return along_mm is not None and across_mm is not None and math.hypot(along_mm, across_mm) <= most_mm


def _tip_right(record: Record) -> bool:
    return _within(record.tip_along_mm, record.tip_across_mm, TIP_OFF_MM)


def _carina_right(record: Record) -> bool:
    return _within(record.carina_along_mm, record.carina_across_mm, CARINA_OFF_MM)


def _in_airway(record: Record) -> bool:
    return record.expected in ZONES


def _solved(record: Record) -> bool:
    return record.solved


def _estimated(record: Record) -> bool:
    return _within(record.carina_along_mm, record.carina_across_mm, FORK_UNSEEN_OFF_MM)


@cache
def neck_bent(spec: FilmSpec) -> bool:
    """Whether a film's neck is flexed or extended."""
    return recipe_of(spec).neck.posture in BENT


COURSE = (
    Stage("tips", "The tube's tip", "the tip within a hand's spread", 0.15, _in_airway, _tip_right),
    Stage("carina", "The carina", "the carina within a hand's spread", 0.15, _in_airway, _carina_right),
    Stage(
        "fork",
        "The fork unseen",
        "the carina estimated within 18 mm where the fork cannot be seen",
        0.3,
        lambda record: record.spec is not None and _in_airway(record) and record.spec.fork_unseen,
        _estimated,
        fork_unseen=True,
    ),
    Stage(
        "bronchi",
        "Main bronchi",
        "called so, and withdrawn",
        0.3,
        lambda record: record.spec is not None and record.spec.placement in BRONCHI,
        lambda record: record.choice is Choice.IN_A_MAIN_BRONCHUS and (record.withdraw_cm or 0.0) > 0.0,
        placements=(Placement.RIGHT_BRONCHUS, Placement.LEFT_BRONCHUS, Placement.TRACHEA),
    ),
    Stage(
        "posture",
        "Neck posture",
        "solved with the neck flexed or extended",
        0.3,
        lambda record: record.spec is not None and _in_airway(record) and neck_bent(record.spec),
        _solved,
        postures=BENT,
    ),
    Stage(
        "children",
        "Children",
        "solved in children",
        0.3,
        lambda record: record.spec is not None and record.spec.age_group is AgeGroup.CHILD,
        _solved,
        age_group=AgeGroup.CHILD,
    ),
)
"""In the order in which they are learnt: later ones rest on earlier ones."""

STAGES = {stage.key: stage for stage in COURSE}


@dataclass(frozen=True, slots=True)
class StageProgress:
    """How a trainee stands in one stage.

    Parameters
    ----------
    stage : Stage
    films : int
        All that count in it.
    right : tuple of bool
        The last of them, `LAST` at most.
    """

    stage: Stage
    films: int
    right: tuple[bool, ...]

    @property
    def mastered(self) -> bool:
        """Enough of the last films were right."""
        return sum(self.right) >= MASTERED

    @property
    def words(self) -> str:
        """How it stands, in words."""
        if not self.right:
            return "not tried yet"
        of = f"{sum(self.right)} of the last {len(self.right)} right"
        return f"{of}: mastered" if self.mastered else f"{of}; {MASTERED} of {LAST} are wanted"


def course_of(records: Sequence[Record]) -> tuple[StageProgress, ...]:
    """Each stage, from all films that a trainee has answered, of the course or not."""
    found = []
    for stage in COURSE:
        right = [stage.right(record) for record in records if stage.belongs(record)]
        found.append(StageProgress(stage, len(right), tuple(right[-LAST:])))
    return tuple(found)


def to_practise(course: Sequence[StageProgress]) -> Stage | None:
    """The first stage that is not mastered; None where all are."""
    return next((item.stage for item in course if not item.mastered), None)


def draw_stage(stage: Stage, round_seed: int, index: int) -> FilmSpec:
    """The film at a place of a stage's round; it does not depend on the answers before it."""
    seed = film_seed(round_seed, index)
    random = stream(seed, "course")
    placement = stage.placements[int(random.integers(len(stage.placements)))]
    posture = stage.postures[int(random.integers(len(stage.postures)))]
    return FilmSpec(seed, stage.difficulty, placement, stage.age_group, posture, stage.fork_unseen)
