"""Neck posture on the film, and how far the tube's tip moves with the neck."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from types import MappingProxyType

from measure.anatomy import age_from_height_years, size_group
from measure.errors import MeasureError
from measure.estimate import Z95, Estimate
from measure.landmarks import VERTEBRAE, Landmarks
from measure.patient import AgeGroup, Patient


class NeckPosture(StrEnum):
    """Posture of the neck when the film was taken."""

    NEUTRAL = "neutral"
    FLEXED = "flexed"
    EXTENDED = "extended"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class PostureFinding:
    """The posture and why: the level of the mandible, or what was missing."""

    posture: NeckPosture
    reason: str


@dataclass(frozen=True, slots=True)
class MovementRange:
    """Mean movement of the tip and the extremes seen, in cm; positive away from the carina."""

    mean_cm: float
    furthest_in_cm: float
    furthest_out_cm: float


@dataclass(frozen=True, slots=True)
class ChildMovement:
    """A straight line by age for the greatest movement of the tip, without its direction."""

    mm_per_year: float
    at_birth_mm: float

    def at_age_cm(self, age_years: float) -> float:
        """Greatest movement in cm at an age."""
        return (self.mm_per_year * age_years + self.at_birth_mm) / 10.0


POSTURE_BY_VERTEBRA = MappingProxyType(
    {
        **dict.fromkeys(("C3", "C4"), NeckPosture.EXTENDED),
        **dict.fromkeys(("C5", "C6"), NeckPosture.NEUTRAL),
        "C7": NeckPosture.UNKNOWN,
        **dict.fromkeys(VERTEBRAE[VERTEBRAE.index("T1") :], NeckPosture.FLEXED),
    }
)
"""Posture by the vertebral body that the mandible's lower border lies over.

C5 to C6 neutral, T1 or lower flexed, C3 to C4 or higher extended; C7 is in neither.
Source: Goodman LR et al. AJR 1976;127:433-434 (seen second-hand).
"""

ICU_MOVEMENT_CM = MappingProxyType({"flexion": -1.9, "extension": 1.9, "lateral rotation": 0.7})
"""Mean movement of the tip from neutral, positive away from the carina.

20 semi-erect ICU adults, 8.0 mm tubes.

Source: Conrardy PA et al. Crit Care Med 1976;4:8-12 (seen).
"""

ANAESTHETISED_MOVEMENT_CM = MappingProxyType(
    {
        NeckPosture.FLEXED: MovementRange(-0.55, -2.3, 1.9),
        NeckPosture.EXTENDED: MovementRange(0.63, -2.1, 3.3),
    }
)
"""Movement of the tip from neutral; 50 anaesthetised adults.

Source: Alterations in endotracheal tube position during general anaesthesia (seen).
"""

RANGE_OVER_SD_OF_50 = 4.498
"""Expected range of 50 normal values in standard deviations.

Source: Tippett's table, Biometrika 1925;17:364-387, there 4.49815 (memory; recomputed in the tests).
"""

CHILD_MOVEMENT = MappingProxyType(
    {NeckPosture.FLEXED: ChildMovement(0.83, 9.3), NeckPosture.EXTENDED: ChildMovement(0.71, 9.9)}
)
"""Greatest movement of the tip in children with 30 degrees of neck movement: flexion in, extension out.

Source: Weiss M et al. Br J Anaesth 2006;96:486-491 (seen).
"""


def posture_from_mandible(landmarks: Landmarks) -> PostureFinding:
    """Neck posture from the level of the mandible's lower border against marked vertebrae.

    The level is read between marked centres, and at most one level beyond the last of them. See
    `POSTURE_BY_VERTEBRA` for the rule and its source.

    Returns
    -------
    PostureFinding
        Unknown, with the reason, where the marks do not settle it.
    """
    if landmarks.mandible is None:
        return PostureFinding(NeckPosture.UNKNOWN, "the mandible's lower border is not marked")
    try:
        marked = _marked_levels(landmarks)
    except MeasureError as error:
        return PostureFinding(NeckPosture.UNKNOWN, str(error))
    row = landmarks.mandible.row
    level = _level_at(row, marked)
    furthest = min(max(level, marked[0][0] - 1.0), marked[-1][0] + 1.0)
    beyond = level != furthest
    name = _vertebra_at(furthest)
    posture = POSTURE_BY_VERTEBRA[name]
    if beyond and not _settled_beyond(posture, upwards=level < furthest):
        side = "above" if level < furthest else "below"
        return PostureFinding(
            NeckPosture.UNKNOWN,
            f"the mandible lies more than one level {side} the marked vertebrae; mark one nearer to it",
        )
    where = f"the mandible's lower border lies over {name}" + (" or beyond" if beyond else "")
    if posture is NeckPosture.UNKNOWN:
        return PostureFinding(posture, f"{where}, between the neutral and the flexed levels")
    return PostureFinding(posture, where)


def _marked_levels(landmarks: Landmarks) -> list[tuple[float, float]]:
    """(level, row) of each marked vertebra from the top down; level 0 is C3."""
    strange = sorted(set(landmarks.vertebrae) - set(VERTEBRAE))
    if strange:
        raise MeasureError(f"{', '.join(strange)} marked, vertebrae from C3 to L1 expected")
    marked = sorted((float(VERTEBRAE.index(name)), mark.row) for name, mark in landmarks.vertebrae.items())
    if len(marked) < 2:
        raise MeasureError(f"vertebrae marked: {len(marked)}; at least two are needed to tell the level")
    if any(lower[1] <= upper[1] for upper, lower in pairwise(marked)):
        raise MeasureError("the marked vertebrae do not follow one another down the film; check their names")
    return marked


def _level_at(row: float, marked: list[tuple[float, float]]) -> float:
    """Level of a row, on the straight line through the nearest two marked centres."""
    upper, lower = next((pair for pair in pairwise(marked) if row <= pair[1][1]), (marked[-2], marked[-1]))
    return upper[0] + (row - upper[1]) * (lower[0] - upper[0]) / (lower[1] - upper[1])


def _vertebra_at(level: float) -> str:
    """The vertebral body at a level; all above C3 count with it, all below L1 with that."""
    return VERTEBRAE[min(max(round(level), 0), len(VERTEBRAE) - 1)]


def _settled_beyond(posture: NeckPosture, *, upwards: bool) -> bool:
    """Whether anything further in the same direction is the same posture."""
    return posture is (NeckPosture.EXTENDED if upwards else NeckPosture.FLEXED)


def movement_between(start: NeckPosture, end: NeckPosture, patient: Patient) -> Estimate:
    """Change of the tip's height above the carina, in cm along the airway, when the neck moves.

    Positive away from the carina. The difference of the two postures' positions relative to neutral
    (`position_from_neutral`), taken as independent; an unknown posture brings its own spread. Exactly zero
    between equal known postures.

    Parameters
    ----------
    start, end : NeckPosture
        Posture before and after.
    patient : Patient
        Chooses the adults' or the children's studies.
    """
    if start is end and start is not NeckPosture.UNKNOWN:
        return Estimate(0.0)
    return position_from_neutral(end, patient).minus(position_from_neutral(start, patient))


def position_from_neutral(posture: NeckPosture, patient: Patient) -> Estimate:
    """Height of the tip in a posture less its height in the neutral one, in cm; positive upwards.

    Adults: the mean is the 1.9 cm of the ICU study (Conrardy 1976), in keeping with the accepted ranges by
    posture (Goodman 1976: 2 cm). The second study, of anaesthetised adults, found a third of it and no
    direction that holds in one patient. So the standard deviation is the root mean square deviation of that
    study's patients from the 1.9 cm: their own standard deviation, which is the range of 50 values over
    4.498, and the distance of their mean from 1.9 cm, squared and added (ours). That gives 1.64 cm for
    flexion and 1.75 cm for extension; the 95 % intervals run from 5.1 cm in to 1.3 cm out, and from 1.5 cm
    in to 5.3 cm out.

    Children: Weiss 2006 gives the greatest movement by age, in a known direction. The 95 % interval is taken
    to run from no movement to that greatest one, with its middle as the mean (ours: a zero mean would throw
    the known direction away, the greatest movement as mean would overstate it in most children). The study
    moved the neck by 30 degrees; its lines are used up to 18 years, where they give 2.4 cm in and 2.3 cm out.

    Where neither age nor height is known, the patient is taken for an adult.
    """
    if posture is NeckPosture.NEUTRAL:
        return Estimate(0.0)
    if posture is NeckPosture.UNKNOWN:
        return unknown_posture_shift(patient)
    age_years = _child_age_years(patient)
    if age_years is None:
        return _adult_position_cm(posture)
    sign = -1.0 if posture is NeckPosture.FLEXED else 1.0
    half_cm = CHILD_MOVEMENT[posture].at_age_cm(age_years) / 2.0
    return Estimate(sign * half_cm, half_cm / Z95)


def unknown_posture_shift(patient: Patient) -> Estimate:
    """Shift of the tip from its neutral place where the posture is not known, in cm: zero, with a spread.

    The 95 % half-width is the published movement: 1.9 cm in adults (Conrardy 1976), in children the larger
    of the two greatest movements at the age (Weiss 2006). That it is a 95 % half-width is ours.
    """
    age_years = _child_age_years(patient)
    if age_years is None:
        return Estimate(0.0, ICU_MOVEMENT_CM["extension"] / Z95)
    largest_cm = max(movement.at_age_cm(age_years) for movement in CHILD_MOVEMENT.values())
    return Estimate(0.0, largest_cm / Z95)


def _adult_position_cm(posture: NeckPosture) -> Estimate:
    mean_cm = ICU_MOVEMENT_CM["flexion" if posture is NeckPosture.FLEXED else "extension"]
    second = ANAESTHETISED_MOVEMENT_CM[posture]
    own_sd = (second.furthest_out_cm - second.furthest_in_cm) / RANGE_OVER_SD_OF_50
    return Estimate(mean_cm, (own_sd**2 + (second.mean_cm - mean_cm) ** 2) ** 0.5)


def _child_age_years(patient: Patient) -> float | None:
    """Age of a child, from the height where only that is known; None for adults."""
    if size_group(patient) in (AgeGroup.ADULT, None):
        return None
    if patient.age_years is not None:
        return patient.age_years
    return None if patient.height_cm is None else age_from_height_years(patient.height_cm)
