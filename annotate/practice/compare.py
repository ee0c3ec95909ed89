"""A trainee's answer held against the truth of the film."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from annotate.practice.task import Key, Task
from measure.accepted_range import AcceptedRange
from measure.advice import Action, Urgency, shift_on_film
from measure.assess import assess
from measure.distance import film_per_measured
from measure.landmarks import Landmark
from measure.reading import Reading
from measure.verdict import Verdict

Vector = NDArray[np.float64]

DISTANCE_TOLERANCE_MM = 5.0
"""A film is solved within this error of the distance: less than the 7.0 mm by which radiologists differ on average
(J Digit Imaging 2021;34:846-852, seen); the figure itself is ours."""

FORK_UNSEEN_OFF_MM = 18.1
"""A carina that cannot be seen may be estimated this far off: by how much the line from the aortic arch differs
from the seen carina, 11.4 mm, and one standard deviation, 6.7 mm (J Med Health Sci, 216 AP films, seen)."""

MOVE_TOLERANCE_CM = 1.0
"""And within this error of the move: two steps of the marks on a tube (ours)."""


class Choice(StrEnum):
    """Where a trainee can say that the tip lies, and that there is no tube or nothing can be said.

    `NEAR_A_LIMIT` is no answer: someone must decide what to do. Records of earlier rounds hold it.
    """

    WITHIN_RANGE = Verdict.WITHIN_RANGE.value
    TOO_LOW = Verdict.TOO_LOW.value
    TOO_HIGH = Verdict.TOO_HIGH.value
    IN_A_MAIN_BRONCHUS = Verdict.IN_A_MAIN_BRONCHUS.value
    NEAR_A_LIMIT = Verdict.NEAR_A_LIMIT.value
    CANNOT_SAY = Verdict.CANNOT_SAY.value
    NO_TUBE = "no tube"


ZONES = (Choice.IN_A_MAIN_BRONCHUS, Choice.TOO_LOW, Choice.WITHIN_RANGE, Choice.TOO_HIGH)
"""In their order up the airway."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What the trainee marked and chose.

    Parameters
    ----------
    tip, carina : Landmark or None
        None where not marked.
    choice : Choice
    withdraw_cm : float or None
        Move at the lip; negative to advance, 0 to leave, None where none is named.
    seconds : float
        From the film's showing to the answer.
    """

    tip: Landmark | None
    carina: Landmark | None
    choice: Choice
    withdraw_cm: float | None = None
    seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class Offset:
    """A mark's error in mm on the film.

    Parameters
    ----------
    along_mm : float
        Down the airway, towards the lungs.
    across_mm : float
        Across it, towards the patient's left.
    """

    along_mm: float
    across_mm: float

    @property
    def total_mm(self) -> float:
        """Straight from the true point to the mark."""
        return float(np.hypot(self.along_mm, self.across_mm))


@dataclass(frozen=True, slots=True)
class Comparison:
    """An answer and the truth side by side.

    Parameters
    ----------
    task, answer
    truth, from_marks : Reading
        From the true points, and from the trainee's own: both with the spread of a careful hand.
    tip, carina : Offset or None
        None where a point is not marked or not there, or the film proves no spacing.
    """

    task: Task
    answer: Answer
    truth: Reading
    from_marks: Reading
    tip: Offset | None
    carina: Offset | None

    @property
    def expected(self) -> Choice:
        """The right answer: where the tip truly lies."""
        if self.task.key.tip is None:
            return Choice.NO_TUBE
        if self.truth.distance is None or self.truth.accepted_range is None:
            return Choice.CANNOT_SAY
        return zone_of(self.truth.distance.on_film.value, self.truth.accepted_range)

    @property
    def fork_unseen(self) -> bool:
        """Whether the carina cannot be seen on this film."""
        return self.task.spec is not None and self.task.spec.fork_unseen

    @property
    def distance_tolerance_mm(self) -> float:
        """How far off a distance may be: with the fork unseen, as far as its usual estimate."""
        return FORK_UNSEEN_OFF_MM if self.fork_unseen else DISTANCE_TOLERANCE_MM

    @property
    def zone_right(self) -> bool:
        """Whether the chosen zone is the true one, or one that is no further off than a distance may be."""
        distance, accepted = self.truth.distance, self.truth.accepted_range
        if self.expected not in ZONES or distance is None or accepted is None:
            return self.answer.choice is self.expected
        off_cm = self.distance_tolerance_mm / 10.0
        height = distance.on_film.value
        return self.answer.choice in {zone_of(height + by, accepted) for by in (-off_cm, 0.0, off_cm)}

    @property
    def distance_error_mm(self) -> float | None:
        """Distance from the trainee's marks less the true one, on the film; None where either is missing."""
        if self.truth.distance is None or self.from_marks.distance is None:
            return None
        return 10.0 * (self.from_marks.distance.on_film.value - self.truth.distance.on_film.value)

    @property
    def lands_on_film_cm(self) -> float | None:
        """Where the trainee's own move would bring the tip, as far as tubes follow (`REALISED_SHARE`)."""
        distance, inputs, move = self.truth.distance, self.truth.inputs, self.answer.withdraw_cm
        if distance is None or inputs is None or move is None:
            return None
        return distance.on_film.value + shift_on_film(move, inputs.film_per_patient).value

    @property
    def solved(self) -> bool:
        """Zone, distance and action right within their tolerances."""
        if not self.zone_right:
            return False
        error = self.distance_error_mm
        if self.truth.distance is not None and (error is None or abs(error) > self.distance_tolerance_mm):
            return False
        return self.moved_right

    @property
    def moved_right(self) -> bool:
        """Whether the action is right, or none is to be named.

        A tube that may stay stays. A move goes the right way and is within its tolerance; one that only may help
        need not be made.
        """
        expected, move = withdraw_cm(self.truth), self.answer.withdraw_cm
        if expected is None or self.truth.adjustment is None:
            return True
        if move is None:
            return False
        if move == 0.0 or expected == 0.0:
            return move == expected or (move == 0.0 and self.truth.adjustment.urgency is Urgency.MAY_HELP)
        return move * expected > 0.0 and abs(move - expected) <= max(
            MOVE_TOLERANCE_CM, self.distance_tolerance_mm / 10.0
        )


def compare(task: Task, answer: Answer) -> Comparison:
    """Measure with the true points and with the trainee's, and take the marks' errors apart."""
    key = task.key
    return Comparison(
        task,
        answer,
        truth=assess(task.true_case()),
        from_marks=assess(task.marked(answer.tip, answer.carina)),
        tip=offset(task, answer.tip, key.tip),
        carina=offset(task, answer.carina, key.carina),
    )


def withdraw_cm(reading: Reading) -> float | None:
    """A Reading's move as a signed length; None where it suggests none."""
    if reading.adjustment is None:
        return None
    sign = {Action.WITHDRAW: 1.0, Action.ADVANCE: -1.0, Action.LEAVE: 0.0}[reading.adjustment.action]
    return sign * reading.adjustment.by_cm


def zone_of(height_cm: float, accepted: AcceptedRange) -> Choice:
    """The zone of a height that is known exactly."""
    if height_cm < 0.0:
        return Choice.IN_A_MAIN_BRONCHUS
    if height_cm < accepted.low_cm.value:
        return Choice.TOO_LOW
    return Choice.TOO_HIGH if height_cm > accepted.high_cm.value else Choice.WITHIN_RANGE


def mm_on_film(task: Task) -> Vector | None:
    """Millimetres at the detector for a row and for a column; None where the film proves no spacing."""
    spacing = task.film.spacing
    if spacing is None:
        return None
    at_detector = film_per_measured(spacing.plane, task.film.magnification).value
    return np.array([spacing.row_mm, spacing.column_mm]) * at_detector


def offset_from_airway(task: Task, at: Landmark) -> Offset | None:
    """How far a point lies from the nearest point of the airway's midline."""
    mm = mm_on_film(task)
    if mm is None or not task.key.airway:
        return None
    path = np.array([[point.row, point.column] for point in task.key.airway])
    nearest = path[np.argmin(np.hypot(*((path - [at.row, at.column]) * mm).T))]
    return offset(task, at, Landmark(float(nearest[0]), float(nearest[1]), sd_px=0.0))


def distance_to_path_mm(task: Task, at: Landmark, path: Vector) -> float:
    """Shortest distance on the film from a point to a line; infinite where the film proves no spacing."""
    mm = mm_on_film(task)
    if mm is None:
        return float("inf")
    points, here = path * mm, np.array([at.row, at.column]) * mm
    steps = np.diff(points, axis=0)
    squared = np.maximum((steps**2).sum(axis=1), 1e-12)
    share = np.clip(((here - points[:-1]) * steps).sum(axis=1) / squared, 0.0, 1.0)
    feet = points[:-1] + share[:, None] * steps
    return float(np.hypot(*(feet - here).T).min())


def offset(task: Task, marked: Landmark | None, true: Landmark | None) -> Offset | None:
    """A mark's error; None where a point is missing or the film proves no spacing."""
    mm = mm_on_film(task)
    if marked is None or true is None or mm is None:
        return None
    down = _down_the_airway(task.key, true, mm)
    error = np.array([marked.row - true.row, marked.column - true.column]) * mm
    return Offset(float(error @ down), float(error @ np.array([-down[1], down[0]])))


def _down_the_airway(key: Key, at: Landmark, mm: Vector) -> Vector:
    """Unit vector down the airway at a point: along the trachea, and below the carina away from it."""
    here = np.array([at.row, at.column]) * mm
    carina = None if key.carina is None else np.array([key.carina.row, key.carina.column]) * mm
    path = np.array([[point.row, point.column] for point in key.airway]) * mm if key.airway else np.empty((0, 2))
    if carina is not None and here[0] > carina[0]:
        way = here - carina
    elif len(path) > 1:
        middles = (path[:-1] + path[1:]) / 2.0
        way = np.diff(path, axis=0)[np.argmin(np.hypot(*(middles - here).T))]
    elif carina is not None and here[0] < carina[0]:
        way = carina - here
    else:
        way = np.array([1.0, 0.0])
    return np.asarray(way / np.hypot(*way))
