import pytest

from measure.accepted_range import GOODMAN
from measure.insertion_depth import Route
from measure.lip_mark import bearable, depths_at
from measure.patient import Patient, Sex
from measure.posture import NeckPosture
from measure.tube import Tube

MAN = Patient(60.0, Sex.MALE, 178.0)


def test_all_formulas_are_brought_to_the_height_on_the_film():
    """178 cm, tip 5 cm up: Cherng 22.6; the Thai rule 21.8 - 3; Gomez 21.2 - 2; and 23 cm, taken to aim at 4
    cm."""
    depths = depths_at(5.0, MAN, Route.ORAL, Tube(8.0), None)
    assert depths is not None
    assert (depths.least_cm, depths.greatest_cm) == pytest.approx((18.8, 22.6))
    assert depths.off_cm(20.0) == 0.0
    assert depths.off_cm(25.6) == pytest.approx(3.0)
    assert depths.off_cm(15.8) == pytest.approx(-3.0)


def test_an_unknown_sex_asks_both():
    man, either = (
        depths_at(4.0, patient, Route.ORAL, Tube(), None) for patient in (Patient(60.0, Sex.MALE), Patient(60.0))
    )
    assert man is not None
    assert either is not None
    assert (man.least_cm, man.greatest_cm) == (23.0, 23.0)
    assert (either.least_cm, either.greatest_cm) == (21.0, 23.0)


def test_no_formula_no_depth():
    assert depths_at(4.0, Patient(60.0, Sex.MALE), Route.NASAL, Tube(), None) is None


def test_what_a_patient_can_bear_reaches_over_the_whole_range():
    borne = bearable(GOODMAN[NeckPosture.NEUTRAL], 1.0, MAN, Route.ORAL, Tube(8.0), None)
    assert borne is not None
    assert borne.off_cm(22.0) == 0.0
    assert borne.off_cm(13.0) < 0.0
    assert borne.off_cm(30.0) > 0.0
