"""How high above the carina the tip may sit, by whose rule, for whom.

Every range is in cm on the film, the plane that the published ranges were measured in.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from types import MappingProxyType

from measure.anatomy import age_from_height_years, cords_to_carina_cm, size_group
from measure.choice import unknown_word
from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.landmarks import Landmarks
from measure.patient import AgeGroup, Patient
from measure.posture import CHILD_MOVEMENT, NeckPosture, usual_shift_cm

DEFAULT_RANGE = "goodman"


@dataclass(frozen=True, slots=True)
class AcceptedRange:
    """Limits of an acceptable tip height on the film.

    Parameters
    ----------
    name : str
        Key of the table, or "own", "child", "neonate".
    low_cm, high_cm : Estimate
        The limits; their standard deviation is zero where a publication fixes them. `high_cm` may be infinite.
    target_cm : float
        Where a tube that must be moved should go: the middle, unless the source says otherwise.
    source : str
        Publication or rule.
    posture : NeckPosture
        The posture that it holds for; unknown where the source makes no difference between postures.
    age_group : AgeGroup
        Whom it is meant for.
    """

    name: str
    low_cm: Estimate
    high_cm: Estimate
    target_cm: float
    source: str
    posture: NeckPosture
    age_group: AgeGroup

    @property
    def depends_on_posture(self) -> bool:
        """Whether the neck's posture moves this range."""
        return self.posture is not NeckPosture.UNKNOWN


def _between(
    name: str, low: float, high: float, source: str, posture: NeckPosture = NeckPosture.UNKNOWN
) -> AcceptedRange:
    return AcceptedRange(name, Estimate(low), Estimate(high), (low + high) / 2.0, source, posture, AgeGroup.ADULT)


GOODMAN_SOURCE = "Goodman LR et al. AJR 1976;127:433-434"

GOODMAN = MappingProxyType(
    {
        NeckPosture.NEUTRAL: _between("goodman", 3.0, 7.0, GOODMAN_SOURCE, NeckPosture.NEUTRAL),
        NeckPosture.FLEXED: _between(
            "goodman", 1.0, 5.0, f"{GOODMAN_SOURCE}, as quoted in radiology teaching", NeckPosture.FLEXED
        ),
        NeckPosture.EXTENDED: _between(
            "goodman", 5.0, 9.0, f"{GOODMAN_SOURCE}, as quoted in radiology teaching", NeckPosture.EXTENDED
        ),
    }
)
"""5, 3 and 7 cm, each plus or minus 2 cm, with the neck neutral, flexed and extended."""

PREHOSPITAL_TARGET_CM = GOODMAN[NeckPosture.NEUTRAL].target_cm
"""A range without an upper limit has no middle: Goodman's is aimed at (ours)."""

OTHER_PUBLISHED = MappingProxyType(
    {
        "schwartz": _between("schwartz", 2.0, 6.0, "Schwartz DE et al. Crit Care Med 1994: > 2 and <= 6 cm"),
        "prehospital": replace(
            _between("prehospital", 2.0, math.inf, "prehospital study, Crit Care abstract cc7167: >= 2 cm"),
            target_cm=PREHOSPITAL_TARGET_CM,
        ),
        "teaching-2-5": _between("teaching-2-5", 2.0, 5.0, "teaching texts: 2 to 5 cm (common practice)"),
        "teaching-3-5": _between("teaching-3-5", 3.0, 5.0, "teaching texts: 3 to 5 cm (common practice)"),
    }
)
"""Adult ranges that make no difference between neck postures."""

MIDDLE_THIRD_ENDS_AT = 2.0 / 3.0
"""Upper end of the trachea's middle third, as a share of the way from carina to cords (common practice)."""

RANGE_NAMES = (DEFAULT_RANGE, *OTHER_PUBLISHED)


def own_range(text: str) -> AcceptedRange:
    """A range given by the user as "LOW-HIGH" in cm, for instance "2.5-5".

    Raises
    ------
    MeasureError
        Where the text is no pair of rising, non-negative numbers.
    """
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*-\s*(\d+(?:\.\d+)?)\s*", text.replace(",", "."))
    low, high = (float(part) for part in match.groups()) if match else (math.nan, math.nan)
    if not low < high:
        raise unknown_word(
            text, RANGE_NAMES, "accepted range", or_else="your own limits in cm as LOW-HIGH, for instance 2.5-5"
        )
    return _between("own", low, high, "given by the user")


def parse_range(text: str) -> str | AcceptedRange:
    """A name of `RANGE_NAMES` as it stands, or the user's own limits."""
    return text if text in RANGE_NAMES else own_range(text)


def range_for(
    patient: Patient,
    posture: NeckPosture,
    choice: str | AcceptedRange,
    film_per_patient: Estimate,
) -> AcceptedRange:
    """The range that this patient's tip height is held against; the newborn's own is `newborn_range`.

    Parameters
    ----------
    patient : Patient
        Without an age, the height tells a child from an adult; without either, adult limits apply and `assess`
        says so.
    posture : NeckPosture
        Of the neck on this film; unknown is judged against the neutral range.
    choice : str or AcceptedRange
        A name of `RANGE_NAMES` or the user's own limits. The user's own hold at any age, a published adult
        range for adults alone.
    film_per_patient : Estimate
        cm on the film for a cm along the airway in the patient.

    Raises
    ------
    MeasureError
        Where there is no rule for this patient.
    """
    if isinstance(choice, AcceptedRange):
        return choice
    group = size_group(patient)
    if group is AgeGroup.CHILD:
        return _child(patient, posture, film_per_patient)
    if choice == DEFAULT_RANGE:
        known = posture if posture in GOODMAN else NeckPosture.NEUTRAL
        return GOODMAN[known]
    return OTHER_PUBLISHED[choice]


def _child(patient: Patient, posture: NeckPosture, film_per_patient: Estimate) -> AcceptedRange:
    """From the height that flexion can take away to the upper end of the trachea's middle third.

    Derived in docs/accepted-range.md; in the patient first, then drawn on the film.
    """
    low = Estimate(CHILD_MOVEMENT[NeckPosture.FLEXED].at_age_cm(_age_years(patient)))
    high = cords_to_carina_cm(patient).times(Estimate(MIDDLE_THIRD_ENDS_AT))
    if high.value <= low.value:
        raise MeasureError(
            f"child's range: the trachea's middle third ends {high.value:.1f} cm above the carina, less than the "
            f"{low.value:.1f} cm that flexion may take; check age and height, and use local rules."
        )
    known = posture if posture is not NeckPosture.UNKNOWN else NeckPosture.NEUTRAL
    shift = Estimate(usual_shift_cm(known, patient))
    low, high = (limit.times(film_per_patient).plus(shift) for limit in (low, high))
    return AcceptedRange(
        "child",
        Estimate(max(low.value, 0.0), low.sd),
        high,
        (max(low.value, 0.0) + high.value) / 2.0,
        "Weiss M et al. Br J Anaesth 2006;96:486-491 (flexion) and the trachea's middle third (common practice)",
        known,
        AgeGroup.CHILD,
    )


def _age_years(patient: Patient) -> float:
    """The child's age, or the age that goes with the height."""
    if patient.age_years is not None:
        return patient.age_years
    if patient.height_cm is not None:
        return age_from_height_years(patient.height_cm)
    raise MeasureError("child's range: neither age nor height found; give one of them.")


CARINA_BELOW_T2 = Estimate(1.5, 0.7)
"""A newborn's carina lies so many vertebrae below the lower border of T2, so over T3 to T4 (memory); asked only
where it is not marked."""


@dataclass(frozen=True, slots=True)
class Levels:
    """A newborn's landmarks in rows above the lower border of T2 as it was marked, each with its own error.

    Parameters
    ----------
    tip, carina : Estimate
        The carina is negative; where it is not marked, it is guessed from the vertebrae.
    lower, upper : Estimate
        Lower border of T2 and upper border of T1.
    """

    tip: Estimate
    carina: Estimate
    lower: Estimate
    upper: Estimate


def newborn_levels(landmarks: Landmarks) -> Levels:
    """Read the levels off the marks; neither carina nor spacing is needed.

    Half the distance between the centres of T1 and T2 is taken for half a vertebral body.

    Raises
    ------
    MeasureError
        Where T1, T2 or the tip is missing, or T1 lies below T2.
    """
    first, second, tip = landmarks.vertebrae.get("T1"), landmarks.vertebrae.get("T2"), landmarks.tip
    if first is None or second is None or tip is None:
        raise MeasureError("neonate: the accepted range is a vertebral level; mark the centres of T1 and T2.")
    if not first.row < second.row:
        raise MeasureError("neonate: T1 found below T2; mark T1 above T2.")
    body = second.row - first.row
    border = second.row + body / 2.0
    carina = Estimate(-CARINA_BELOW_T2.value * body, CARINA_BELOW_T2.sd * body)
    if landmarks.carina is not None:
        carina = Estimate(border - landmarks.carina.row, landmarks.carina.sd_px)
    return Levels(
        tip=Estimate(border - tip.row, tip.sd_px),
        carina=carina,
        lower=Estimate(0.0, math.hypot(1.5 * second.sd_px, 0.5 * first.sd_px)),
        upper=Estimate(2.0 * body, math.hypot(1.5 * first.sd_px, 0.5 * second.sd_px)),
    )


def newborn_range(levels: Levels, cm_per_row: float) -> AcceptedRange:
    """From the lower border of T2 to the upper border of T1, as heights above the carina on the film."""
    low, high = (
        Estimate((border.value - levels.carina.value) * cm_per_row, border.sd * cm_per_row)
        for border in (levels.lower, levels.upper)
    )
    return AcceptedRange(
        "neonate",
        low,
        high,
        (low.value + high.value) / 2.0,
        "Peng C-C et al. Front Pediatr 2020;8:367: upper border of T1 to lower border of T2",
        NeckPosture.UNKNOWN,
        AgeGroup.NEONATE,
    )
