"""What a Reading is held against: the lip mark, depth formulas, the film before, cuff and tube."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from measure.advice import Action, Adjustment, NoAction, Urgency
from measure.anatomy import airway_share, cords_to_carina_cm, tracheal_width_limits_mm
from measure.case import Case
from measure.cuff import WidthCheck, cuff_against_trachea, pressure_flag, tube_against_trachea
from measure.distance import distance_mm, film_per_measured, patient_per_measured
from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.follow_up import change_since
from measure.insertion_depth import brought_to, formulas_for
from measure.landmarks import Landmark
from measure.lip_mark import CONTRADICTION_CM, bearable, depths_at
from measure.posture import PostureBelief
from measure.reading import CuffChecks, DepthCheck, Inputs, Reading
from measure.tube import outside_diameter_estimate_mm
from measure.verdict import Place

AT_THE_CORDS = 0.5
"""From this probability on a tip that the film puts at or above the cords is told so (ours)."""

CHECK_ALL = "Check marks and spacing; the tube may be at the cords: capnography, laryngoscopy."


def with_lip_mark(case: Case, inputs: Inputs, reading: Reading, adjustment: Adjustment, place: Place) -> Reading:
    """Hold the lip mark against the film: where they contradict each other, that is the answer.

    Only a tip that must be moved now keeps its move: the film shows that danger whatever the mark says.
    """
    height = place.above_carina_cm.over(inputs.film_per_patient)
    if height.probability_below(cords_to_carina_cm(case.patient)) < 1.0 - AT_THE_CORDS:
        adjustment = replace(adjustment, check=CHECK_ALL)
        reading = replace(reading, adjustment=adjustment)
    if case.lip_mark_cm is None:
        return reading
    known = (case.patient, case.route, case.tube, case.weight_kg)
    try:
        usual = depths_at(height.value, *known)
        borne = bearable(place.accepted, inputs.film_per_patient.value, *known)
    except MeasureError:
        return reading
    off_cm = 0.0 if usual is None else usual.off_cm(case.lip_mark_cm)
    if usual is not None and abs(off_cm) > CONTRADICTION_CM * airway_share(case.patient):
        contradiction = (
            f"The mark of {case.lip_mark_cm:g} cm contradicts the film: with the tip at this height "
            f"{usual.least_cm:.0f} to {usual.greatest_cm:.0f} cm would be usual. {CHECK_ALL}"
        )
        if adjustment.urgency is Urgency.NOW:
            return replace(reading, adjustment=replace(adjustment, check=contradiction))
        return replace(reading, adjustment=None, no_action_because=NoAction.CONTRADICTION, reason=contradiction)
    to_mark = adjustment.to_mark_cm
    if adjustment.action is Action.LEAVE or to_mark is None or borne is None or borne.off_cm(to_mark) == 0.0:
        return reading
    check = (
        f"Check the mark: {to_mark:g} cm would be outside the {borne.least_cm:.0f} to {borne.greatest_cm:.0f} cm "
        f"that this patient's depth formulas can bear. {adjustment.check}"
    )
    return replace(reading, adjustment=replace(adjustment, check=check.strip()))


def with_cross_checks(
    case: Case, inputs: Inputs, neck: PostureBelief, reading: Reading, doubts: list[str]
) -> Reading:
    """Add the depth formulas and the change since the film before; what cannot be believed goes to `doubts`."""
    depths: tuple[DepthCheck, ...] = ()
    if reading.accepted_range is not None:
        target_in_patient = reading.accepted_range.target_cm / inputs.film_per_patient.value
        try:
            depths = tuple(_depth_checks(case, target_in_patient))
        except MeasureError as error:
            doubts.append(str(error))
    change = None
    if case.previous is not None and reading.distance is not None:
        change = change_since(
            case.previous,
            reading.distance.on_film,
            case.lip_mark_cm,
            neck,
            case.patient,
            inputs.film_per_patient,
        )
    return replace(reading, insertion_depth=depths, change=change)


def _depth_checks(case: Case, target_in_patient_cm: float) -> Iterator[DepthCheck]:
    """The lip mark against each depth formula, all brought to the same height above the carina."""
    for advice in formulas_for(case.patient, case.route, case.tube.size_mm, case.weight_kg):
        shifted = brought_to(advice, target_in_patient_cm)
        deeper = None if case.lip_mark_cm is None else case.lip_mark_cm - shifted.depth_cm
        yield DepthCheck(
            formula=advice.formula.key,
            wording=advice.formula.wording,
            source=advice.formula.source,
            depth_cm=shifted.depth_cm,
            published_aim_cm=advice.aims_at_cm,
            brought_to_cm=shifted.aims_at_cm,
            lip_mark_minus_depth_cm=deeper,
        )


def cuff_checks(case: Case, doubts: list[str]) -> CuffChecks:
    """Pressure, cuff and tube against their limits; what does not fit together goes to `doubts`."""
    marks = case.landmarks
    trachea = _width_mm(marks.tracheal_walls, case)
    cuff_width = _width_mm(marks.cuff_walls, case)
    outside = outside_diameter_estimate_mm(case.tube)
    checks = CuffChecks(
        pressure=None if case.cuff_pressure is None else pressure_flag(case.cuff_pressure),
        cuff_over_trachea=_ratio_check(cuff_against_trachea, cuff_width, trachea, doubts),
        tube_over_trachea=_ratio_check(tube_against_trachea, outside, trachea, doubts),
    )
    doubts.extend(flag.message for flag in checks.flags)
    doubts.extend(_strange_tracheal_width(case))
    return checks


def _strange_tracheal_width(case: Case) -> Iterator[str]:
    """A marked width outside the published limits of adults points at the marks, the spacing or the trachea."""
    walls, spacing = case.landmarks.tracheal_walls, case.spacing
    if walls is None or spacing is None or not case.grown:
        return
    on_film = distance_mm(*walls, spacing).times(film_per_measured(spacing.plane, case.magnification))
    low, high = tracheal_width_limits_mm(case.patient.sex)
    if on_film.high < low or on_film.low > high:
        yield (
            f"The marked trachea is {on_film.value:.0f} mm wide on the film, adults' are {low:g} to {high:g} mm "
            "(Breatnach 1984): check the marks and the pixel spacing, or look at the trachea."
        )


def _ratio_check(
    check: Callable[[Estimate, Estimate], WidthCheck],
    width_mm: Estimate | None,
    trachea_mm: Estimate | None,
    doubts: list[str],
) -> WidthCheck | None:
    if width_mm is None or trachea_mm is None:
        return None
    try:
        return check(width_mm, trachea_mm)
    except MeasureError as error:
        doubts.append(str(error))
        return None


def _width_mm(walls: tuple[Landmark, Landmark] | None, case: Case) -> Estimate | None:
    """Width between two marked walls in the patient, where the film allows it."""
    if walls is None or case.spacing is None:
        return None
    return distance_mm(*walls, case.spacing).times(patient_per_measured(case.spacing.plane, case.magnification))
