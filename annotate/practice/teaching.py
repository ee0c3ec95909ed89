"""One sentence of teaching from the geometry of this film: what went wrong, and where to look.

Each rule looks at one film's truth and the answer to it, and speaks or is silent; the first that speaks is heard.
Presence of a tube comes first, then the two points, then zone and action: a later mistake mostly follows from an
earlier one. A posture left out goes before small errors that add up: who held the film against the wrong range
learns the range.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from types import MappingProxyType

from annotate.practice.compare import (
    FORK_UNSEEN_OFF_MM,
    Choice,
    Comparison,
    Offset,
    distance_to_path_mm,
    offset,
    offset_from_airway,
    withdraw_cm,
    zone_of,
)
from annotate.words.answer import percent
from measure.accepted_range import AcceptedRange
from measure.advice import STEP_CM, shift_on_film
from measure.assess import assess
from measure.landmarks import CLEAR_SD_MM, Landmark
from measure.posture import NeckPosture

SURELY_OFF = 3.0
"""A mark further off than this many standard deviations of a careful hand is a mistake, not a tremor (ours)."""

TIP_OFF_MM = SURELY_OFF * CLEAR_SD_MM["tip"]
CARINA_OFF_MM = SURELY_OFF * CLEAR_SD_MM["carina"]

ON_A_LINE_MM = 4.0
"""A mark this near to another line's middle may lie on it: half a stomach tube and a hand's error (ours)."""

SIDEWAYS_SHARE = 0.5
"""A carina mark whose error goes sideways by this share of its way down lies in a bronchus: half of a subcarinal
angle of 78 degrees is 39 degrees, whose tangent is 0.8 (in vivo morphometry, seen); the share is ours."""


FROM_ARCH = (
    "where a line at 45 degrees from the aortic arch, downwards and medially, meets the midline, the carina lies "
    "within 1 to 2 cm, mostly over T5 to T7"
)
"""Of a fork that is not seen. Line: J Med Health Sci, 216 films, difference 11.4 +- 6.7 mm (seen); level: Goodman
LR et al. AJR 1976;127:433-434, 92 of 100 films (seen)."""


class Mistake(StrEnum):
    """What a sentence is about."""

    NONE = "well read"
    TUBE_MISSED = "tube missed"
    NO_TUBE_THERE = "tube seen where there is none"
    OESOPHAGUS = "tube in the oesophagus"
    WRONG_LINE = "wrong line followed"
    LINE_END = "end of the marker taken for the tip"
    CUFF = "cuff taken for the tip"
    NOT_MARKED = "point not marked"
    BRONCHUS_FOR_CARINA = "carina marked in a bronchus"
    CARINA_UNSEEN = "unseen carina estimated too far off"
    CARINA_TOO_LOW = "carina marked too low"
    CARINA_TOO_HIGH = "carina marked too high"
    CARINA_ASIDE = "carina marked beside the airway"
    TIP_TOO_LOW = "tip marked too low"
    TIP_TOO_HIGH = "tip marked too high"
    TIP_ASIDE = "tip marked beside the tube"
    ADDED_UP = "small errors that add up"
    POSTURE = "neck posture left out"
    OPEN_LIMIT = "limit within a hand's spread"  # In records of the time when that was an answer.
    AGAINST_OWN_MARKS = "verdict against the own marks"
    VERDICT = "verdict"
    WRONG_WAY = "moved the wrong way"
    MAGNIFICATION = "magnification left out"
    LEFT = "tube left that had to be moved"
    MOVE = "size of the move"


@dataclass(frozen=True, slots=True)
class Lesson:
    """What the film teaches after this answer."""

    mistake: Mistake
    sentence: str


Rule = Callable[[Comparison], Lesson | None]


def teach(comparison: Comparison) -> Lesson:
    """The one thing to learn from this film."""
    return next(lesson for rule in RULES if (lesson := rule(comparison)) is not None)


# ------------------------------------------------------------------------------- is there a tube, and where
LOOKS = MappingProxyType(
    {
        "stomach tube": "the stomach tube, which runs on below the diaphragm",
        "central line": "a central line, which is thin and ends beside the spine in the superior vena cava",
        "temperature probe": "a temperature probe, which is thin and ends in a metal sensor in the oesophagus",
    }
)
"""What tells a line from an endotracheal tube (common practice)."""


def no_tube_there(c: Comparison) -> Lesson | None:
    """A tube was seen on a film without one."""
    if c.task.key.tip is not None or c.answer.choice is Choice.NO_TUBE:
        return None
    line = None if c.answer.tip is None else _line_at(c, c.answer.tip)
    followed = "" if line is None else f": you marked {LOOKS[line]}"
    return Lesson(
        Mistake.NO_TUBE_THERE,
        f"There is no endotracheal tube on this film{followed}; follow a line upwards: only a tube in the trachea "
        "stays within the air column up to the cords.",
    )


def tube_missed(c: Comparison) -> Lesson | None:
    """No tube was seen where there is one."""
    tip = c.task.key.tip
    if tip is None or c.answer.choice is not Choice.NO_TUBE:
        return None
    where = "beside the air column" if c.task.key.oesophageal else "within the air column"
    return Lesson(
        Mistake.TUBE_MISSED,
        f"There is a tube: its line runs {where} and ends{_over(c, tip)}; look along the trachea from the neck "
        "downwards before you say that there is none.",
    )


def oesophagus(c: Comparison) -> Lesson | None:
    """A height above the carina was given for a tube that is not in the airway."""
    key = c.task.key
    if not key.oesophageal or key.tip is None or c.answer.choice is Choice.CANNOT_SAY:
        return None
    return Lesson(
        Mistake.OESOPHAGUS,
        f"This tube does not lie in the trachea{_beside_the_airway(c, key.tip)}: it is in the oesophagus, so no "
        "height above the carina can be given (cannot say); capnography would tell at once.",
    )


# --------------------------------------------------------------------------------------------- the two points
def wrong_line(c: Comparison) -> Lesson | None:
    """The tip was marked on another line."""
    if c.answer.tip is None or not _tip_off(c):
        return None
    line = _line_at(c, c.answer.tip)
    if line is None or c.tip is None:
        return None
    return Lesson(
        Mistake.WRONG_LINE,
        f"You followed {LOOKS[line]}; the endotracheal tube ends {_mark_to_tip(c)} your mark{_tip_level(c)}.",
    )


def line_end(c: Comparison) -> Lesson | None:
    """The marker's end was taken for the bevel's tip."""
    key, marked = c.task.key, c.answer.tip
    if marked is None or key.line_end is None or key.tip is None or not _tip_off(c):
        return None
    end = offset(c.task, key.line_end, key.tip)
    short_mm = 0.0 if end is None else -end.along_mm
    off_the_end = _apart(c, marked, key.line_end)
    if short_mm < TIP_OFF_MM / 2.0 or off_the_end > min(TIP_OFF_MM, _apart(c, marked, key.tip)):
        return None
    return Lesson(
        Mistake.LINE_END,
        f"You marked where the radio-opaque line ends; the bevel cuts that line, and the tube's tip lies "
        f"{short_mm:.0f} mm below it, on the bevel's long side.",
    )


def cuff(c: Comparison) -> Lesson | None:
    """The cuff's lower edge was taken for the tip."""
    key, marked = c.task.key, c.answer.tip
    if marked is None or key.cuff_lower is None or not _tip_off(c):
        return None
    if key.tip is None or _apart(c, marked, key.cuff_lower) > TIP_OFF_MM:
        return None
    below_mm = _apart(c, marked, key.tip)
    return Lesson(
        Mistake.CUFF, f"You marked the lower edge of the cuff; the tube goes on {below_mm:.0f} mm below it."
    )


def not_marked(c: Comparison) -> Lesson | None:
    """A point that can be seen was left out."""
    key = c.task.key
    if key.tip is not None and not key.oesophageal and c.answer.tip is None:
        return Lesson(Mistake.NOT_MARKED, f"The tip can be marked on this film: it{_height(c)}{_tip_level(c)}.")
    if key.carina is not None and c.answer.carina is None and c.answer.choice is not Choice.NO_TUBE:
        if c.fork_unseen:
            return Lesson(
                Mistake.NOT_MARKED,
                f"Without a carina there is no distance, and an estimate is better: {FROM_ARCH}.",
            )
        return Lesson(
            Mistake.NOT_MARKED,
            f"Without a carina there is no distance: look{_over(c, key.carina)}, where the inner walls of both "
            "main bronchi meet.",
        )
    return None


def carina(c: Comparison) -> Lesson | None:
    """The carina was marked elsewhere than where the main bronchi's inner walls meet."""
    off, true = c.carina, c.task.key.carina
    if off is None or true is None or off.total_mm <= (FORK_UNSEEN_OFF_MM if c.fork_unseen else CARINA_OFF_MM):
        return None
    if c.fork_unseen:
        return Lesson(
            Mistake.CARINA_UNSEEN,
            f"The fork cannot be seen here, and your estimate is {off.total_mm:.0f} mm off; {FROM_ARCH}, here"
            f"{_over(c, true)}.",
        )
    down, aside = off.along_mm, off.across_mm
    level = _over(c, true)
    if down > 0.0 and abs(aside) > SIDEWAYS_SHARE * down and down > CLEAR_SD_MM["carina"]:
        side = "left" if aside > 0.0 else "right"
        return Lesson(
            Mistake.BRONCHUS_FOR_CARINA,
            f"Your carina lies {off.total_mm:.0f} mm down in the {side} main bronchus; the carina is the ridge "
            f"between the two, where their inner walls meet{level}.",
        )
    if abs(aside) > abs(down):
        side = "left" if aside > 0.0 else "right"
        return Lesson(
            Mistake.CARINA_ASIDE,
            f"Your carina lies {abs(aside):.0f} mm to the patient's {side} of the true one; follow the air column "
            f"down to where it forks{level}.",
        )
    if down > 0.0:
        return Lesson(
            Mistake.CARINA_TOO_LOW,
            f"Your carina is {down:.0f} mm too low, which makes the tip look that much higher; the inner walls of "
            f"the main bronchi meet{level}.",
        )
    return Lesson(
        Mistake.CARINA_TOO_HIGH,
        f"Your carina is {-down:.0f} mm too high, which makes the tip look that much lower; where you marked, the "
        f"trachea's walls still run side by side, and the fork lies{level}.",
    )


def tip(c: Comparison) -> Lesson | None:
    """The tip was marked off the tube's end without another line to blame."""
    off = c.tip
    if off is None or not _tip_off(c):
        return None
    if abs(off.across_mm) > abs(off.along_mm):
        side = "left" if off.across_mm > 0.0 else "right"
        return Lesson(
            Mistake.TIP_ASIDE,
            f"Your tip lies {abs(off.across_mm):.0f} mm to the patient's {side} of the tube's end; follow the "
            "radio-opaque line down to its last point.",
        )
    if off.along_mm > 0.0:
        return Lesson(
            Mistake.TIP_TOO_LOW,
            f"Your tip is {off.along_mm:.0f} mm too low: the tube ends{_tip_over(c)} already, and what goes on "
            "below it is the edge of something else.",
        )
    return Lesson(
        Mistake.TIP_TOO_HIGH,
        f"Your tip is {-off.along_mm:.0f} mm too high: the tube goes on below your mark and ends{_tip_over(c)}.",
    )


def added_up(c: Comparison) -> Lesson | None:
    """Both points are within a hand's spread, but their errors go apart."""
    error = c.distance_error_mm
    if error is None or abs(error) <= c.distance_tolerance_mm or c.tip is None or c.carina is None:
        return None
    return Lesson(
        Mistake.ADDED_UP,
        f"Neither point is far off, but their errors add up: tip {_along(c.tip)}, carina {_along(c.carina)}, so "
        f"your distance is {abs(error):.0f} mm too {'long' if error > 0.0 else 'short'}.",
    )


# ------------------------------------------------------------------------------------------- zone and action
def posture(c: Comparison) -> Lesson | None:
    """The zone would be right with the neck neutral, which it is not."""
    given, accepted = c.task.case.posture, c.truth.accepted_range
    if given not in (NeckPosture.FLEXED, NeckPosture.EXTENDED) or accepted is None or c.zone_right:
        return None
    neutral = assess(replace(c.task.true_case(), posture=NeckPosture.NEUTRAL))
    if neutral.accepted_range is None or neutral.distance is None or not accepted.depends_on_posture:
        return None
    height = neutral.distance.on_film.value
    if c.answer.choice is not zone_of(height, neutral.accepted_range):
        return None
    lower = "lower" if given is NeckPosture.FLEXED else "higher"
    return Lesson(
        Mistake.POSTURE,
        f"The neck is {given.value}, so the tip stands {lower} than with the neck neutral: {span(accepted)} are "
        f"accepted here instead of {span(neutral.accepted_range)}, and {height:.1f} cm is {c.expected.value}.",
    )


def against_own_marks(c: Comparison) -> Lesson | None:
    """The marks were good and give the right answer; another one was chosen."""
    own = c.from_marks
    if c.zone_right or own.distance is None or own.accepted_range is None:
        return None
    zone = zone_of(own.distance.on_film.value, own.accepted_range)
    if zone is not c.expected:
        return None
    return Lesson(
        Mistake.AGAINST_OWN_MARKS,
        f"Your own marks give {_signed_height(own.distance.on_film.value)} on the film, and "
        f"{span(own.accepted_range)} are accepted: that is {zone.value}, not {c.answer.choice.value}.",
    )


def verdict(c: Comparison) -> Lesson | None:
    """The zone is wrong for no reason found above."""
    if c.zone_right:
        return None
    if c.truth.distance is None or c.truth.accepted_range is None:
        return Lesson(Mistake.VERDICT, f"The right answer is {c.expected.value}. {c.truth.reason}")
    accepted = span(c.truth.accepted_range)
    return Lesson(Mistake.VERDICT, f"The tip{_height(c)}, and {accepted} are accepted: {c.expected.value}.")


def wrong_way(c: Comparison) -> Lesson | None:
    """The move goes the wrong way at the lip."""
    expected, move = withdraw_cm(c.truth), c.answer.withdraw_cm
    if expected is None or move is None or expected * move >= 0.0:
        return None
    right = "Withdrawing the tube raises" if expected > 0.0 else "Advancing the tube lowers"
    return Lesson(Mistake.WRONG_WAY, f"{right} its tip; your move would take it {_landing(c)}.")


def magnification(c: Comparison) -> Lesson | None:
    """The move was taken from the film's centimetres."""
    expected, move, adjusted = withdraw_cm(c.truth), c.answer.withdraw_cm, c.truth.adjustment
    if not expected or move is None or adjusted is None or c.truth.distance is None or c.truth.inputs is None:
        return None
    on_film = adjusted.lands_on_film_cm.value - c.truth.distance.on_film.value
    if c.moved_right or abs(move - on_film) > STEP_CM / 2.0:
        return None
    raised = shift_on_film(1.0, c.truth.inputs.film_per_patient).value
    return Lesson(
        Mistake.MAGNIFICATION,
        f"You moved by the film's centimetres: here 1 cm at the lip moves the tip by about {raised:.2f} cm on the "
        f"film, since a tube gives way and the film magnifies, so {abs(on_film):.1f} cm on the film are "
        f"{abs(expected):g} cm at the lip.",
    )


def size_of_move(c: Comparison) -> Lesson | None:
    """The action is missing or wrong, or its move too long or short."""
    expected, move, advised = withdraw_cm(c.truth), c.answer.withdraw_cm, c.truth.adjustment
    if expected is None or advised is None or c.moved_right:
        return None
    if expected == 0.0 and move is not None:
        return Lesson(
            Mistake.MOVE,
            f"The tube may stay where it is; your move ({move_in_short(move)}) would take the tip {_landing(c)}.",
        )
    limit = next(iter(advised.limits), "")
    right = f"{move_in_short(expected)} ({advised.urgency.value})"
    if move is None:
        return Lesson(Mistake.MOVE, f"Name the action as well: {right}. {limit}".rstrip())
    if move == 0.0:
        return Lesson(
            Mistake.LEFT,
            f"You would leave the tube where its tip{_height(c)}, within range with a probability of "
            f"{percent(advised.chances_now.within_range)}: {right} makes that "
            f"{percent(advised.chances_after.within_range)}. {limit}".rstrip(),
        )
    return Lesson(
        Mistake.MOVE,
        f"Your move ({move_in_short(move)}) would take the tip {_landing(c)}; {right} brings it to "
        f"{advised.lands_on_film_cm.value:.1f} cm. {limit}".rstrip(),
    )


def well_read(c: Comparison) -> Lesson | None:
    """Nothing to correct: what the film was about."""
    key = c.task.key
    if key.tip is None:
        return Lesson(Mistake.NONE, "Right: there is no endotracheal tube; every line leaves the air column.")
    if key.oesophageal:
        where = _beside_the_airway(c, key.tip)
        return Lesson(
            Mistake.NONE, f"Right: the tube does not lie in the trachea{where}, so no height can be given."
        )
    fork = "" if key.carina is None else f"; the carina is{_over(c, key.carina)}"
    return Lesson(Mistake.NONE, f"Well read, within a hand's spread: the tip{_height(c)}{_tip_level(c)}{fork}.")


RULES: tuple[Rule, ...] = (
    no_tube_there,
    tube_missed,
    oesophagus,
    wrong_line,
    line_end,
    cuff,
    not_marked,
    carina,
    tip,
    posture,
    added_up,
    against_own_marks,
    verdict,
    wrong_way,
    magnification,
    size_of_move,
    well_read,
)
"""In the order in which they are asked; the last always speaks."""


# -------------------------------------------------------------------------------------------------- wording
def move_in_short(withdraw: float) -> str:
    """A signed move in words."""
    if withdraw == 0.0:
        return "leave"
    return f"{'withdraw' if withdraw > 0.0 else 'advance'} {abs(withdraw):g} cm"


def _tip_off(c: Comparison) -> bool:
    return c.tip is not None and c.tip.total_mm > TIP_OFF_MM


def _apart(c: Comparison, one: Landmark, other: Landmark) -> float:
    """Distance of two points in mm on the film; infinite where it proves no spacing."""
    gap = offset(c.task, one, other)
    return math.inf if gap is None else gap.total_mm


def _line_at(c: Comparison, at: Landmark) -> str | None:
    """Name of the line under a mark; None where the tube itself is nearer, or no line is near."""
    near = {
        name: min(distance_to_path_mm(c.task, at, path) for path in paths)
        for name, paths in c.task.key.lines.items()
    }
    name = min(near, key=near.__getitem__, default=None)
    if name is None or near[name] > ON_A_LINE_MM:
        return None
    tube = c.task.key.tube
    return None if tube is not None and distance_to_path_mm(c.task, at, tube) <= near[name] else name


def _over(c: Comparison, at: Landmark) -> str:
    """The vertebra that a point lies over, in words; empty where none is known."""
    bodies = c.task.key.vertebrae
    if not bodies:
        return ""
    return f" over {min(bodies, key=lambda name: abs(bodies[name].row - at.row))}"


def _tip_over(c: Comparison) -> str:
    return "" if c.task.key.tip is None else _over(c, c.task.key.tip)


def _tip_level(c: Comparison) -> str:
    over = "" if c.task.key.tip is None else _over(c, c.task.key.tip)
    return over and f",{over}"


def _mark_to_tip(c: Comparison) -> str:
    """Which way the true tip lies from the mark."""
    if c.tip is None:
        return "away from"
    return f"{c.tip.total_mm:.0f} mm {'above' if c.tip.along_mm > 0.0 else 'below'}"


def _along(off: Offset) -> str:
    return f"{abs(off.along_mm):.0f} mm too {'low' if off.along_mm > 0.0 else 'high'}"


def _height(c: Comparison) -> str:
    """How the tip stands to the carina."""
    if c.truth.distance is None:
        return " is seen"
    return f" lies {_signed_height(c.truth.distance.on_film.value)} on the film"


def _signed_height(height_cm: float) -> str:
    return f"{abs(height_cm):.1f} cm {'above' if height_cm >= 0.0 else 'below'} the carina"


def _landing(c: Comparison) -> str:
    return "elsewhere" if c.lands_on_film_cm is None else f"to {_signed_height(c.lands_on_film_cm)}"


def _beside_the_airway(c: Comparison, at: Landmark) -> str:
    off = offset_from_airway(c.task, at)
    if off is None or abs(off.across_mm) < TIP_OFF_MM:
        return ""
    side = "left" if off.across_mm > 0.0 else "right"
    return f" (its end is {abs(off.across_mm):.0f} mm to the patient's {side} of the air column's midline)"


def span(accepted: AcceptedRange) -> str:
    """A range in words."""
    low, high = accepted.low_cm.value, accepted.high_cm.value
    return f"{low:.1f} cm and more" if math.isinf(high) else f"{low:.1f} to {high:.1f} cm"
