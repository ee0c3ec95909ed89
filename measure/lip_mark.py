"""The mark at the lip against what the depth formulas give for this patient, at the height that the film shows."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from measure.accepted_range import AcceptedRange
from measure.insertion_depth import DepthAdvice, Route, brought_to, formulas_for
from measure.patient import Patient, Sex
from measure.tube import Tube

CONTRADICTION_CM = 5.0
"""A mark further than this from every formula contradicts the film (ours): more than formulas and films differ
by."""

SLACK_CM = 2.0
"""A formula may miss one patient by so much (ours; the published ones leave 1 to 2 cm)."""

USUAL_AIM_CM = 4.0
"""Height above the carina that the 21 and 23 cm at the incisors are taken to aim at (memory)."""


@dataclass(frozen=True, slots=True)
class Depths:
    """Marks at the lip that this patient's formulas give for one height of the tip, in cm; the least and the
    greatest.
    """

    least_cm: float
    greatest_cm: float

    def off_cm(self, mark_cm: float) -> float:
        """How far outside a mark lies; positive is deeper, zero inside."""
        return max(mark_cm - self.greatest_cm, 0.0) - max(self.least_cm - mark_cm, 0.0)


def depths_at(
    height_in_patient_cm: float, patient: Patient, route: Route, tube: Tube, weight_kg: float | None
) -> Depths | None:
    """The marks at which the formulas would see a tip of this height above the carina; None where none applies.

    Where the sex is not known, both sexes' formulas are asked.

    Raises
    ------
    MeasureError
        Where a value that a rule needs is not believable.
    """
    either = [patient] if patient.sex is not None else [replace(patient, sex=sex) for sex in Sex]
    advice = [each for one in either for each in formulas_for(one, route, tube.size_mm, weight_kg)]
    found = (_brought(each, height_in_patient_cm) for each in advice)
    depths = [depth for depth in found if depth is not None]
    return Depths(min(depths), max(depths)) if depths else None


def _brought(advice: DepthAdvice, height_cm: float) -> float | None:
    if advice.formula.aims_at_cm is not None:
        return brought_to(advice, height_cm).depth_cm
    if advice.formula.key in ("women-21", "men-23"):
        return advice.depth_cm + USUAL_AIM_CM - height_cm
    return None


def bearable(
    accepted: AcceptedRange,
    film_per_patient: float,
    patient: Patient,
    route: Route,
    tube: Tube,
    weight_kg: float | None,
) -> Depths | None:
    """Marks between which the tip can lie in the accepted range, by any formula and with its slack."""
    lowest = accepted.low_cm.value / film_per_patient
    highest = accepted.high_cm.value / film_per_patient
    if math.isinf(highest):
        highest = accepted.target_cm / film_per_patient
    deep = depths_at(lowest, patient, route, tube, weight_kg)
    shallow = depths_at(highest, patient, route, tube, weight_kg)
    if deep is None or shallow is None:
        return None
    return Depths(shallow.least_cm - SLACK_CM, deep.greatest_cm + SLACK_CM)
