"""From a measured film to what is judged and advised on: where the tip stands, and what a move depends on."""

from __future__ import annotations

from measure.accepted_range import AcceptedRange, newborn_levels, newborn_range, range_for
from measure.advice import NEAR_CARINA_CM, Situation
from measure.anatomy import airway_share, cords_to_carina_cm
from measure.case import Case
from measure.distance import heights_at_spacing, patient_per_measured
from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.patient import Patient
from measure.posture import Part, PostureBelief, shifts_from_neutral, usual_shift_cm
from measure.reading import Distance, Inputs
from measure.tube import MEASURED_SIZE_MM, Tube, cuff_upper_edge_from_tip_cm
from measure.verdict import Place


def place_of(case: Case, inputs: Inputs, neck: PostureBelief, distance: Distance | None) -> Place:
    """Where the tip stands against the range that holds for this patient and neck.

    Raises
    ------
    MeasureError
        Where there is no range or nothing to hold against it.
    """
    if case.newborn and not isinstance(case.accepted_range, AcceptedRange):
        row_mm = case.mm_per_row_on_film
        return newborn_place(case, 0.0 if row_mm is None else row_mm.value / 10.0)
    if distance is None:
        raise MeasureError("accepted range: no distance above the carina found; mark tip and carina.")
    accepted = range_for(case.patient, inputs.neck_posture, case.accepted_range, inputs.film_per_patient)
    return Place(
        distance.on_film,
        distance.on_film,
        _shifts_within(accepted, neck, case.patient),
        accepted,
        NEAR_CARINA_CM * airway_share(case.patient),
    )


def _shifts_within(accepted: AcceptedRange, neck: PostureBelief, patient: Patient) -> tuple[Part, ...]:
    """How far the neck has moved the tip from where the accepted range's posture would have it."""
    if not accepted.depends_on_posture:
        return (Part(1.0, Estimate(0.0)),)
    allowed_for = Estimate(usual_shift_cm(accepted.posture, patient))
    return tuple(
        Part(part.probability, part.shift_cm.minus(allowed_for)) for part in shifts_from_neutral(neck, patient)
    )


def newborn_place(case: Case, cm_per_row: float) -> Place:
    """A newborn's tip by its vertebral level; heights above the carina, which is only guessed where it is not
    marked.
    """
    levels = newborn_levels(case.landmarks)
    accepted = newborn_range(levels, cm_per_row)
    scale = Estimate(cm_per_row)
    return Place(
        levels.tip.minus(levels.carina).times(scale),
        levels.tip.minus(Estimate(levels.carina.value)).times(scale),
        (Part(1.0, Estimate(0.0)),),
        accepted,
        NEAR_CARINA_CM * airway_share(case.patient),
    )


def situation_of(case: Case, inputs: Inputs, place: Place) -> Situation:
    """What a move at the lip depends on."""
    edge = _cuff_edge(case)
    return Situation(
        place=place,
        film_per_patient=inputs.film_per_patient,
        cuff_below_cords_cm=None if edge is None else _cuff_below_cords(case, inputs, place, edge),
        cuff_marked=case.landmarks.cords is not None and case.landmarks.cuff_upper is not None,
        airway_share=airway_share(case.patient),
        lip_mark_cm=case.lip_mark_cm,
    )


def _cuff_edge(case: Case) -> Estimate | None:
    """Tip to the cuff's upper edge; None for a child's tube, which may have no cuff, unless one is told."""
    told = case.tube.cuff_upper_from_tip_cm
    if told is not None or not case.grown:
        return told
    edge = cuff_upper_edge_from_tip_cm(case.tube)
    return edge if edge is not None else cuff_upper_edge_from_tip_cm(Tube(size_mm=MEASURED_SIZE_MM))


def _cuff_below_cords(case: Case, inputs: Inputs, place: Place, edge: Estimate) -> Estimate:
    """The cuff's upper edge below the cords, in the patient: between two marks, else from published lengths."""
    marks, spacing = case.landmarks, case.spacing
    if marks.cords is not None and spacing is not None:
        below = marks.cuff_upper or marks.carina
        if below is not None:
            measured = heights_at_spacing(marks.cords, below, spacing, ()).vertical
            shown = measured.times(patient_per_measured(spacing.plane, case.magnification))
            cords = shown.over(inputs.foreshortening)
            if marks.cuff_upper is not None:
                return cords
            return cords.minus(place.above_carina_cm.over(inputs.film_per_patient)).minus(edge)
    height = place.above_carina_cm.over(inputs.film_per_patient)
    return cords_to_carina_cm(case.patient).minus(height).minus(edge)
