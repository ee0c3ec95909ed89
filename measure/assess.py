"""From marks on a film to a Reading: the one door through which every measurement goes."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

from measure import adjustment
from measure.accepted_range import DEFAULT_RANGE, AcceptedRange, range_for
from measure.anatomy import cords_to_carina_cm, size_group, tracheal_width_limits_mm
from measure.cautions import cautions_for
from measure.cuff import CuffPressure, WidthCheck, cuff_against_trachea, pressure_flag, tube_against_trachea
from measure.distance import distance_mm, film_per_measured, heights_at_spacing, patient_per_measured
from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.follow_up import PreviousFilm, change_since
from measure.foreshortening import foreshortening
from measure.insertion_depth import Route, brought_to, formulas_for
from measure.landmarks import Landmark, Landmarks
from measure.magnification import Magnification, View, plausible
from measure.patient import AgeGroup, Patient
from measure.posture import NeckPosture, posture_from_mandible, unknown_posture_shift
from measure.reading import CuffChecks, DepthCheck, Distance, Inputs, Reading
from measure.spacing import Plane, Spacing
from measure.tube import MEASURED_SIZE_MM, Tube, cuff_upper_edge_from_tip_cm, outside_diameter_estimate_mm
from measure.verdict import Judgement, Verdict, judge

LEAST_CONFIDENCE = 0.5
"""A proposed point that is more likely wrong than right is shown, but not measured with."""

AT_THE_CARINA_CM = 1.0
"""A tip lower than this above the carina is called at or just above it (ours)."""

LIP_MARK_LIMITS_CM = (1.0, 40.0)
"""Marks printed on tubes (common practice)."""


@dataclass(frozen=True, slots=True)
class Case:
    """All that is known about one film and its patient.

    Parameters
    ----------
    film : str
        Name for the Reading.
    landmarks : Landmarks
        Marked or proposed points.
    spacing : Spacing or None
        None where the film proves none.
    magnification, view : Magnification, View
        At the trachea, and the beam's direction.
    centre_row : float or None
        Row of the film's centre, where the central ray is taken to pass.
    patient : Patient
        Age, sex, height.
    tube : Tube
        Size, outside diameter, cuff.
    lip_mark_cm : float or None
        Centimetre mark at the lip when the film was taken.
    route : Route
        Through the mouth or the nose.
    posture : NeckPosture
        Where unknown, it is read from the mandible if that is marked.
    cuff_pressure : CuffPressure or None
        As measured.
    accepted_range : str or AcceptedRange
        A published range by name, or the user's own.
    previous : PreviousFilm or None
        The earlier Reading of the same tube.
    weight_kg : float or None
        For the neonate's depth formula.
    notes : tuple of str
        What the film's loading and the proposals have to say; they become cautions.

    Raises
    ------
    MeasureError
        Where the lip mark is on no tube.
    """

    film: str
    landmarks: Landmarks = field(default_factory=Landmarks)
    spacing: Spacing | None = None
    magnification: Magnification = field(default_factory=lambda: plausible(View.UNKNOWN))
    view: View = View.UNKNOWN
    centre_row: float | None = None
    patient: Patient = field(default_factory=Patient)
    tube: Tube = field(default_factory=Tube)
    lip_mark_cm: float | None = None
    route: Route = Route.ORAL
    posture: NeckPosture = NeckPosture.UNKNOWN
    cuff_pressure: CuffPressure | None = None
    accepted_range: str | AcceptedRange = DEFAULT_RANGE
    previous: PreviousFilm | None = None
    weight_kg: float | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        low, high = LIP_MARK_LIMITS_CM
        if self.lip_mark_cm is not None and not low <= self.lip_mark_cm <= high:
            raise MeasureError(
                f"lip mark: {self.lip_mark_cm:g} cm found, {low:g} to {high:g} cm expected; read it again."
            )


def assess(case: Case) -> Reading:
    """Measure, hold against the accepted range, and say what to do at the lip.

    Whatever the case holds, a Reading comes back: where something is missing or contradicts itself the verdict
    is `cannot say`, and the reason says what to do.
    """
    doubts = list(case.notes)
    inputs = _inputs(case)
    reading = Reading(
        case.film,
        Verdict.CANNOT_SAY,
        "",
        landmarks=case.landmarks,
        inputs=inputs,
        cuff=_cuff_checks(case, doubts),
    )
    try:
        reading = _with_distance(case, inputs, reading)
        reading = _with_verdict(case, inputs, reading)
    except MeasureError as error:
        reading = replace(reading, reason=str(error))
    reading = _with_cross_checks(case, inputs, reading, doubts)
    return replace(reading, cautions=(*doubts, *cautions_for(reading)))


def _inputs(case: Case) -> Inputs:
    posture, source = case.posture, "given"
    if posture is NeckPosture.UNKNOWN:
        found = posture_from_mandible(case.landmarks)
        posture, source = found.posture, found.reason
    shortened = foreshortening(case.view, _tip_above_centre_mm(case))
    return Inputs(
        spacing=case.spacing,
        magnification=case.magnification,
        foreshortening=shortened,
        film_per_patient=case.magnification.factor.times(shortened),
        view=case.view,
        patient=case.patient,
        age_group_assumed=size_group(case.patient) is None,
        neck_posture=posture,
        neck_posture_source=source,
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


def _with_distance(case: Case, inputs: Inputs, reading: Reading) -> Reading:
    tip, carina = _usable("tip", case.landmarks.tip), _usable("carina", case.landmarks.carina)
    if case.spacing is None:
        raise MeasureError(
            "The film does not say what a pixel is worth: give mm per pixel, mark an object of known size, or "
            "mark the tube's two walls and give its size."
        )
    measured = heights_at_spacing(tip, carina, case.spacing, case.landmarks.airway_path)
    film = measured.times(film_per_measured(case.spacing.plane, case.magnification))
    coronal = measured.times(patient_per_measured(case.spacing.plane, case.magnification))
    patient = coronal.times(Estimate(1.0).over(inputs.foreshortening))
    distance = Distance(
        on_film=film.along,
        in_patient=patient.along,
        straight_on_film=film.straight,
        straight_in_patient=patient.straight,
        vertical_on_film=film.vertical,
        vertical_in_patient=patient.vertical,
        follows_path=measured.follows_path,
    )
    return replace(reading, distance=distance)


def _usable(name: str, mark: Landmark | None) -> Landmark:
    """The mark, if there is one worth measuring with."""
    if mark is None:
        raise MeasureError(f"The {name} is not marked: place it by hand.")
    if mark.confidence < LEAST_CONFIDENCE:
        raise MeasureError(
            f"The {name} was proposed with a confidence of {mark.confidence:.0%} only: place it by hand."
        )
    return mark


def _with_verdict(case: Case, inputs: Inputs, reading: Reading) -> Reading:
    if reading.distance is None or case.spacing is None:
        return reading
    height = reading.distance.on_film
    accepted = range_for(
        case.patient,
        inputs.neck_posture,
        case.accepted_range,
        inputs.film_per_patient,
        case.landmarks,
        case.spacing,
    )
    widened = height
    if accepted.depends_on_posture and inputs.neck_posture is NeckPosture.UNKNOWN:
        widened = height.plus(unknown_posture_shift(case.patient))
    judgement = judge(widened, accepted)
    return replace(
        reading,
        verdict=judgement.verdict,
        reason=_reason(judgement, height, widened, accepted),
        judged_cm=widened,
        probabilities=judgement.probabilities,
        open_limits=judgement.open_limits,
        settles=tuple(_what_settles(judgement, height, accepted, inputs, case.landmarks)),
        accepted_range=accepted,
        adjustment=_adjustment(case, judgement.verdict, height, accepted, inputs),
    )


def _reason(judgement: Judgement, height: Estimate, widened: Estimate, accepted: AcceptedRange) -> str:
    low, high = accepted.low_cm.value, accepted.high_cm.value
    span = f"{low:.1f} cm or more" if math.isinf(high) else f"{low:.1f} to {high:.1f} cm"
    match judgement.verdict:
        case Verdict.NEAR_A_LIMIT:
            straddled = "; ".join(
                f"the {limit.name} of {limit.at_cm:.1f} cm ({limit.probability_below:.0%} below it, "
                f"{1.0 - limit.probability_below:.0%} above)"
                for limit in judgement.open_limits
            )
            return f"The interval of {widened.low:.1f} to {widened.high:.1f} cm straddles {straddled}."
        case Verdict.IN_A_MAIN_BRONCHUS:
            return f"The tip lies {-height.value:.1f} cm below the carina on the film."
        case Verdict.TOO_LOW if height.value < AT_THE_CARINA_CM or widened.low <= 0.0:
            below = judgement.probabilities.in_a_main_bronchus
            return (
                f"The tip is at or just above the carina ({height.value:.1f} cm on the film); "
                f"with a probability of {below:.0%} it is below it, in a main bronchus."
            )
        case _:
            return f"The tip is {height.value:.1f} cm above the carina on the film; {span} is accepted."


def _what_settles(
    judgement: Judgement, height: Estimate, accepted: AcceptedRange, inputs: Inputs, marks: Landmarks
) -> Iterator[str]:
    """What would narrow an interval that straddles a limit, the most helpful first."""
    if judgement.verdict is not Verdict.NEAR_A_LIMIT:
        return
    if accepted.depends_on_posture and inputs.neck_posture is NeckPosture.UNKNOWN:
        alone = judge(height, accepted).verdict is not Verdict.NEAR_A_LIMIT
        yield "The neck's posture on this film" + (": that alone may settle it." if alone else ".")
    if inputs.spacing is not None and inputs.spacing.plane is not Plane.DETECTOR:
        yield "A pixel spacing at the detector, or the film's source distances."
    if marks.tip is not None and marks.carina is not None:
        vaguer = "tip" if marks.tip.sd_px > marks.carina.sd_px else "carina"
        yield f"A closer look at the {vaguer}, or a second reader's mark."
    yield "A repeat film with the neck neutral and the carina in view."


def _adjustment(
    case: Case, verdict: Verdict, height: Estimate, accepted: AcceptedRange, inputs: Inputs
) -> adjustment.Adjustment | None:
    match verdict:
        case Verdict.CANNOT_SAY | Verdict.NEAR_A_LIMIT:
            return None
        case Verdict.WITHIN_RANGE:
            return adjustment.leave(height, accepted, case.lip_mark_cm)
        case _:
            return adjustment.move(
                height, accepted, inputs.film_per_patient, case.lip_mark_cm, _highest_tip(case, inputs)
            )


def _highest_tip(case: Case, inputs: Inputs) -> Estimate | None:
    """Height in the patient where the cuff comes too near the cords; None for a tube that may have no cuff."""
    tube = case.tube
    edge = cuff_upper_edge_from_tip_cm(tube)
    if edge is None and size_group(case.patient) in (AgeGroup.ADULT, None):
        edge = cuff_upper_edge_from_tip_cm(Tube(size_mm=MEASURED_SIZE_MM))
    if edge is None:
        return None
    return adjustment.highest_tip_cm(_cords_above_carina(case, inputs), edge)


def _cords_above_carina(case: Case, inputs: Inputs) -> Estimate:
    """From the marked cords where there are any, else from published lengths; cm in the patient."""
    cords, carina, spacing = case.landmarks.cords, case.landmarks.carina, case.spacing
    if cords is None or carina is None or spacing is None:
        return cords_to_carina_cm(case.patient)
    measured = heights_at_spacing(cords, carina, spacing, case.landmarks.airway_path).along
    return measured.times(patient_per_measured(spacing.plane, case.magnification)).over(inputs.foreshortening)


def _with_cross_checks(case: Case, inputs: Inputs, reading: Reading, doubts: list[str]) -> Reading:
    depths: tuple[DepthCheck, ...] = ()
    if reading.accepted_range is not None:
        aim, move = reading.accepted_range.target_cm, reading.adjustment
        target_on_film = aim if move is None else move.target_on_film_cm
        try:
            depths = tuple(_depth_checks(case, target_on_film / inputs.film_per_patient.value))
        except MeasureError as error:
            doubts.append(str(error))
    change = None
    if case.previous is not None and reading.distance is not None:
        change = change_since(
            case.previous,
            reading.distance.on_film,
            case.lip_mark_cm,
            inputs.neck_posture,
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


def _cuff_checks(case: Case, doubts: list[str]) -> CuffChecks:
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
    if walls is None or spacing is None or size_group(case.patient) not in (AgeGroup.ADULT, None):
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
