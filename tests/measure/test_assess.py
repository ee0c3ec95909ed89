import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from measure.accepted_range import RANGE_NAMES
from measure.advice import Action, NoAction, Urgency
from measure.anatomy import airway_share
from measure.assess import Case, assess
from measure.cuff import CuffPressure
from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.insertion_depth import Route
from measure.landmarks import KnownObject, Landmark, Landmarks, Seen, Source, hand_sd_px
from measure.magnification import Magnification, View, from_factor, plausible
from measure.patient import Patient, Sex
from measure.posture import NeckPosture
from measure.spacing import Plane, Spacing, SpacingSource
from measure.tube import Tube, TubeKind, cuff_upper_edge_from_tip_cm
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
    lean = np.cos(np.radians(random.normal(20.6, 6.9, draws)))
    magnification = random.uniform(factor.value - 3**0.5 * factor.sd, factor.value + 3**0.5 * factor.sd, draws)
    drawn = rows * 0.014 / magnification / lean
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
    assert reading.adjustment.urgency is Urgency.NOW
    assert any("oesophagus" in caution for caution in reading.cautions)


@pytest.mark.parametrize(("column", "side"), [(850.0, "patient's right"), (1150.0, "patient's left")])
def test_the_side_of_a_tip_below_the_carina_is_told_for_hand_marks_too(case_at, column, side):
    case = case_at(-2.0)
    beside = replace(case.landmarks, tip=replace(case.landmarks.tip, column=column))
    assert side in assess(replace(case, landmarks=beside)).reason


def test_near_a_limit_is_a_statement_and_gets_its_advice(case_at):
    reading = assess(case_at(4.0, posture=NeckPosture.UNKNOWN))
    assert reading.verdict is Verdict.NEAR_A_LIMIT
    assert reading.reason.startswith("Probably within range")
    assert reading.adjustment is not None
    assert reading.adjustment.action is Action.LEAVE
    assert reading.settles


def test_a_tip_a_millimetre_above_the_carina_is_withdrawn_now(case_at):
    """It read "near a limit, no move suggested" where the neck was not told."""
    reading = assess(case_at(0.1, posture=NeckPosture.UNKNOWN))
    assert reading.adjustment is not None
    assert (reading.adjustment.action, reading.adjustment.urgency) == (Action.WITHDRAW, Urgency.NOW)


def test_unknown_posture_is_said_and_in_the_chances(case_at):
    known, unknown = assess(case_at(4.0)), assess(case_at(4.0, posture=NeckPosture.UNKNOWN))
    assert known.verdict is Verdict.WITHIN_RANGE
    assert known.probabilities is not None
    assert unknown.probabilities is not None
    assert unknown.probabilities.within_range < known.probabilities.within_range
    assert unknown.probabilities.in_a_main_bronchus == known.probabilities.in_a_main_bronchus
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
    ("mandible", "posture"),
    [("C4", NeckPosture.EXTENDED), ("C6", NeckPosture.NEUTRAL), ("T1", NeckPosture.FLEXED)],
)
def test_the_level_of_the_mandible_may_be_told(case_at, mandible, posture):
    inputs = assess(case_at(4.0, posture=NeckPosture.UNKNOWN, mandible=mandible)).inputs
    assert inputs is not None
    assert inputs.neck_posture is posture


@pytest.mark.parametrize(("carina_row", "flexed"), [(1500.0, 0.0), (700.0, 0.2)])
def test_an_absent_mandible_excludes_flexion_where_the_film_reaches_c7(case_at, carina_row, flexed):
    """1500 rows of 0.14 mm above the carina are 21 cm, well above C7; 700 are 10 cm, below it."""
    case = case_at(4.0, posture=NeckPosture.UNKNOWN, mandible="absent")
    marks = replace(
        case.landmarks,
        carina=replace(case.landmarks.carina, row=carina_row),
        tip=replace(case.landmarks.tip, row=carina_row - 286.0),
    )
    inputs = assess(replace(case, landmarks=marks)).inputs
    assert inputs is not None
    assert inputs.neck_flexed == pytest.approx(flexed)


def test_a_mandible_over_no_vertebra_is_refused():
    with pytest.raises(MeasureError, match="mandible"):
        Case("film", mandible="S1")


@pytest.mark.parametrize(
    ("changes", "code", "words"),
    [
        ({"landmarks": Landmarks(carina=Landmark(1, 1, 1))}, NoAction.TIP_UNSURE, "tip is not marked"),
        ({"landmarks": Landmarks(tip=Landmark(1, 1, 1))}, NoAction.CARINA_UNSURE, "carina is not marked"),
        (
            {"landmarks": Landmarks(carina=Landmark(1, 1, 1)), "seen": Seen.NO_TUBE},
            NoAction.NO_TUBE,
            "No endotracheal tube",
        ),
        (
            {"landmarks": Landmarks(carina=Landmark(1, 1, 1)), "seen": Seen.TRACHEOSTOMY},
            NoAction.TRACHEOSTOMY,
            "tracheostomy",
        ),
        ({"landmarks": Landmarks(), "seen": Seen.NO_FRONTAL_CHEST}, NoAction.NO_FRONTAL_CHEST, "frontal chest"),
        ({"tube": Tube(kind=TubeKind.DOUBLE_LUMEN)}, NoAction.DOUBLE_LUMEN, "double-lumen"),
        ({"tube": Tube(kind=TubeKind.TRACHEOSTOMY)}, NoAction.TRACHEOSTOMY, "no mark at the lip"),
        ({"patient": Patient(0.02)}, NoAction.LEVELS_UNKNOWN, "T1 and T2"),
        ({"spacing": None, "patient": Patient(4.0)}, NoAction.SCALE_UNKNOWN, "mm per pixel"),
        ({"lip_mark_cm": 13.0}, NoAction.CONTRADICTION, "contradicts the film"),
    ],
)
def test_no_action_has_a_code_and_says_what_to_do(case_at, changes, code, words):
    reading = assess(case_at(4.0, **changes))
    assert reading.adjustment is None
    assert reading.no_action_because is code
    assert words in reading.reason


def test_all_that_is_missing_is_named_at_once(case_at):
    reading = assess(case_at(4.0, landmarks=Landmarks(), spacing=None, patient=Patient(4.0)))
    for word in ("tip", "carina", "mm per pixel"):
        assert word in reading.reason


def test_a_contradicting_mark_does_not_silence_a_tip_near_the_carina(case_at):
    """The mark says 13 cm, the film a tip at the carina: that one must not be the film without an answer."""
    reading = assess(case_at(0.2, lip_mark_cm=13.0))
    assert reading.adjustment is not None
    assert reading.adjustment.urgency is Urgency.NOW
    assert "contradicts the film" in reading.adjustment.check


def test_a_tip_at_the_cords_is_checked_first(case_at):
    """Cords 13.0 +- 1.5 cm above the carina in men: J Med Assoc Thai 2005."""
    reading = assess(case_at(15.5, lip_mark_cm=None))
    assert reading.adjustment is not None
    assert "capnography" in reading.adjustment.check


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


def test_a_womans_cuff_comes_to_the_cords_sooner(case_at):
    """Cords to carina 11.6 cm in women, 13.0 in men; a size 8 cuff's upper edge 6.8 cm from the tip (PubMed
    7198412)."""
    man, woman = (
        assess(case_at(5.0, patient=Patient(60.0, sex), tube=Tube(8.0))).probabilities
        for sex in (Sex.MALE, Sex.FEMALE)
    )
    assert man is not None
    assert woman is not None
    height = 5.0 / (1.15 * 0.9293)
    edge = cuff_upper_edge_from_tip_cm(Tube(8.0))
    for chances, cords in ((man, Estimate(13.0, 1.5)), (woman, Estimate(11.6, 1.3))):
        gap = cords.minus(edge).minus(Estimate(height, 0.3))
        assert chances.cuff_at_the_cords == pytest.approx(stats.norm.cdf(0.0, gap.value, gap.sd), abs=0.02)


def test_marked_cords_go_before_the_published_length(case_at):
    case = case_at(5.0, tube=Tube(8.0))
    far = replace(case.landmarks, cords=Landmark(1500.0 - 16.0 * 10 / 0.14, 1000.0, 5.0))
    chances = assess(replace(case, landmarks=far)).probabilities
    assert chances is not None
    assert chances.cuff_at_the_cords < 0.05


def test_a_childs_tube_has_no_cuff_unless_one_is_told(case_at):
    child = {"patient": Patient(4.0, height_cm=104.0), "tube": Tube(5.0), "lip_mark_cm": None}
    without = assess(case_at(3.0, **child)).probabilities
    told = assess(
        case_at(3.0, **(child | {"tube": Tube(5.0, cuff_upper_from_tip_cm=Estimate(3.5))}))
    ).probabilities
    assert without is not None
    assert told is not None
    assert without.cuff_at_the_cords is None
    assert told.cuff_at_the_cords is not None


@pytest.mark.parametrize("carina", [True, False])
def test_a_newborn_in_the_middle_is_within_range_by_hand_marks(case_at, carina):
    """Never possible before: the carina's error counted twice, with an adult's hand."""
    share = airway_share(Patient(0.01))
    sd_px = hand_sd_px("carina", 0.14, body_share=share)
    marks = Landmarks(
        tip=Landmark(1150.0, 1000.0, sd_px),
        carina=Landmark(1330.0, 1000.0, sd_px) if carina else None,
        vertebrae={"T1": Landmark(1120.0, 1000.0, sd_px), "T2": Landmark(1180.0, 1000.0, sd_px)},
    )
    reading = assess(case_at(4.0, landmarks=marks, patient=Patient(0.01), lip_mark_cm=9.0))
    assert reading.verdict is Verdict.WITHIN_RANGE
    assert reading.adjustment is not None
    assert reading.adjustment.action is Action.LEAVE


def test_a_newborn_with_mixed_up_levels_and_no_spacing_is_told_so(case_at):
    case = case_at(2.0, patient=Patient(age_years=0.01), spacing=None)
    levels = {"T1": Landmark(500, 500, 3), "T2": Landmark(450, 500, 3)}
    reading = assess(replace(case, landmarks=replace(case.landmarks, vertebrae=levels)))
    assert reading.no_action_because is NoAction.LEVELS_UNKNOWN
    assert "T1 found below T2" in reading.reason


def test_a_newborn_needs_no_spacing_for_the_verdict(case_at):
    marks = Landmarks(
        tip=Landmark(1400.0, 1000.0, 3.0),
        vertebrae={"T1": Landmark(1120.0, 1000.0, 3.0), "T2": Landmark(1180.0, 1000.0, 3.0)},
    )
    reading = assess(case_at(4.0, landmarks=marks, patient=Patient(0.01), spacing=None))
    assert reading.probabilities is not None
    assert reading.probabilities.within_range < 0.01
    assert reading.no_action_because is NoAction.SCALE_UNKNOWN


def test_an_adults_film_without_spacing_gets_a_rough_scale_and_says_so(case_at):
    """2500 rows held for 40 cm: the tip at 4.0 cm of true 0.14 mm pixels reads 4.6 cm, with a wide interval."""
    reading = assess(case_at(4.0, spacing=None, shape=(2500, 2048)))
    assert reading.distance is not None
    assert reading.distance.on_film.low < 4.0 < reading.distance.on_film.high
    assert reading.adjustment is not None
    assert any("Rough scale from anatomy" in caution for caution in reading.cautions)


def test_a_tip_below_the_carina_needs_no_scale(case_at):
    reading = assess(case_at(-2.0, spacing=None, patient=Patient(4.0)))
    assert reading.verdict is Verdict.IN_A_MAIN_BRONCHUS
    assert reading.no_action_because is NoAction.SCALE_UNKNOWN


def test_a_tip_beside_the_axis_reads_no_higher_and_is_told(case_at):
    case = case_at(1.0)
    aside = replace(case.landmarks, tip=replace(case.landmarks.tip, column=1000.0 + 30.0 / 0.14))
    reading = assess(replace(case, landmarks=aside))
    assert reading.distance is not None
    assert reading.distance.on_film.value == pytest.approx(1.0)
    assert reading.distance.aside_on_film.value == pytest.approx(3.0)
    assert any("30 mm beside the tracheal axis" in caution for caution in reading.cautions)


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
    cuff_upper=maybe,
    vertebrae=st.dictionaries(st.sampled_from(["C4", "C7", "T1", "T2", "T9"]), points, max_size=4),
    known_object=st.one_of(st.none(), st.builds(KnownObject, points, points, st.floats(0.1, 500.0))),
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
    st.sampled_from(list(TubeKind)),
    st.sampled_from(list(Seen)),
    st.sampled_from(["", "absent", "C3", "C7", "L1"]),
    st.one_of(st.none(), st.tuples(st.integers(1, 5000), st.integers(1, 5000))),
)
def test_no_input_makes_a_reading_raise(
    marks,
    spacing,
    magnification: Magnification,
    patient,
    lip_mark_cm,
    posture,
    route,
    accepted,
    weight_kg,
    kind,
    seen,
    mandible,
    shape,
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
        tube=Tube(kind=kind),
        seen=seen,
        mandible=mandible,
        shape=shape,
    )
    reading = assess(case)
    assert reading.verdict in Verdict
    assert reading.reason
    assert (reading.adjustment is None) == (reading.no_action_because is not None)
    assert json.loads(json.dumps(reading.to_dict(), allow_nan=False))["verdict"] == reading.verdict
    assert assess(case) == reading
