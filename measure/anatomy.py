"""Published sizes of the adult airway, and how a patient's own are estimated from them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType

from measure.estimate import Estimate
from measure.patient import ADULT_FROM_YEARS, AgeGroup, Patient, Sex

CORDS_TO_CARINA_CM = MappingProxyType({Sex.MALE: Estimate(13.0, 1.5), Sex.FEMALE: Estimate(11.6, 1.3)})
"""Vocal cords to carina, adults, along the airway, by bronchoscopy.

Source: Chulalongkorn study, J Med Assoc Thai 2005;88(6) (seen).
"""

SUBCARINAL_ANGLE_DEG = Estimate(78.0, 20.0)
"""Angle between the main bronchi. Source: in vivo morphometry on 60 CT scans (seen)."""

TRACHEAL_WIDTH_LIMITS_MM = MappingProxyType({Sex.MALE: (13.0, 25.0), Sex.FEMALE: (10.0, 21.0)})
"""Coronal width of the trachea on chest films, adults, 3 SD limits, n = 808.

Source: Breatnach E et al. AJR 1984;142:903-906 (seen).
"""

BACKWARD_LEAN_DEG = Estimate(20.6, 6.9)
RIGHTWARD_LEAN_DEG = Estimate(4.2, 5.3)
"""Angle of the trachea to the coronal plane (it descends backwards), and to the right within that plane.

68 intubated, ventilated adults at 5 cmH2O airway pressure.
Source: Zanella A et al. Respir Care 2015;60:561-566 (seen).
"""

REFERENCE_HEIGHT_CM = 165.0
"""Height that the pooled adult length is taken to belong to; ours, between the heights of the two sexes."""

HEIGHT_RULE_WIDENING = 1.25
"""Factor on the pooled relative spread where the length is scaled by height; ours.

The proportion between airway and height is a rule of three that no study here has tested.
"""

ADULT_SIZED_FROM_CM = 140.0
"""Where the age is not known, patients from this height upwards are taken for adults; ours."""

HEIGHT_RULE_CM_PER_YEAR = 6.0
HEIGHT_RULE_OFFSET_CM = 77.0
HEIGHT_RULE_YEARS = (1.0, 12.0)
"""Height = 6 x age + 77 cm from 1 to 12 years. Source: common practice, from memory."""

NEWBORN_HEIGHT_CM = 50.0
"""Length at birth. Source: common practice."""

HEIGHT_FROM_AGE_RELATIVE_SD = 0.06
"""Spread of height about the rule; ours: 3 cm at birth, 9 cm at 12 years, wider than growth charts show."""


@dataclass(frozen=True, slots=True)
class SourcedEstimate:
    """An estimate and the words that say where it came from."""

    estimate: Estimate
    source: str


def size_group(patient: Patient) -> AgeGroup | None:
    """Age group by age, else by height (adult from `ADULT_SIZED_FROM_CM`), else None."""
    if patient.age_group is not None:
        return patient.age_group
    if patient.height_cm is None:
        return None
    return AgeGroup.ADULT if patient.height_cm >= ADULT_SIZED_FROM_CM else AgeGroup.CHILD


def _growth_curve() -> tuple[tuple[float, ...], tuple[float, ...]]:
    first, last = HEIGHT_RULE_YEARS
    ages = (0.0, first, last, ADULT_FROM_YEARS)
    by_rule = tuple(HEIGHT_RULE_CM_PER_YEAR * age + HEIGHT_RULE_OFFSET_CM for age in (first, last))
    return ages, (NEWBORN_HEIGHT_CM, *by_rule, REFERENCE_HEIGHT_CM)


def height_from_age_cm(age_years: float) -> Estimate:
    """Height of a child from the age.

    6 x age + 77 cm from 1 to 12 years (common practice, from memory). Outside, straight lines of our own:
    from 50 cm at birth to the rule's 83 cm at 1 year, and from its 149 cm at 12 years to the adult reference
    height of 165 cm at 18; constant after that.
    """
    import numpy as np

    height_cm = float(np.interp(age_years, *_growth_curve()))
    return Estimate(height_cm, height_cm * HEIGHT_FROM_AGE_RELATIVE_SD)


def age_from_height_years(height_cm: float) -> float:
    """Age at which a child has this height by `height_from_age_cm`; from 0 to 18 years."""
    import numpy as np

    ages, heights = _growth_curve()
    return float(np.interp(height_cm, heights, ages))


def pooled_cords_to_carina_cm() -> Estimate:
    """Both sexes in equal parts: the mean and standard deviation of the mixture; ours."""
    men, women = CORDS_TO_CARINA_CM[Sex.MALE], CORDS_TO_CARINA_CM[Sex.FEMALE]
    within = (men.sd**2 + women.sd**2) / 2.0
    between = ((men.value - women.value) / 2.0) ** 2
    return Estimate((men.value + women.value) / 2.0, math.sqrt(within + between))


def _cords_to_carina_by_height_cm(height_cm: Estimate) -> Estimate:
    pooled = pooled_cords_to_carina_cm()
    widened = Estimate(pooled.value, pooled.sd * HEIGHT_RULE_WIDENING)
    share = Estimate(height_cm.value / REFERENCE_HEIGHT_CM, height_cm.sd / REFERENCE_HEIGHT_CM)
    return widened.times(share)


def cords_to_carina(patient: Patient) -> SourcedEstimate:
    """Vocal cords to carina along the airway, in cm in the patient, with the rule that gave it.

    See `cords_to_carina_cm`.
    """
    grown = size_group(patient) in (AgeGroup.ADULT, None)
    if grown and patient.sex is not None:
        return SourcedEstimate(
            CORDS_TO_CARINA_CM[patient.sex], f"adult, {patient.sex.value}: J Med Assoc Thai 2005;88(6)"
        )
    if patient.height_cm is not None:
        return SourcedEstimate(
            _cords_to_carina_by_height_cm(Estimate(patient.height_cm)),
            f"in proportion to height (ours), from {REFERENCE_HEIGHT_CM:g} cm in adults",
        )
    if not grown and patient.age_years is not None:
        return SourcedEstimate(
            _cords_to_carina_by_height_cm(height_from_age_cm(patient.age_years)),
            "in proportion to height (ours), the height from the age (common practice)",
        )
    return SourcedEstimate(
        pooled_cords_to_carina_cm(), "adult, sex not known: both sexes of J Med Assoc Thai 2005;88(6) pooled"
    )


def cords_to_carina_cm(patient: Patient) -> Estimate:
    """Vocal cords to carina along the airway, in cm in the patient.

    Adults: by sex (bronchoscopy, `CORDS_TO_CARINA_CM`). Sex not known: the pooled adult value in proportion
    to height, its spread widened (ours). Height not known either: both sexes pooled. Children: always in
    proportion to height (ours), and where the height is not known, to the height from the age
    (`height_from_age_cm`). Where the age is not known, patients below 140 cm count as children, all others
    as adults.
    """
    return cords_to_carina(patient).estimate


def tracheal_width_limits_mm(sex: Sex | None) -> tuple[float, float]:
    """Lowest and highest usual tracheal width of adults in mm on the film; both sexes' where it is not known.

    Source: Breatnach E et al. AJR 1984;142:903-906 (seen).
    """
    if sex is not None:
        return TRACHEAL_WIDTH_LIMITS_MM[sex]
    lows, highs = zip(*TRACHEAL_WIDTH_LIMITS_MM.values(), strict=True)
    return min(lows), max(highs)


def airway_share(patient: Patient) -> float:
    """The airway's length as a share of an adult's: 1 in adults and where nothing is known."""
    if size_group(patient) in (AgeGroup.ADULT, None):
        return 1.0
    return min(cords_to_carina_cm(patient).value / pooled_cords_to_carina_cm().value, 1.0)
