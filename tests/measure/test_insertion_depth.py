"""Every depth formula with an example worked by hand, and how they are brought to one aim."""

import math

import pytest

from measure.errors import MeasureError
from measure.insertion_depth import DEPTH_FORMULAS, DepthFormula, Reference, Route, brought_to, formulas_for
from measure.patient import Patient, Sex

BY_KEY = {formula.key: formula for formula in DEPTH_FORMULAS}
MAN, WOMAN = Patient(40.0, Sex.MALE, 175.0), Patient(40.0, Sex.FEMALE, 160.0)
CHILD, NEWBORN = Patient(6.0, Sex.FEMALE, 112.0), Patient(0.01, None, 50.0)


@pytest.mark.parametrize(
    ("key", "patient", "extra", "by_hand_cm"),
    [
        ("women-21", WOMAN, {}, 21.0),  # common practice
        ("men-23", MAN, {}, 23.0),  # common practice
        ("canine-height", MAN, {}, 21.5),  # J Med Assoc Thai 2005;88(6): 4 + 17.5
        ("nasal-height", MAN, {}, 26.5),  # the same: 9 + 17.5
        ("mouth-angle-height", MAN, {}, 22.0),  # Cherng 2002: 35 - 13
        ("height-men", MAN, {}, 21.013),  # Gomez 2016: 11.413 + 12.6 - 3
        ("height-women", WOMAN, {}, 19.515),  # Gomez 2016: 13.555 + 8.96 - 3
        ("child-height", CHILD, {}, 17.4),  # doi 10.1007/s44253-024-00032-7: 14 + 3.4
        ("child-age", CHILD, {}, 15.0),  # common practice: 3 + 12
        ("child-age-nasal", CHILD, {}, 18.0),  # common practice: 3 + 15
        ("child-tube-size", CHILD, {"tube_size_mm": 5.5}, 16.5),  # common practice: 3 x 5.5
        ("newborn-weight", NEWBORN, {"weight_kg": 3.2}, 9.2),  # Tochen in Peng 2020: 3.2 + 6
        ("newborn-nasal-tragus", NEWBORN, {"nasal_tragus_cm": 7.8}, 8.8),  # Peng 2020: 7.8 + 1
    ],
)
def test_worked_examples(key: str, patient: Patient, extra: dict[str, float], by_hand_cm: float) -> None:
    assert BY_KEY[key].applies(patient, BY_KEY[key].route)
    assert BY_KEY[key].depth_cm(patient, **extra) == pytest.approx(by_hand_cm)


def test_every_formula_has_its_own_key_source_and_docstring() -> None:
    assert len(BY_KEY) == len(DEPTH_FORMULAS) == 13
    for formula in DEPTH_FORMULAS:
        assert formula.source
        assert "Source" in (formula.rule.__doc__ or "")


def _keys(patient: Patient, route: Route = Route.ORAL, **extra: float) -> set[str]:
    return {advice.formula.key for advice in formulas_for(patient, route, **extra)}


def test_which_formulas_are_for_whom() -> None:
    both = {"canine-height", "mouth-angle-height"}
    assert _keys(MAN) == both | {"men-23", "height-men"}
    assert _keys(WOMAN) == both | {"women-21", "height-women"}
    assert _keys(MAN, Route.NASAL) == {"nasal-height"}
    assert _keys(Patient(40.0, None, 170.0)) == both
    assert _keys(Patient(40.0, Sex.MALE)) == {"men-23"}
    assert _keys(CHILD) == {"child-height", "child-age"}
    assert _keys(CHILD, tube_size_mm=5.0) == {"child-height", "child-age", "child-tube-size"}
    assert _keys(CHILD, Route.NASAL) == {"child-age-nasal"}
    assert _keys(Patient(1.0), tube_size_mm=4.0) == {"child-tube-size"}
    assert _keys(NEWBORN) == set()
    assert _keys(NEWBORN, weight_kg=3.0, nasal_tragus_cm=7.5) == {"newborn-weight", "newborn-nasal-tragus"}


def test_no_adult_rule_without_age_or_height() -> None:
    assert _keys(Patient(sex=Sex.MALE)) == set()
    assert "men-23" in _keys(Patient(sex=Sex.MALE, height_cm=178.0))
    assert _keys(Patient(sex=Sex.MALE, height_cm=100.0)) == {"child-height"}


@pytest.mark.parametrize(
    ("key", "aim"), [("canine-height", 2.0), ("height-men", 3.0), ("mouth-angle-height", 5.0)]
)
def test_published_aims(key: str, aim: float) -> None:
    """J Med Assoc Thai 2005 aims at 2 cm, Gomez 2016 at 3 cm, Cherng 2002 at 5 cm above the carina."""
    assert BY_KEY[key].aims_at_cm == aim


def test_all_with_an_aim_are_brought_to_the_same_one() -> None:
    brought = {advice.formula.key: brought_to(advice, 5.0) for advice in formulas_for(MAN, Route.ORAL)}
    assert brought["canine-height"].depth_cm == pytest.approx(21.5 - 3.0)  # 3 cm higher, so 3 cm less deep
    assert brought["height-men"].depth_cm == pytest.approx(21.013 - 2.0)
    assert brought["mouth-angle-height"].depth_cm == pytest.approx(22.0)
    assert {advice.aims_at_cm for advice in brought.values()} == {5.0, None}


def test_brought_there_and_back() -> None:
    for advice in formulas_for(WOMAN, Route.ORAL):
        aim = advice.aims_at_cm
        back = brought_to(brought_to(advice, 4.0), 4.0 if aim is None else aim)
        assert back.depth_cm == pytest.approx(advice.depth_cm)


def test_no_stated_aim_stays_and_says_so() -> None:
    (advice,) = formulas_for(Patient(40.0, Sex.MALE), Route.ORAL)
    brought = brought_to(advice, 5.0)
    assert (brought.depth_cm, brought.aims_at_cm) == (23.0, None)
    assert "states no height" in brought.note
    assert brought.formula.reference is Reference.INCISORS


def test_target_must_be_a_number() -> None:
    (advice,) = formulas_for(Patient(40.0, Sex.MALE), Route.ORAL)
    with pytest.raises(MeasureError, match="target"):
        brought_to(advice, math.nan)


@pytest.mark.parametrize(
    ("formula", "patient"),
    [
        (BY_KEY["canine-height"], Patient(40.0, Sex.MALE)),
        (BY_KEY["child-age"], Patient(height_cm=110.0)),
        (BY_KEY["newborn-weight"], NEWBORN),
    ],
)
def test_missing_inputs_are_refused(formula: DepthFormula, patient: Patient) -> None:
    with pytest.raises(MeasureError, match=formula.key):
        formula.depth_cm(patient)


@pytest.mark.parametrize("weight", [3200.0, 0.0, -3.0, math.nan])
def test_newborns_weight_in_grams_is_refused(weight: float) -> None:
    with pytest.raises(MeasureError, match="weight"):
        formulas_for(NEWBORN, Route.ORAL, weight_kg=weight)
