import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from measure.accepted_range import RANGE_NAMES
from measure.adjustment import Action
from measure.assess import Case, assess
from measure.cuff import CuffPressure
from measure.errors import MeasureError
from measure.insertion_depth import Route
from measure.landmarks import KnownObject, Landmark, Landmarks, Source
from measure.magnification import Magnification, View, from_factor, plausible
from measure.patient import Patient, Sex
from measure.posture import NeckPosture
from measure.spacing import Plane, Spacing, SpacingSource
from measure.tube import Tube
from measure.verdict import Verdict


def test_on_the_film_and_in_the_patient(case_at):
    """4.6 cm on the film at M 1.15; mean lean 20.6 degrees (Zanella 2015) with its second order: factor 0.929."""
    reading = assess(case_at(4.6))
    assert reading.distance is not None
    assert reading.distance.on_film.value == pytest.approx(4.6)
    assert reading.distance.in_patient.value == pytest.approx(4.6 / 1.15 / 0.9293, abs=0.005)
    assert reading.verdict is Verdict.WITHIN_RANGE
    assert reading.adjustment is not None
    assert reading.adjustment.action is Action.LEAVE


def test_interval_in_the_patient_agrees_with_monte_carlo(case_at):
    """Marks, magnification and lean drawn 300,000 times; the lean from Zanella's mean and spread."""
    random = np.random.default_rng(3)
    draws = 300_000
    case = case_at(4.6, sd_px=8.0, magnification=plausible(View.AP))
    factor = case.magnification.factor
    rows = random.normal(case.landmarks.carina.row, 8.0, draws) - random.normal(case.landmarks.tip.row, 8.0, draws)
    columns = random.normal(0.0, 8.0 * 2**0.5, draws)
    lean = np.cos(np.radians(random.normal(20.6, 6.9, draws)))
    magnification = random.uniform(factor.value - 3**0.5 * factor.sd, factor.value + 3**0.5 * factor.sd, draws)
    drawn = np.hypot(rows, columns) * 0.014 / magnification / lean
    measured = assess(case).distance
    assert measured is not None
    assert measured.in_patient.value == pytest.approx(drawn.mean(), abs=0.03)
    assert measured.in_patient.sd == pytest.approx(drawn.std(), rel=0.06)
    covered = np.mean((drawn > measured.in_patient.low) & (drawn < measured.in_patient.high))
    assert covered == pytest.approx(0.95, abs=0.015)


def test_at_the_carina_is_too_low_and_says_so(case_at):
    reading = assess(case_at(0.3))
    assert reading.verdict is Verdict.TOO_LOW
    assert "at or just above the carina" in reading.reason


def test_below_the_carina_is_in_a_main_bronchus(case_at):
    reading = assess(case_at(-2.0))
    assert reading.verdict is Verdict.IN_A_MAIN_BRONCHUS
    assert reading.adjustment is not None
    assert reading.adjustment.action is Action.WITHDRAW
    assert any("oesophagus" in caution for caution in reading.cautions)


def test_near_a_limit_gives_no_move_but_what_would_settle_it(case_at):
    reading = assess(case_at(3.1))
    assert reading.verdict is Verdict.NEAR_A_LIMIT
    assert reading.adjustment is None
    assert reading.settles


def test_unknown_posture_is_said_and_widens_by_the_published_movement(case_at):
    """Conrardy 1976: 1.9 cm either way, taken as a 95 % half-width."""
    known, unknown = assess(case_at(4.0)), assess(case_at(4.0, posture=NeckPosture.UNKNOWN))
    assert known.verdict is Verdict.WITHIN_RANGE
    assert unknown.verdict is Verdict.NEAR_A_LIMIT
    assert unknown.judged_cm is not None
    assert known.judged_cm is not None
    widened = unknown.judged_cm.high - unknown.judged_cm.value
    measured = known.judged_cm.high - known.judged_cm.value
    assert widened == pytest.approx(np.hypot(1.9, measured))
    assert any("posture not known" in caution for caution in unknown.cautions)
    assert "posture" in unknown.settles[0]
    assert unknown.distance == known.distance


def test_posture_is_read_from_the_mandible(case_at):
    case = case_at(4.0, posture=NeckPosture.UNKNOWN)
    levels = {"C5": 400.0, "C6": 520.0, "C7": 640.0, "T1": 760.0}
    marks = replace(
        case.landmarks,
        mandible=Landmark(470.0, 1100.0, 5.0),
        vertebrae={name: Landmark(row, 1000.0, 5.0) for name, row in levels.items()},
    )
    reading = assess(replace(case, landmarks=marks))
    assert reading.inputs is not None
    assert reading.inputs.neck_posture is NeckPosture.NEUTRAL
    assert reading.verdict is Verdict.WITHIN_RANGE


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"spacing": None}, "mm per pixel"),
        ({"landmarks": Landmarks(carina=Landmark(1, 1, 1))}, "tip is not marked"),
        ({"landmarks": Landmarks(tip=Landmark(1, 1, 1))}, "carina is not marked"),
        ({"patient": Patient(0.02)}, "T1 and T2"),
    ],
)
def test_cannot_say_says_what_to_do(case_at, changes, words):
    reading = assess(case_at(4.0, **changes))
    assert reading.verdict is Verdict.CANNOT_SAY
    assert words in reading.reason
    assert reading.adjustment is None


def test_a_proposal_likelier_wrong_than_right_is_not_measured_with(case_at):
    case = case_at(4.0)
    doubtful = Landmark(1500.0, 1000.0, 20.0, Source.PROPOSED, confidence=0.3)
    reading = assess(replace(case, landmarks=replace(case.landmarks, carina=doubtful)))
    assert reading.verdict is Verdict.CANNOT_SAY
    assert reading.distance is None
    assert "confidence of 30%" in reading.reason


def test_unknown_age_is_judged_as_adult_and_says_so(case_at):
    reading = assess(case_at(4.0, patient=Patient()))
    assert reading.verdict is Verdict.WITHIN_RANGE
    assert any("must not be used for a child" in caution for caution in reading.cautions)


def test_a_womans_cuff_lowers_the_target(case_at):
    """Cords to carina 11.6 cm in women; a size 8 cuff's upper edge 6.8 cm from the tip (PubMed 7198412)."""
    man = assess(case_at(0.5, patient=Patient(60.0, Sex.MALE), tube=Tube(8.0))).adjustment
    woman = assess(case_at(0.5, patient=Patient(60.0, Sex.FEMALE), tube=Tube(8.0))).adjustment
    assert man is not None
    assert woman is not None
    assert woman.target_on_film_cm < man.target_on_film_cm
    assert any("cords" in limit for limit in woman.limits)


def test_marked_cords_go_before_the_published_length(case_at):
    case = case_at(0.5, tube=Tube(8.0))
    far = replace(case.landmarks, cords=Landmark(1500.0 - 16.0 * 10 / 0.14, 1000.0, 5.0))
    adjusted = assess(replace(case, landmarks=far)).adjustment
    assert adjusted is not None
    assert adjusted.target_on_film_cm == 5.0


def test_lip_mark_is_compared_with_formulas_at_one_height(case_at):
    """Cherng 2002 and the Thai rule for 178 cm: 22.6 cm at 5 and 21.8 cm at 2 cm above the carina."""
    reading = assess(case_at(5.0))
    depths = {check.formula: check for check in reading.insertion_depth}
    target_cm = 5.0 / (1.15 * 0.9293)
    assert depths["mouth-angle-height"].depth_cm == pytest.approx(22.6 + 5.0 - target_cm, abs=0.01)
    assert depths["canine-height"].depth_cm == pytest.approx(21.8 + 2.0 - target_cm, abs=0.01)
    assert depths["men-23"].brought_to_cm is None
    assert depths["men-23"].lip_mark_minus_depth_cm == pytest.approx(1.0)


def test_cuff_pressure_and_widths_are_flagged(case_at):
    case = case_at(5.0, cuff_pressure=CuffPressure(55.0), tube=Tube(8.0))
    walls = (Landmark(1400.0, 950.0, 2.0), Landmark(1400.0, 1050.0, 2.0))
    wide = (Landmark(1300.0, 880.0, 2.0), Landmark(1300.0, 1120.0, 2.0))
    marks = replace(case.landmarks, tracheal_walls=walls, cuff_walls=wide)
    reading = assess(replace(case, landmarks=marks))
    assert reading.cuff is not None
    assert reading.cuff.pressure is not None
    assert reading.cuff.cuff_over_trachea is not None
    assert reading.cuff.cuff_over_trachea.ratio.value == pytest.approx(2.4)
    assert any("55 cmH2O" in caution for caution in reading.cautions)


@pytest.mark.parametrize(("width_px", "remarkable"), [(50.0, True), (120.0, False), (200.0, True)])
def test_a_trachea_wider_or_narrower_than_measured_ones_is_told(case_at, width_px, remarkable):
    """Breatnach 1984: 13 to 25 mm in men on chest films; pixels of 0.14 mm."""
    case = case_at(5.0)
    walls = (Landmark(1400.0, 950.0, 2.0), Landmark(1400.0, 950.0 + width_px, 2.0))
    reading = assess(replace(case, landmarks=replace(case.landmarks, tracheal_walls=walls)))
    assert any("Breatnach" in caution for caution in reading.cautions) is remarkable


def test_a_strange_weight_is_a_caution_not_a_crash(case_at):
    marks = Landmarks(
        tip=Landmark(1150.0, 1000.0, 4.0),
        carina=Landmark(1500.0, 1000.0, 4.0),
        vertebrae={"T1": Landmark(1100.0, 1000.0, 4.0), "T2": Landmark(1200.0, 1000.0, 4.0)},
    )
    reading = assess(case_at(1.0, landmarks=marks, patient=Patient(0.02), weight_kg=50.0, lip_mark_cm=8.0))
    assert reading.distance is not None
    assert any("50" in caution for caution in reading.cautions)


@pytest.mark.parametrize("lip_mark_cm", [0.0, -3.0, 60.0, float("nan")])
def test_a_lip_mark_on_no_tube_is_refused(lip_mark_cm):
    with pytest.raises(MeasureError, match="lip mark"):
        Case("film", lip_mark_cm=lip_mark_cm)


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(height_cm=st.floats(-4.0, 1.0))
def test_withdrawing_then_measuring_again_lands_in_range(case_at, height_cm):
    case = case_at(height_cm, sd_px=1.0)
    reading = assess(case)
    adjusted = reading.adjustment
    assert adjusted is not None
    assert reading.inputs is not None
    risen_px = adjusted.by_cm * reading.inputs.film_per_patient.value * 10.0 / 0.14
    tip = case.landmarks.tip
    moved = replace(case.landmarks, tip=replace(tip, row=tip.row - risen_px))
    again = assess(replace(case, landmarks=moved, lip_mark_cm=adjusted.to_mark_cm))
    assert again.distance is not None
    assert 3.0 <= again.distance.on_film.value <= 7.0


points = st.builds(
    Landmark,
    st.floats(-1e6, 1e6),
    st.floats(-1e6, 1e6),
    st.floats(0.0, 1e4),
    st.sampled_from(list(Source)),
    st.floats(0.0, 1.0),
)
pairs = st.one_of(st.none(), st.tuples(points, points))
maybe = st.one_of(st.none(), points)
landmarks = st.builds(
    Landmarks,
    tip=maybe,
    carina=maybe,
    airway_path=st.lists(points, max_size=4).map(tuple),
    cords=maybe,
    tracheal_walls=pairs,
    cuff_walls=pairs,
    tube_walls=pairs,
    mandible=maybe,
    vertebrae=st.dictionaries(st.sampled_from(["C4", "C7", "T1", "T2", "T9"]), points, max_size=4),
    known_object=st.one_of(st.none(), st.builds(KnownObject, points, points, st.floats(0.0, 500.0))),
)
spacings = st.one_of(
    st.none(),
    st.builds(
        Spacing,
        st.floats(0.05, 2.0),
        st.floats(0.05, 2.0),
        st.sampled_from(list(Plane)),
        st.sampled_from(list(SpacingSource)),
        st.floats(0.0, 1.0),
    ),
)
magnifications = st.one_of(st.builds(plausible, st.sampled_from(list(View))), st.floats(1.0, 1.6).map(from_factor))
patients = st.builds(
    Patient,
    st.one_of(st.none(), st.floats(0.0, 130.0)),
    st.one_of(st.none(), st.sampled_from(list(Sex))),
    st.one_of(st.none(), st.floats(25.0, 250.0)),
)


@settings(deadline=None, max_examples=300)
@given(
    landmarks,
    spacings,
    magnifications,
    patients,
    st.one_of(st.none(), st.floats(1.0, 40.0)),
    st.sampled_from(list(NeckPosture)),
    st.sampled_from(list(Route)),
    st.sampled_from(RANGE_NAMES),
    st.one_of(st.none(), st.floats(0.0, 500.0)),
)
def test_no_input_makes_a_reading_raise(
    marks, spacing, magnification: Magnification, patient, lip_mark_cm, posture, route, accepted, weight_kg
):
    case = Case(
        "film",
        landmarks=marks,
        spacing=spacing,
        magnification=magnification,
        patient=patient,
        lip_mark_cm=lip_mark_cm,
        posture=posture,
        route=route,
        accepted_range=accepted,
        weight_kg=weight_kg,
    )
    reading = assess(case)
    assert reading.verdict in Verdict
    assert reading.reason
    assert json.loads(json.dumps(reading.to_dict(), allow_nan=False))["verdict"] == reading.verdict
    assert assess(case) == reading
