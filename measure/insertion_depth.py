"""Published rules for how deep to insert a tube, each with what it aims at."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from measure.anatomy import size_group
from measure.errors import MeasureError
from measure.patient import OLDEST_YEARS, SMALLEST_CM, TALLEST_CM, AgeGroup, Patient, Sex
from measure.tube import SIZE_LIMITS_MM


class Route(StrEnum):
    """Way of the tube into the trachea."""

    ORAL = "oral"
    NASAL = "nasal"


class Reference(StrEnum):
    """Where the centimetre mark is read."""

    INCISORS = "incisors"
    MOUTH_ANGLE = "right mouth angle"
    CANINE = "right upper canine"
    LIP = "lip"
    NOSTRIL = "nostril"
    NOT_STATED = "not stated"


class Quantity(StrEnum):
    """What a rule computes from."""

    HEIGHT_CM = "height (cm)"
    AGE_YEARS = "age (years)"
    TUBE_SIZE_MM = "tube size (mm inside diameter)"
    WEIGHT_KG = "weight (kg)"
    NASAL_TRAGUS_CM = "nasal septum to tragus (cm)"


BELIEVABLE = MappingProxyType(
    {
        Quantity.HEIGHT_CM: (SMALLEST_CM, TALLEST_CM),
        Quantity.AGE_YEARS: (0.0, OLDEST_YEARS),
        Quantity.TUBE_SIZE_MM: SIZE_LIMITS_MM,
        Quantity.WEIGHT_KG: (0.3, 10.0),
        Quantity.NASAL_TRAGUS_CM: (2.0, 15.0),
    }
)
"""Limits of what is believed; ours. Weight and nasal-tragus length are asked of newborns alone."""


def incisors_women_cm() -> float:
    """21 cm at the incisors for adult women. No stated aim. Source: common practice."""
    return 21.0


def incisors_men_cm() -> float:
    """23 cm at the incisors for adult men. No stated aim. Source: common practice."""
    return 23.0


def canine_height_cm(height_cm: float) -> float:
    """4 + height / 10: adults, oral, at the right upper canine, to 2 cm above the carina.

    Source: Chulalongkorn study, J Med Assoc Thai 2005;88(6) (seen).
    """
    return 4.0 + height_cm / 10.0


def nasal_height_cm(height_cm: float) -> float:
    """9 + height / 10: adults, nasal, to 2 cm above the carina; read at the nostril (ours, not stated).

    Source: Chulalongkorn study, J Med Assoc Thai 2005;88(6) (seen).
    """
    return 9.0 + height_cm / 10.0


def mouth_angle_height_cm(height_cm: float) -> float:
    """Height / 5 - 13: adults, oral, at the right mouth angle, to 5 cm above the carina.

    Source: Cherng C-H et al. J Clin Anesth 2002;14:271-274 (seen).
    """
    return height_cm / 5.0 - 13.0


def gomez_men_cm(height_cm: float) -> float:
    """11.413 + 0.072 height - 3: adult men, oral, to 3 cm above the carina; reference point not known here.

    Source: Gomez JC et al. Rev Colomb Anestesiol 2016;44:228-234, n = 516 (seen).
    """
    return 11.413 + 0.072 * height_cm - 3.0


def gomez_women_cm(height_cm: float) -> float:
    """13.555 + 0.056 height - 3: adult women, oral, to 3 cm above the carina; reference point not known here.

    Source: Gomez JC et al. Rev Colomb Anestesiol 2016;44:228-234, n = 516 (seen).
    """
    return 13.555 + 0.056 * height_cm - 3.0


def child_height_cm(height_cm: float) -> float:
    """Height / 8 + 3.4: children, oral, to 2 cm above the carina; reference point not known here.

    Source: doi 10.1007/s44253-024-00032-7, n = 203 (seen).
    """
    return height_cm / 8.0 + 3.4


def child_age_oral_cm(age_years: float) -> float:
    """Age / 2 + 12: children from 2 years, oral, at the lip. No stated aim.

    Source: common practice, memory.
    """
    return age_years / 2.0 + 12.0


def child_age_nasal_cm(age_years: float) -> float:
    """Age / 2 + 15: children from 2 years, nasal, at the nostril. No stated aim.

    Source: common practice, memory.
    """
    return age_years / 2.0 + 15.0


def child_tube_size_cm(tube_size_mm: float) -> float:
    """3 x inside diameter in mm: children, oral, at the lip. No stated aim. Source: common practice, memory.

    It holds for the tube that fits the child; a tube too small gives too small a depth.
    """
    return 3.0 * tube_size_mm


def newborn_weight_cm(weight_kg: float) -> float:
    """Weight + 6: newborns, oral, at the lip; the tip between T1 and T2, no height above the carina.

    Source: Tochen's formula as tested in Peng C-C et al. Front Pediatr 2020;8:367 (seen).
    """
    return weight_kg + 6.0


def newborn_nasal_tragus_cm(nasal_tragus_cm: float) -> float:
    """Nasal septum to tragus + 1: newborns, oral, at the lip; the tip between T1 and T2.

    Source: Peng C-C et al. Front Pediatr 2020;8:367 (seen).
    """
    return nasal_tragus_cm + 1.0


@dataclass(frozen=True, slots=True)
class DepthFormula:
    """One published rule.

    Parameters
    ----------
    key : str
        Short name.
    wording : str
        The rule as one writes it.
    rule : callable
        Takes the values of `needs` in their order, gives the depth in cm.
    needs : tuple of Quantity
        What it computes from.
    group : AgeGroup
        Whom it is for.
    route : Route
    reference : Reference
        Where the mark is read.
    aims_at_cm : float or None
        Height of the tip above the carina that it aims at, in cm in the patient; None where it states none.
    source : str
        Publication or custom, with how it is known.
    sex : Sex or None
        None where it is for both.
    from_age_years : float
        Youngest age that it is for, within its group.
    """

    key: str
    wording: str
    rule: Callable[..., float]
    needs: tuple[Quantity, ...]
    group: AgeGroup
    route: Route
    reference: Reference
    aims_at_cm: float | None
    source: str
    sex: Sex | None = None
    from_age_years: float = 0.0

    def applies(self, patient: Patient, route: Route) -> bool:
        """Whether the rule is for this patient by age group, sex and route.

        Where the age is not known, the height tells the group (`measure.anatomy.size_group`); where neither
        is, no rule applies. A rule for one sex does not apply where the sex is not known.
        """
        if route is not self.route or size_group(patient) is not self.group:
            return False
        if self.sex is not None and patient.sex is not self.sex:
            return False
        return self.from_age_years == 0.0 or (patient.age_years or 0.0) >= self.from_age_years

    def depth_cm(
        self,
        patient: Patient,
        tube_size_mm: float | None = None,
        weight_kg: float | None = None,
        nasal_tragus_cm: float | None = None,
    ) -> float:
        """Depth in cm at the rule's reference point.

        Raises
        ------
        MeasureError
            Where a value that the rule needs is missing or not believable.
        """
        known = _known(patient, tube_size_mm, weight_kg, nasal_tragus_cm)
        return self.rule(*(_checked(self.key, quantity, known[quantity]) for quantity in self.needs))


@dataclass(frozen=True, slots=True)
class DepthAdvice:
    """The depth that one rule gives for one patient.

    Parameters
    ----------
    formula : DepthFormula
        The rule.
    depth_cm : float
        Depth at the rule's reference point, in cm.
    aims_at_cm : float or None
        Height above the carina that this depth aims at, in cm; None where not stated.
    note : str
        What was changed, or why it could not be.
    """

    formula: DepthFormula
    depth_cm: float
    aims_at_cm: float | None
    note: str = ""


_PRACTICE = "common practice"
_RECALLED = "common practice (memory)"
_THAI = "Chulalongkorn study, J Med Assoc Thai 2005;88(6)"
_GOMEZ = "Gomez JC et al. Rev Colomb Anestesiol 2016;44:228-234"
_PENG = "Peng C-C et al. Front Pediatr 2020;8:367"
_CHERNG = "Cherng C-H et al. J Clin Anesth 2002;14:271-274"
_CHILD_HEIGHT = "doi 10.1007/s44253-024-00032-7"

_ADULT, _CHILD, _NEWBORN = AgeGroup.ADULT, AgeGroup.CHILD, AgeGroup.NEONATE
_HEIGHT, _AGE = (Quantity.HEIGHT_CM,), (Quantity.AGE_YEARS,)
_SIZE, _WEIGHT, _TRAGUS = (Quantity.TUBE_SIZE_MM,), (Quantity.WEIGHT_KG,), (Quantity.NASAL_TRAGUS_CM,)
_ORAL, _NASAL = Route.ORAL, Route.NASAL
_TEETH, _LIP, _OPEN = Reference.INCISORS, Reference.LIP, Reference.NOT_STATED
_WOMEN, _MEN = Sex.FEMALE, Sex.MALE
_AGE_RULES_FROM_YEARS = 2.0
"""The age rules are taught for children from about 2 years. Source: memory."""

# fmt: off
DEPTH_FORMULAS: tuple[DepthFormula, ...] = (
    DepthFormula("women-21", "21 cm", incisors_women_cm, (), _ADULT, _ORAL, _TEETH, None, _PRACTICE, _WOMEN),
    DepthFormula("men-23", "23 cm", incisors_men_cm, (), _ADULT, _ORAL, _TEETH, None, _PRACTICE, _MEN),
    DepthFormula("canine-height", "4 + height / 10", canine_height_cm, _HEIGHT, _ADULT, _ORAL,
                 Reference.CANINE, 2.0, _THAI),
    DepthFormula("nasal-height", "9 + height / 10", nasal_height_cm, _HEIGHT, _ADULT, _NASAL,
                 Reference.NOSTRIL, 2.0, _THAI),
    DepthFormula("mouth-angle-height", "height / 5 - 13", mouth_angle_height_cm, _HEIGHT, _ADULT, _ORAL,
                 Reference.MOUTH_ANGLE, 5.0, _CHERNG),
    DepthFormula("height-men", "11.413 + 0.072 height - 3", gomez_men_cm, _HEIGHT, _ADULT, _ORAL,
                 _OPEN, 3.0, _GOMEZ, _MEN),
    DepthFormula("height-women", "13.555 + 0.056 height - 3", gomez_women_cm, _HEIGHT, _ADULT, _ORAL,
                 _OPEN, 3.0, _GOMEZ, _WOMEN),
    DepthFormula("child-height", "height / 8 + 3.4", child_height_cm, _HEIGHT, _CHILD, _ORAL,
                 _OPEN, 2.0, _CHILD_HEIGHT),
    DepthFormula("child-age", "age / 2 + 12", child_age_oral_cm, _AGE, _CHILD, _ORAL,
                 _LIP, None, _RECALLED, from_age_years=_AGE_RULES_FROM_YEARS),
    DepthFormula("child-age-nasal", "age / 2 + 15", child_age_nasal_cm, _AGE, _CHILD, _NASAL,
                 Reference.NOSTRIL, None, _RECALLED, from_age_years=_AGE_RULES_FROM_YEARS),
    DepthFormula("child-tube-size", "3 x tube size", child_tube_size_cm, _SIZE, _CHILD, _ORAL,
                 _LIP, None, _RECALLED),
    DepthFormula("newborn-weight", "weight + 6", newborn_weight_cm, _WEIGHT, _NEWBORN, _ORAL,
                 _LIP, None, _PENG),
    DepthFormula("newborn-nasal-tragus", "nasal septum to tragus + 1", newborn_nasal_tragus_cm, _TRAGUS,
                 _NEWBORN, _ORAL, _LIP, None, _PENG),
)
# fmt: on
"""Every rule that is known here. Heights in cm, ages in years, tube sizes in mm, weights in kg."""


def formulas_for(
    patient: Patient,
    route: Route,
    tube_size_mm: float | None = None,
    weight_kg: float | None = None,
    nasal_tragus_cm: float | None = None,
) -> tuple[DepthAdvice, ...]:
    """The depth by every rule that is for this patient and route and whose inputs are known.

    Raises
    ------
    MeasureError
        Where a value that a rule needs is not believable.
    """
    extra = (tube_size_mm, weight_kg, nasal_tragus_cm)
    known = _known(patient, *extra)
    return tuple(
        DepthAdvice(formula, formula.depth_cm(patient, *extra), formula.aims_at_cm)
        for formula in DEPTH_FORMULAS
        if formula.applies(patient, route) and all(known[quantity] is not None for quantity in formula.needs)
    )


def brought_to(advice: DepthAdvice, target_above_carina_cm: float) -> DepthAdvice:
    """The same advice, its depth shifted so that it aims at another height above the carina.

    A tip higher above the carina is a tube less deep, centimetre for centimetre. Advice without a stated aim
    stays as it is and says so.

    Parameters
    ----------
    advice : DepthAdvice
        What a rule gave.
    target_above_carina_cm : float
        Height to aim at, along the airway, in cm in the patient.

    Raises
    ------
    MeasureError
        Where the target is not a finite number.
    """
    if not math.isfinite(target_above_carina_cm):
        raise MeasureError(
            f"target: {target_above_carina_cm:g} cm found, a height above the carina in cm expected; "
            "give a number."
        )
    if advice.aims_at_cm is None:
        note = "states no height above the carina, so it is left as it is"
        return DepthAdvice(advice.formula, advice.depth_cm, None, note)
    shifted_cm = advice.depth_cm + advice.aims_at_cm - target_above_carina_cm
    note = f"moved from {advice.formula.aims_at_cm:g} to {target_above_carina_cm:g} cm above the carina"
    return DepthAdvice(advice.formula, shifted_cm, target_above_carina_cm, note)


def _known(
    patient: Patient, tube_size_mm: float | None, weight_kg: float | None, nasal_tragus_cm: float | None
) -> dict[Quantity, float | None]:
    return {
        Quantity.HEIGHT_CM: patient.height_cm,
        Quantity.AGE_YEARS: patient.age_years,
        Quantity.TUBE_SIZE_MM: tube_size_mm,
        Quantity.WEIGHT_KG: weight_kg,
        Quantity.NASAL_TRAGUS_CM: nasal_tragus_cm,
    }


def _checked(key: str, quantity: Quantity, value: float | None) -> float:
    low, high = BELIEVABLE[quantity]
    if value is None or not (math.isfinite(value) and low <= value <= high):
        found = "nothing" if value is None else f"{value:g}"
        raise MeasureError(
            f"{key}: {quantity.value}: {found} found, {low:g} to {high:g} expected; correct it or leave it out."
        )
    return value
