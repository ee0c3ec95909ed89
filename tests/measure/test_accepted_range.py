import math
from dataclasses import replace

import pytest

from measure.accepted_range import (
    AcceptedRange,
    newborn_levels,
    newborn_range,
    own_range,
    parse_range,
    range_for,
)
from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.landmarks import Landmark, Landmarks
from measure.patient import AgeGroup, Patient, Sex
from measure.posture import NeckPosture

FILM_PER_PATIENT = Estimate(1.08, 0.04)
ADULT = Patient(60.0, Sex.FEMALE, 165.0)


@pytest.fixture
def ranged():
    def build(patient, posture=NeckPosture.NEUTRAL, choice="goodman"):
        return range_for(patient, posture, choice, FILM_PER_PATIENT)

    return build


@pytest.mark.parametrize(
    ("posture", "middle_cm"),
    [(NeckPosture.NEUTRAL, 5.0), (NeckPosture.FLEXED, 3.0), (NeckPosture.EXTENDED, 7.0)],
)
def test_goodman_is_the_middle_plus_or_minus_two(ranged, posture, middle_cm):
    """Goodman LR et al. AJR 1976;127:433-434; flexed and extended as usually quoted in teaching."""
    accepted = ranged(ADULT, posture)
    assert (accepted.low_cm.value, accepted.high_cm.value) == (middle_cm - 2.0, middle_cm + 2.0)
    assert accepted.target_cm == middle_cm
    assert accepted.posture is posture
    assert "Goodman" in accepted.source


def test_unknown_posture_is_held_against_the_neutral_range(ranged):
    assert ranged(ADULT, NeckPosture.UNKNOWN).low_cm.value == 3.0
    assert ranged(ADULT, NeckPosture.UNKNOWN).depends_on_posture


@pytest.mark.parametrize(
    ("choice", "low_cm", "high_cm"),
    [
        ("schwartz", 2.0, 6.0),  # Schwartz DE et al. Crit Care Med 1994
        ("prehospital", 2.0, math.inf),  # Crit Care abstract cc7167
        ("teaching-2-5", 2.0, 5.0),  # common practice
        ("teaching-3-5", 3.0, 5.0),  # common practice
    ],
)
def test_other_published_ranges_make_no_difference_between_postures(ranged, choice, low_cm, high_cm):
    accepted = ranged(ADULT, NeckPosture.FLEXED, choice)
    assert (accepted.low_cm.value, accepted.high_cm.value) == (low_cm, high_cm)
    assert not accepted.depends_on_posture
    assert low_cm < accepted.target_cm < high_cm


@pytest.mark.parametrize("choice", ["goodman", "schwartz", "prehospital", "teaching-2-5", "teaching-3-5"])
@pytest.mark.parametrize("patient", [Patient(4.0), Patient(4.0, height_cm=104.0), Patient(height_cm=104.0)])
def test_a_child_never_gets_an_adult_range(ranged, patient, choice):
    accepted = ranged(patient, choice=choice)
    assert accepted.age_group is AgeGroup.CHILD
    assert accepted.name == "child"


@pytest.mark.parametrize("age_years", [1.0, 4.0, 8.0, 12.0, 17.0])
def test_childs_lower_limit_is_what_flexion_takes(ranged, age_years):
    """Weiss M et al. Br J Anaesth 2006;96:486-491: flexion moves the tip in by up to 0.83 x age + 9.3 mm."""
    accepted = ranged(Patient(age_years))
    assert accepted.low_cm.value == pytest.approx((0.83 * age_years + 9.3) / 10.0 * FILM_PER_PATIENT.value)
    assert accepted.low_cm.value < accepted.target_cm < accepted.high_cm.value
    assert accepted.high_cm.sd > 0.0


def test_childs_range_grows_towards_the_adult_one(ranged):
    highs = [ranged(Patient(age)).high_cm.value for age in (0.5, 2.0, 6.0, 12.0, 17.0)]
    assert highs == sorted(highs)
    assert highs[-1] < 9.0 + 2.0


def test_childs_two_centimetre_target_of_the_height_study_is_accepted_from_one_to_twelve(ranged):
    """The study of height / 8 + 3.4 (doi 10.1007/s44253-024-00032-7) aimed at 2 cm above the carina."""
    for age_years in range(1, 13):
        accepted = ranged(Patient(float(age_years)))
        on_film = 2.0 * FILM_PER_PATIENT.value
        assert accepted.low_cm.value <= on_film <= accepted.high_cm.value


@pytest.mark.parametrize(("posture", "way"), [(NeckPosture.FLEXED, -1.0), (NeckPosture.EXTENDED, 1.0)])
def test_childs_range_moves_with_the_neck(ranged, posture, way):
    neutral, moved = ranged(Patient(6.0)), ranged(Patient(6.0), posture)
    assert (moved.target_cm - neutral.target_cm) * way > 0.0
    assert moved.high_cm.sd == neutral.high_cm.sd


def newborn_marks(tip_row=1150.0, carina=True):
    """Centres of T1 and T2 100 pixels apart, the carina 300 pixels below T2."""
    return Landmarks(
        tip=Landmark(tip_row, 1000.0, 4.0),
        carina=Landmark(1500.0, 1000.0, 4.0) if carina else None,
        vertebrae={"T1": Landmark(1100.0, 1000.0, 4.0), "T2": Landmark(1200.0, 1000.0, 4.0)},
    )


def test_newborns_range_runs_from_the_top_of_t1_to_the_bottom_of_t2():
    """Peng C-C et al. Front Pediatr 2020;8:367."""
    accepted = newborn_range(newborn_levels(newborn_marks()), 0.014)
    assert accepted.high_cm.value == pytest.approx((1500 - 1050) * 0.014)
    assert accepted.low_cm.value == pytest.approx((1500 - 1250) * 0.014)
    assert accepted.age_group is AgeGroup.NEONATE


def test_newborns_levels_need_no_carina():
    with_carina, without = newborn_levels(newborn_marks()), newborn_levels(newborn_marks(carina=False))
    assert with_carina.tip == without.tip
    assert with_carina.tip.value == pytest.approx(100.0)
    assert without.carina.value < 0.0
    assert without.carina.sd > with_carina.carina.sd


@pytest.mark.parametrize("missing", ["T1", "T2"])
def test_newborn_without_vertebrae_has_no_range(missing):
    marks = newborn_marks()
    kept = {name: mark for name, mark in marks.vertebrae.items() if name != missing}
    with pytest.raises(MeasureError, match="T1 and T2"):
        newborn_levels(replace(marks, vertebrae=kept))


def test_newborn_with_swapped_vertebrae_has_no_range():
    marks = newborn_marks()
    swapped = {"T1": marks.vertebrae["T2"], "T2": marks.vertebrae["T1"]}
    with pytest.raises(MeasureError, match="below"):
        newborn_levels(replace(marks, vertebrae=swapped))


def test_own_limits_hold_for_anyone(ranged):
    accepted = parse_range("1.5-4")
    assert isinstance(accepted, AcceptedRange)
    assert ranged(Patient(4.0), choice=accepted) is accepted
    assert accepted.target_cm == 2.75


@pytest.mark.parametrize("text", ["", "5", "5-3", "3-3", "a-b", "-2-4", "3 to 7"])
def test_own_limits_that_make_no_range_are_refused(text):
    with pytest.raises(MeasureError, match="LOW-HIGH"):
        own_range(text)
