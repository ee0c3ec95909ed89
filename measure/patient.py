"""Who the film shows, as far as the measurement needs to know."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from measure.errors import MeasureError

ADULT_FROM_YEARS = 18.0
"""Common practice: paediatric rules end at 18 years."""

NEONATE_BELOW_YEARS = 28.0 / 365.25
"""The neonatal period: the first 28 days (World Health Organization's usage; from memory)."""

OLDEST_YEARS = 130.0
SMALLEST_CM, TALLEST_CM = 25.0, 250.0
"""Limits of a believable age and height; ours, wide enough for every patient."""


class Sex(StrEnum):
    """Sex, where anatomy tables differ by it."""

    FEMALE = "female"
    MALE = "male"


class AgeGroup(StrEnum):
    """The age groups that the accepted ranges tell apart."""

    NEONATE = "neonate"
    CHILD = "child"
    ADULT = "adult"


@dataclass(frozen=True, slots=True)
class Patient:
    """Age, sex and height; None where not known.

    Raises
    ------
    MeasureError
        Where an age or a height is not believable.
    """

    age_years: float | None = None
    sex: Sex | None = None
    height_cm: float | None = None

    def __post_init__(self) -> None:
        _check("age", "years", self.age_years, 0.0, OLDEST_YEARS)
        _check("height", "cm", self.height_cm, SMALLEST_CM, TALLEST_CM)

    @property
    def age_group(self) -> AgeGroup | None:
        """Age group, or None where the age is not known."""
        if self.age_years is None:
            return None
        if self.age_years < NEONATE_BELOW_YEARS:
            return AgeGroup.NEONATE
        return AgeGroup.CHILD if self.age_years < ADULT_FROM_YEARS else AgeGroup.ADULT

    def overridden_by(self, other: Patient) -> Patient:
        """The same patient, with each value that `other` knows in place of the own one."""
        return Patient(
            self.age_years if other.age_years is None else other.age_years,
            self.sex if other.sex is None else other.sex,
            self.height_cm if other.height_cm is None else other.height_cm,
        )


def _check(name: str, unit: str, value: float | None, low: float, high: float) -> None:
    if value is not None and not (math.isfinite(value) and low <= value <= high):
        raise MeasureError(
            f"{name}: {value:g} {unit} found, {low:g} to {high:g} {unit} expected; correct it or leave it out."
        )
