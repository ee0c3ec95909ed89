"""A number with its standard deviation, and the first-order rules for combining two."""

from __future__ import annotations

import math
from dataclasses import dataclass

from measure.errors import MeasureError

Z95 = 1.959963984540054
"""Two-sided 95 % point of the standard normal distribution."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A measured value and its standard deviation, in the same unit.

    Intervals and probabilities treat the error as normal. The value may be infinite: a range without an upper
    limit.

    Raises
    ------
    MeasureError
        Where one of the two is no number, or the standard deviation is negative.
    """

    value: float
    sd: float = 0.0

    def __post_init__(self) -> None:
        if math.isnan(self.value) or not self.sd >= 0.0:
            raise MeasureError(
                f"estimate: {self.value} with a standard deviation of {self.sd} found; a number, and one not "
                "below zero, expected."
            )

    @classmethod
    def from_interval(cls, value: float, low: float, high: float) -> Estimate:
        """The estimate whose 95 % interval this is."""
        return cls(value, (high - low) / (2.0 * Z95))

    @property
    def low(self) -> float:
        """Lower end of the 95 % interval."""
        return self.value - Z95 * self.sd

    @property
    def high(self) -> float:
        """Upper end of the 95 % interval."""
        return self.value + Z95 * self.sd

    def plus(self, other: Estimate) -> Estimate:
        """Sum with an independent estimate."""
        return Estimate(self.value + other.value, math.hypot(self.sd, other.sd))

    def minus(self, other: Estimate) -> Estimate:
        """Difference from an independent estimate."""
        return Estimate(self.value - other.value, math.hypot(self.sd, other.sd))

    def times(self, other: Estimate) -> Estimate:
        """Product with an independent estimate, to first order."""
        return Estimate(self.value * other.value, math.hypot(other.value * self.sd, self.value * other.sd))

    def over(self, other: Estimate) -> Estimate:
        """Quotient by an independent estimate, to first order."""
        return self.times(Estimate(1.0 / other.value, other.sd / other.value**2))

    def probability_below(self, limit: Estimate) -> float:
        """Probability that this quantity is below `limit`, itself possibly uncertain."""
        return probability_below_zero(self.value - limit.value, math.hypot(self.sd, limit.sd))


def probability_below_zero(value: float, sd: float) -> float:
    """Probability that a normal quantity is negative; a sure one of zero is not."""
    if sd == 0.0:
        return float(value < 0.0)
    return 0.5 * math.erfc(value / (sd * math.sqrt(2.0)))


def uniform(low: float, high: float) -> Estimate:
    """Mean and standard deviation of a quantity that lies anywhere between `low` and `high`."""
    return Estimate((low + high) / 2.0, (high - low) / math.sqrt(12.0))
