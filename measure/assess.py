"""From marks on a film to a Reading: the one door through which every measurement goes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from measure.advice import NoAction, advise
from measure.anatomy import size_group
from measure.case import Case as Case
from measure.cautions import cautions_for, turned_back
from measure.cross_checks import cuff_checks, with_cross_checks, with_lip_mark
from measure.distance import film_per_measured, heights_at_spacing, patient_per_measured
from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.foreshortening import foreshortening
from measure.missing import doubt_about, missing_from
from measure.neck import neck_of
from measure.posture import PostureBelief
from measure.reading import Distance, Inputs, Reading
from measure.reasons import newborn_reason, reason_for, side_of, what_settles
from measure.rough_scale import rough_spacing
from measure.spacing import Spacing
from measure.standing import newborn_place, place_of, situation_of
from measure.turning import turned_spacing
from measure.verdict import Verdict, judge


def assess(case: Case) -> Reading:
    """Measure, hold against the accepted range, and say what to do at the lip.

    Whatever the case holds, a Reading comes back: where nothing can be measured the verdict is `cannot say`, the
    reason names all that is missing, and `no_action_because` holds a code.

    Examples
    --------
    Two points placed by hand, 30 mm apart on a detector of 0.2 mm a pixel:

    >>> marks = Landmarks(tip=Landmark(650, 600, sd_px=10), carina=Landmark(800, 600, sd_px=17))
    >>> spacing = Spacing(0.2, 0.2, Plane.DETECTOR, SpacingSource.USER)
    >>> reading = assess(Case("bed 4", marks, spacing))
    >>> print(f"{reading.distance.on_film.value:.1f} cm, {reading.verdict}")
    3.0 cm, near a limit
    """
    reading = _assess_upright(case.upright())
    if not case.quarter_turns or reading.inputs is None:
        return reading
    spacing = reading.inputs.spacing
    inputs = replace(
        reading.inputs,
        spacing=None if spacing is None else turned_spacing(spacing, case.quarter_turns),
        quarter_turns=case.quarter_turns,
    )
    reading = replace(reading, landmarks=case.landmarks, inputs=inputs)
    return replace(reading, cautions=(*turned_back(case.quarter_turns), *reading.cautions))


def _assess_upright(case: Case) -> Reading:
    """The Reading of a film that stands upright."""
    doubts = list(case.notes)
    case = replace(case, spacing=case.spacing or _rough_spacing(case))
    neck = neck_of(case)
    inputs = _inputs(case, neck)
    reading = Reading(
        case.film,
        Verdict.CANNOT_SAY,
        "",
        landmarks=case.landmarks,
        inputs=inputs,
        cuff=cuff_checks(case, doubts),
    )
    missing = dict(missing_from(case))
    reading = replace(reading, distance=_distance(case, inputs))
    reading = _without_advice(case, reading, missing) if missing else _with_advice(case, inputs, neck, reading)
    reading = with_cross_checks(case, inputs, neck, reading, doubts)
    return replace(reading, cautions=(*doubts, *cautions_for(reading)))


def _rough_spacing(case: Case) -> Spacing | None:
    if not case.grown:
        return None
    return rough_spacing(
        case.landmarks, case.patient, case.tube, case.magnification, case.shape, case.pixel_aspect
    )


def _inputs(case: Case, neck: PostureBelief) -> Inputs:
    shortened = foreshortening(case.view, _tip_above_centre_mm(case))
    return Inputs(
        spacing=case.spacing,
        magnification=case.magnification,
        foreshortening=shortened,
        film_per_patient=case.magnification.factor.times(shortened),
        view=case.view,
        patient=case.patient,
        age_group_assumed=size_group(case.patient) is None,
        neck_posture=neck.posture,
        neck_posture_source=neck.reason,
        neck_flexed=neck.flexed,
        neck_extended=neck.extended,
        lip_mark_cm=case.lip_mark_cm,
        route=case.route,
        tube=case.tube,
        cuff_pressure_cmh2o=None if case.cuff_pressure is None else case.cuff_pressure.cmh2o,
    )


def _tip_above_centre_mm(case: Case) -> float | None:
    """Height of the tip above the film's centre, on the film; None where not known."""
    tip, spacing = case.landmarks.tip, case.spacing
    if tip is None or spacing is None or case.centre_row is None:
        return None
    on_film = film_per_measured(spacing.plane, case.magnification).value
    return (case.centre_row - tip.row) * spacing.row_mm * on_film


def _distance(case: Case, inputs: Inputs) -> Distance | None:
    """Tip above carina, wherever both points and a scale are there."""
    tip, carina = case.landmarks.tip, case.landmarks.carina
    if tip is None or carina is None or case.spacing is None:
        return None
    if doubt_about("tip", tip) or doubt_about("carina", carina):
        return None
    measured = heights_at_spacing(tip, carina, case.spacing, case.landmarks.airway_path)
    film = measured.times(film_per_measured(case.spacing.plane, case.magnification))
    coronal = measured.times(patient_per_measured(case.spacing.plane, case.magnification))
    patient = coronal.times(Estimate(1.0).over(inputs.foreshortening))
    return Distance(
        on_film=film.along,
        in_patient=patient.along,
        straight_on_film=film.straight,
        straight_in_patient=patient.straight,
        vertical_on_film=film.vertical,
        vertical_in_patient=patient.vertical,
        aside_on_film=film.aside,
        follows_path=measured.follows_path,
    )


def _without_advice(case: Case, reading: Reading, missing: Mapping[NoAction, str]) -> Reading:
    """All that is missing; and what needs no scale: a tip below the carina, or a newborn's vertebral level."""
    reading = replace(reading, reason=" ".join(missing.values()), no_action_because=next(iter(missing)))
    if list(missing) != [NoAction.SCALE_UNKNOWN]:
        return reading
    tip, carina = case.landmarks.tip, case.landmarks.carina
    if case.newborn:
        try:
            place = newborn_place(case, 1.0)
        except MeasureError as error:
            return replace(reading, reason=f"{error} {reading.reason}", no_action_because=NoAction.LEVELS_UNKNOWN)
        judgement = judge(place)
        return replace(
            reading,
            verdict=judgement.verdict,
            reason=f"{newborn_reason(judgement)} {reading.reason}",
            probabilities=judgement.chances,
        )
    if tip is None or carina is None or tip.row <= carina.row:
        return reading
    reason = f"The tip lies below the carina{side_of(case.landmarks)}; that needs no scale. {reading.reason}"
    return replace(reading, verdict=Verdict.IN_A_MAIN_BRONCHUS, reason=reason)


def _with_advice(case: Case, inputs: Inputs, neck: PostureBelief, reading: Reading) -> Reading:
    try:
        place = place_of(case, inputs, neck, reading.distance)
    except MeasureError as error:
        return replace(reading, reason=str(error), no_action_because=NoAction.NO_RANGE)
    situation = situation_of(case, inputs, place)
    adjustment = advise(situation)
    judgement = judge(place, adjustment.chances_now.cuff_at_the_cords)
    reading = replace(
        reading,
        verdict=judgement.verdict,
        reason=reason_for(judgement, place, case.landmarks),
        probabilities=judgement.chances,
        open_limits=judgement.open_limits,
        settles=tuple(what_settles(judgement, place, inputs, neck, case.landmarks)),
        accepted_range=place.accepted,
        adjustment=adjustment,
    )
    return with_lip_mark(case, inputs, reading, adjustment, place)
