"""A statistic with its confidence interval, or the reason why it does not exist for these data."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

from measure.errors import MeasureError

CONFIDENCE = 0.95
"""Of every interval unless asked otherwise (common practice)."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A statistic and the ends of its confidence interval.

    Data that cannot be asked at all (unequal lengths, fewer than two pairs, more events than films) raise
    `MeasureError`. Data that can, but for which the statistic does not exist (no variance, one category only,
    no film in the stratum), give an undefined Interval.

    Parameters
    ----------
    value, low, high : float
        All nan where undefined; `low` and `high` alone may be nan, where only the interval is undefined.
    undefined : str
        Why a number is missing; empty where all are there.
    """

    value: float
    low: float
    high: float
    undefined: str = ""

    @property
    def defined(self) -> bool:
        """Whether the statistic itself exists."""
        return not math.isnan(self.value)

    def clipped(self, lowest: float, highest: float) -> Interval:
        """The same, kept inside the values that the quantity can take."""
        value, low, high = (
            number if math.isnan(number) else min(max(number, lowest), highest)
            for number in (self.value, self.low, self.high)
        )
        return Interval(value, low, high, self.undefined)


def undefined(why: str) -> Interval:
    """A statistic that these data do not have."""
    return Interval(math.nan, math.nan, math.nan, why)


def two_sided_z(confidence: float) -> float:
    """Normal quantile of a two-sided interval, 1.96 for 0.95.

    Raises
    ------
    MeasureError
        Where the confidence is not between 0 and 1.
    """
    check_share("confidence", confidence)
    return NormalDist().inv_cdf((1.0 + confidence) / 2.0)


def check_share(name: str, share: float) -> None:
    """Refuse what is no share strictly between 0 and 1.

    Raises
    ------
    MeasureError
        Naming what was found.
    """
    if not 0.0 < share < 1.0:
        raise MeasureError(f"{name}: {share:g} found, a share between 0 and 1 expected, for instance 0.95.")
