import math

import pytest

from measure.errors import MeasureError
from measure.patient import AgeGroup, Patient, Sex


@pytest.mark.parametrize(
    ("age_years", "group"),
    [
        (None, None),
        (0.0, AgeGroup.NEONATE),
        (27.0 / 365.25, AgeGroup.NEONATE),
        (28.0 / 365.25, AgeGroup.CHILD),
        (17.9, AgeGroup.CHILD),
        (18.0, AgeGroup.ADULT),
    ],
)
def test_age_group(age_years, group):
    assert Patient(age_years).age_group is group


@pytest.mark.parametrize("age_years", [-1.0, 131.0, math.nan, math.inf])
def test_unbelievable_age_is_refused(age_years):
    with pytest.raises(MeasureError, match="age"):
        Patient(age_years)


def test_height_in_metres_is_refused():
    with pytest.raises(MeasureError, match=r"1\.72 cm found"):
        Patient(height_cm=1.72)


def test_overrides_take_the_place_of_the_known_and_leave_the_rest():
    known = Patient(60.0, Sex.MALE, 180.0)
    assert known.overridden_by(Patient(sex=Sex.FEMALE)) == Patient(60.0, Sex.FEMALE, 180.0)
