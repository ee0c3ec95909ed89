"""Neck posture on the film, and how far the tube's tip moves with the neck."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise
from types import MappingProxyType

from measure.anatomy import age_from_height_years, size_group
from measure.errors import MeasureError
from measure.estimate import Z95, Estimate, uniform
from measure.landmarks import VERTEBRAE, Landmarks
from measure.patient import AgeGroup, Patient


class NeckPosture(StrEnum):
    """Posture of the neck when the film was taken."""

    NEUTRAL = "neutral"
    FLEXED = "flexed"
    EXTENDED = "extended"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class PostureBelief:
    """What is held of the neck's posture on a film, and on whose word.

    Parameters
    ----------
    posture : NeckPosture
        The posture, where it is known.
    reason : str
        "given", the level of the mandible, or what is missing.
    neutral, flexed, extended : float
        Probability of each; they add up to 1.

    Raises
    ------
    MeasureError
        Where the three are no probabilities that add up to 1.
    """

    posture: NeckPosture
    reason: str
    neutral: float
    flexed: float
    extended: float

    def __post_init__(self) -> None:
        shares = (self.neutral, self.flexed, self.extended)
        if not (all(0.0 <= share <= 1.0 for share in shares) and math.isclose(sum(shares), 1.0, abs_tol=1e-6)):
            raise MeasureError(f"neck posture: probabilities {shares} found; three that add up to 1 expected.")

    @property
    def named(self) -> bool:
        """Whether the posture is known."""
        return self.posture is not NeckPosture.UNKNOWN


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a mixture: with this probability the neck has moved the tip by `shift_cm`."""

    probability: float
    shift_cm: Estimate


@dataclass(frozen=True, slots=True)
class MovementStudy:
    """Movement of the tip between the neutral and an extreme posture, in cm; positive away from the carina.

    Parameters
    ----------
    mean_cm : float
        Mean over the patients.
    sd_cm : float or None
        Between patients; None where not published.
    source : str
        Publication.
    """

    mean_cm: float
    sd_cm: float | None
    source: str


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

RANGE_OVER_SD_OF_50 = 4.498
"""Expected range of 50 normal values in standard deviations.

Source: Tippett's table, Biometrika 1925;17:364-387, there 4.49815 (memory; recomputed in the tests).
"""

_ICU = "Conrardy PA et al. Crit Care Med 1976;4:8-12 (20 semi-erect ICU adults; seen)"
_ANAESTHETISED = "Alterations in endotracheal tube position during general anaesthesia (50 adults; seen)"
_FIBRESCOPE = "trial KCT0005319 (62 adults, ultrasound and fibrescope; abstract seen)"

ICU_MOVEMENT_CM = MappingProxyType({NeckPosture.FLEXED: -1.9, NeckPosture.EXTENDED: 1.9})
"""Mean movement in 20 semi-erect ICU adults, 8.0 mm tubes. Source: Conrardy PA et al. Crit Care Med 1976;4:8-12
(seen)."""

STUDIES = MappingProxyType(
    {
        NeckPosture.FLEXED: (
            MovementStudy(ICU_MOVEMENT_CM[NeckPosture.FLEXED], None, _ICU),
            MovementStudy(-0.55, (1.9 + 2.3) / RANGE_OVER_SD_OF_50, _ANAESTHETISED),
        ),
        NeckPosture.EXTENDED: (
            MovementStudy(ICU_MOVEMENT_CM[NeckPosture.EXTENDED], None, _ICU),
            MovementStudy(0.63, (3.3 + 2.1) / RANGE_OVER_SD_OF_50, _ANAESTHETISED),
            MovementStudy(2.1, 1.0, _FIBRESCOPE),
        ),
    }
)
"""What is published on adults. The anaesthetised study gives ranges (2.3 cm in to 1.9 cm out on flexion, 2.1 cm in
to 3.3 cm out on extension); they are turned into standard deviations by `RANGE_OVER_SD_OF_50`."""

FULL_SHIFT_CM = 2.0
"""Shift of the tip in a neck that is flexed or extended as the mandible's level shows it: the difference between
the accepted ranges by posture (Goodman LR et al. AJR 1976;127:433-434), in keeping with 1.9 and 2.1 cm of
`STUDIES`."""

PATIENT_SD_CM = 0.9
"""Spread of that shift from patient to patient: the smallest published own spread (0.93 cm, `STUDIES`), rounded;
the larger ones hold the measuring error too."""

NEUTRAL_SD_CM = 0.4
"""What is left in a neutral neck (ours): C5 and C6 both count as neutral, a level either way of their border; the
full shift spreads over the three levels to T1, so that a level is 0.67 cm, taken as uniform."""

PARTIAL_SHARE = uniform(0.2, 1.0)
"""Share of the full shift in a neck that is flexed or extended to a degree that nobody has told (ours). With it
the shift is 1.2 cm with a standard deviation of 1.0 cm, between the studies' 0.6 and 2.1 cm."""

UNKNOWN_SHARES = MappingProxyType(
    {NeckPosture.NEUTRAL: 0.70, NeckPosture.FLEXED: 0.20, NeckPosture.EXTENDED: 0.10}
)
"""How often necks lie so on portable films whose posture nobody has told (ours: no publication was found).
Semi-erect patients rather nod than look up."""

CHILD_MOVEMENT = MappingProxyType(
    {NeckPosture.FLEXED: ChildMovement(0.83, 9.3), NeckPosture.EXTENDED: ChildMovement(0.71, 9.9)}
)
"""Greatest movement of the tip in children with 30 degrees of neck movement: flexion in, extension out.

Source: Weiss M et al. Br J Anaesth 2006;96:486-491 (seen).
"""


def given_posture(posture: NeckPosture) -> PostureBelief:
    """The belief where somebody has told the posture; the usual shares where that is "unknown"."""
    if posture is NeckPosture.UNKNOWN:
        return unknown_posture("not told")
    return _named(posture, "given")


def unknown_posture(reason: str, *, flexed: float | None = None, extended: float | None = None) -> PostureBelief:
    """The belief where the posture is not known.

    Parameters
    ----------
    reason : str
        Why not.
    flexed, extended : float, optional
        Probability of each; by default the usual shares (`UNKNOWN_SHARES`).
    """
    down = UNKNOWN_SHARES[NeckPosture.FLEXED] if flexed is None else flexed
    up = UNKNOWN_SHARES[NeckPosture.EXTENDED] if extended is None else extended
    return PostureBelief(NeckPosture.UNKNOWN, reason, 1.0 - down - up, down, up)


def _named(posture: NeckPosture, reason: str) -> PostureBelief:
    shares = [float(posture is each) for each in (NeckPosture.NEUTRAL, NeckPosture.FLEXED, NeckPosture.EXTENDED)]
    return PostureBelief(posture, reason, *shares)


def posture_at(level: str) -> PostureBelief:
    """Posture with the mandible's lower border over a vertebral body, by `POSTURE_BY_VERTEBRA`.

    Raises
    ------
    MeasureError
        Where no vertebra of that name can be marked.
    """
    if level not in POSTURE_BY_VERTEBRA:
        raise MeasureError(f"mandible: over {level} found, one of {', '.join(VERTEBRAE)} expected.")
    where, posture = f"the mandible's lower border lies over {level}", POSTURE_BY_VERTEBRA[level]
    if posture is not NeckPosture.UNKNOWN:
        return _named(posture, where)
    return unknown_posture(f"{where}, between the neutral and the flexed levels", flexed=0.5, extended=0.0)


def posture_without_mandible() -> PostureBelief:
    """The belief on a film that reaches C7 and shows no mandible: the neck is not flexed (ours, from the rule
    above).
    """
    extended = UNKNOWN_SHARES[NeckPosture.EXTENDED] / (1.0 - UNKNOWN_SHARES[NeckPosture.FLEXED])
    return unknown_posture("no mandible on a film that reaches C7: not flexed", flexed=0.0, extended=extended)


def posture_from_mandible(landmarks: Landmarks) -> PostureBelief:
    """Neck posture from the level of the mandible's lower border against marked vertebrae.

    The level is read between marked centres, and at most one level beyond the last of them. See
    `POSTURE_BY_VERTEBRA` for the rule and its source.

    Returns
    -------
    PostureBelief
        Unknown, with the reason, where the marks do not settle it.
    """
    if landmarks.mandible is None:
        return unknown_posture("the mandible's lower border is not marked")
    try:
        marked = _marked_levels(landmarks)
    except MeasureError as error:
        return unknown_posture(str(error))
    level = _level_at(landmarks.mandible.row, marked)
    furthest = min(max(level, marked[0][0] - 1.0), marked[-1][0] + 1.0)
    found = posture_at(_vertebra_at(furthest))
    if level == furthest:
        return found
    if not _settled_beyond(found.posture, upwards=level < furthest):
        side = "above" if level < furthest else "below"
        return unknown_posture(
            f"the mandible lies more than one level {side} the marked vertebrae; mark one nearer to it"
        )
    return replace(found, reason=f"{found.reason} or beyond")


def _marked_levels(landmarks: Landmarks) -> list[tuple[float, float]]:
    """(level, row) of each marked vertebra from the top down; level 0 is C3."""
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


def shifts_from_neutral(belief: PostureBelief, patient: Patient) -> tuple[Part, ...]:
    """How far the neck has moved the tip from its neutral height, in cm on the film; positive upwards.

    The one model of the neck: accepted range, follow-up and advice all ask it.

    Adults: none in the neutral neck, the full shift in a named posture, a part of it in one that is only possible
    (`FULL_SHIFT_CM`, `PARTIAL_SHARE`); the children's study already runs from none to all. Children: Weiss 2006
    gives the greatest movement by age, in a known direction. The 95 % interval of the full shift is taken to run
    from no movement to that greatest one (ours). The study moved the neck by 30 degrees; its lines are used up to
    18 years, where they give 2.4 cm in and 2.3 cm out. Where neither age nor height is known, the patient is taken
    for an adult.

    Returns
    -------
    tuple of Part
        At least one; their probabilities add up to 1.
    """
    chances = {
        NeckPosture.NEUTRAL: belief.neutral,
        NeckPosture.FLEXED: belief.flexed,
        NeckPosture.EXTENDED: belief.extended,
    }
    return tuple(
        Part(chance, _shift_cm(posture, patient, belief.named))
        for posture, chance in chances.items()
        if chance > 0.0
    )


def mixed(parts: Sequence[Part]) -> Estimate:
    """Mean and standard deviation of a mixture."""
    mean = sum(part.probability * part.shift_cm.value for part in parts)
    square = sum(part.probability * (part.shift_cm.sd**2 + (part.shift_cm.value - mean) ** 2) for part in parts)
    return Estimate(mean, math.sqrt(square))


def usual_shift_cm(posture: NeckPosture, patient: Patient) -> float:
    """Mean shift of the tip in a posture, in cm; zero where it is unknown: what an accepted range is moved by."""
    if posture is NeckPosture.UNKNOWN:
        return 0.0
    return _shift_cm(posture, patient, named=True).value


def movements_between(start: PostureBelief, end: PostureBelief, patient: Patient) -> tuple[Part, ...]:
    """Change of the tip's height above the carina, in cm, when the neck moves; positive away from the carina.

    Exactly none between equal known postures; else every pair of possible shifts, taken as independent.
    """
    if start.named and start.posture is end.posture:
        return (Part(1.0, Estimate(0.0)),)
    before, after = shifts_from_neutral(start, patient), shifts_from_neutral(end, patient)
    return tuple(
        Part(one.probability * other.probability, other.shift_cm.minus(one.shift_cm))
        for one in before
        for other in after
    )


def _shift_cm(posture: NeckPosture, patient: Patient, named: bool) -> Estimate:
    age_years = _child_age_years(patient)
    if posture is NeckPosture.NEUTRAL:
        adult_share = 1.0 if age_years is None else _child_full_cm(posture.FLEXED, age_years) / FULL_SHIFT_CM
        return Estimate(0.0, NEUTRAL_SD_CM * adult_share)
    sign = -1.0 if posture is NeckPosture.FLEXED else 1.0
    if age_years is None:
        full, spread = FULL_SHIFT_CM, PATIENT_SD_CM
    else:
        full = _child_full_cm(posture, age_years)
        spread = full / Z95
    if named or age_years is not None:
        return Estimate(sign * full, spread)
    return Estimate(sign * full * PARTIAL_SHARE.value, math.hypot(full * PARTIAL_SHARE.sd, spread))


def _child_full_cm(posture: NeckPosture, age_years: float) -> float:
    """Half the greatest movement: the middle between none and the greatest."""
    return CHILD_MOVEMENT[posture].at_age_cm(age_years) / 2.0


def _child_age_years(patient: Patient) -> float | None:
    """Age of a child, from the height where only that is known; None for adults."""
    if size_group(patient) in (AgeGroup.ADULT, None):
        return None
    if patient.age_years is not None:
        return patient.age_years
    return None if patient.height_cm is None else age_from_height_years(patient.height_cm)
