"""Which side of which limit the tip lies on, and how surely."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from measure.accepted_range import AcceptedRange
from measure.estimate import Estimate

SURE = 0.975
"""A limit is passed where it lies outside the 95 % interval, so with at least this probability on one side."""


class Verdict(StrEnum):
    """The answers that a Reading can give."""

    WITHIN_RANGE = "within range"
    TOO_LOW = "too low"
    TOO_HIGH = "too high"
    IN_A_MAIN_BRONCHUS = "in a main bronchus"
    NEAR_A_LIMIT = "near a limit"
    CANNOT_SAY = "cannot say"


@dataclass(frozen=True, slots=True)
class Probabilities:
    """Probability that the tip lies in each zone; they add up to 1."""

    in_a_main_bronchus: float
    too_low: float
    within_range: float
    too_high: float


@dataclass(frozen=True, slots=True)
class OpenLimit:
    """A limit that the interval straddles.

    Parameters
    ----------
    name : str
        "lower limit" or "upper limit".
    at_cm : float
        Where it lies on the film.
    probability_below : float
        That the tip lies below it.
    """

    name: str
    at_cm: float
    probability_below: float


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict with what led to it."""

    verdict: Verdict
    probabilities: Probabilities
    open_limits: tuple[OpenLimit, ...]


def judge(height: Estimate, accepted: AcceptedRange) -> Judgement:
    """Hold the tip's height on the film against the accepted range.

    Between the carina and the lower limit there is no second limit: a tip that may lie on either side of the
    carina is too low whichever it is.
    """
    below_carina = height.probability_below(Estimate(0.0))
    below_low = max(height.probability_below(accepted.low_cm), below_carina)
    below_high = max(height.probability_below(accepted.high_cm), below_low)
    zones = Probabilities(below_carina, below_low - below_carina, below_high - below_low, 1.0 - below_high)
    limits = (
        OpenLimit("lower limit", accepted.low_cm.value, below_low),
        OpenLimit("upper limit", accepted.high_cm.value, below_high),
    )
    open_limits = tuple(limit for limit in limits if 1.0 - SURE < limit.probability_below < SURE)
    if open_limits:
        verdict = Verdict.NEAR_A_LIMIT
    elif below_carina >= SURE:
        verdict = Verdict.IN_A_MAIN_BRONCHUS
    elif below_low >= SURE:
        verdict = Verdict.TOO_LOW
    elif below_high >= SURE:
        verdict = Verdict.WITHIN_RANGE
    else:
        verdict = Verdict.TOO_HIGH
    return Judgement(verdict, zones, open_limits)
