"""Airway sizes against the publications, and the rules of our own against Monte Carlo."""

import numpy as np
import pytest

from measure import anatomy
from measure.estimate import Estimate
from measure.patient import AgeGroup, Patient, Sex


@pytest.mark.parametrize(("sex", "mean", "sd"), [(Sex.MALE, 13.0, 1.5), (Sex.FEMALE, 11.6, 1.3)])
@pytest.mark.parametrize("age", [40.0, None])
def test_adult_length_by_sex_is_by_bronchoscopy(sex: Sex, mean: float, sd: float, age: float | None) -> None:
    """J Med Assoc Thai 2005;88(6)."""
    assert anatomy.cords_to_carina_cm(Patient(age, sex, 170.0)) == Estimate(mean, sd)


def test_pooled_length_is_the_mixture_of_both_sexes() -> None:
    draws = np.random.default_rng(1)
    mixture = np.concatenate([draws.normal(13.0, 1.5, 200_000), draws.normal(11.6, 1.3, 200_000)])
    pooled = anatomy.cords_to_carina_cm(Patient(age_years=50.0))
    assert pooled.value == pytest.approx(mixture.mean(), abs=0.01)
    assert pooled.sd == pytest.approx(mixture.std(), rel=0.01)
    assert pooled == anatomy.cords_to_carina_cm(Patient())


def test_adult_of_unknown_sex_goes_by_height_with_a_wider_spread() -> None:
    pooled = anatomy.pooled_cords_to_carina_cm()
    tall = anatomy.cords_to_carina_cm(Patient(50.0, None, 181.5))
    assert tall.value == pytest.approx(12.3 * 1.1)
    assert tall.sd / tall.value > pooled.sd / pooled.value


def test_child_never_gets_the_adult_table() -> None:
    child = anatomy.cords_to_carina_cm(Patient(4.0, Sex.MALE, 101.0))
    assert child.value == pytest.approx(12.3 * 101.0 / 165.0)
    by_age = anatomy.cords_to_carina_cm(Patient(4.0, Sex.MALE))
    assert by_age.value == pytest.approx(child.value)  # 6 x 4 + 77 = 101 cm
    assert by_age.sd > child.sd


def test_child_of_unknown_age_is_told_by_height() -> None:
    assert anatomy.size_group(Patient(height_cm=110.0)) is AgeGroup.CHILD
    assert anatomy.size_group(Patient(height_cm=165.0)) is AgeGroup.ADULT
    assert anatomy.size_group(Patient(sex=Sex.MALE)) is None
    small = anatomy.cords_to_carina_cm(Patient(None, Sex.MALE, 110.0))
    assert small.value == pytest.approx(12.3 * 110.0 / 165.0)


@pytest.mark.parametrize(
    ("age", "height"), [(0.0, 50.0), (1.0, 83.0), (5.0, 107.0), (12.0, 149.0), (18.0, 165.0), (0.5, 66.5)]
)
def test_height_from_age(age: float, height: float) -> None:
    """6 x age + 77 from 1 to 12 years (common practice), straight lines outside (ours)."""
    assert anatomy.height_from_age_cm(age).value == pytest.approx(height)
    assert anatomy.age_from_height_years(height) == pytest.approx(age)


def test_source_tells_which_rule_was_used() -> None:
    assert "J Med Assoc Thai" in anatomy.cords_to_carina(Patient(40.0, Sex.MALE)).source
    assert "ours" in anatomy.cords_to_carina(Patient(4.0, None, 100.0)).source
    assert "common practice" in anatomy.cords_to_carina(Patient(4.0)).source
    assert "pooled" in anatomy.cords_to_carina(Patient(40.0)).source


def test_tracheal_width_limits() -> None:
    """Breatnach E et al. AJR 1984;142:903-906."""
    assert anatomy.tracheal_width_limits_mm(Sex.MALE) == (13.0, 25.0)
    assert anatomy.tracheal_width_limits_mm(Sex.FEMALE) == (10.0, 21.0)
    assert anatomy.tracheal_width_limits_mm(None) == (10.0, 25.0)


CT_TRACHEAL_LENGTH_CM = {Sex.MALE: Estimate(10.5, 1.0), Sex.FEMALE: Estimate(9.8, 0.9)}
"""Length of the trachea itself, in vivo morphometry on 60 CT scans."""


def test_two_methods_agree_that_men_have_the_longer_trachea() -> None:
    """Bronchoscopy from the cords reads longer than CT of the trachea itself, in both sexes."""
    for sex in Sex:
        assert anatomy.CORDS_TO_CARINA_CM[sex].value > CT_TRACHEAL_LENGTH_CM[sex].value
    for table in (anatomy.CORDS_TO_CARINA_CM, CT_TRACHEAL_LENGTH_CM):
        assert table[Sex.MALE].value > table[Sex.FEMALE].value
