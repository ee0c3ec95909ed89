"""Where the tip lies: the probability of each zone, and what is called so."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from measure.accepted_range import AcceptedRange
from measure.estimate import Estimate, probability_below_zero
from measure.posture import Part

SURE = 0.975
"""A limit is passed where it lies outside the 95 % interval, so with at least this probability on one side."""

LIKELIER = 0.5
"""From this probability on a tip is called in a main bronchus: the call that must not wait for certainty
(ours)."""


class Verdict(StrEnum):
    """The answers that a Reading can give."""

    WITHIN_RANGE = "within range"
    TOO_LOW = "too low"
    TOO_HIGH = "too high"
    IN_A_MAIN_BRONCHUS = "in a main bronchus"
    NEAR_A_LIMIT = "near a limit"
    CANNOT_SAY = "cannot say"


@dataclass(frozen=True, slots=True)
class Chances:
    """Probabilities of where the tube lies.

    Parameters
    ----------
    in_a_main_bronchus, too_low, within_range, too_high : float
        Of the tip in each zone; these four add up to 1. Too low is above the carina, below the accepted range.
    near_carina : float
        Of the tip under 1 cm above the carina or below it (in children less, in proportion to the airway).
    cuff_at_the_cords : float or None
        Of the cuff at or above the cords; None where no cuff is minded.
    """

    in_a_main_bronchus: float
    too_low: float
    within_range: float
    too_high: float
    near_carina: float
    cuff_at_the_cords: float | None = None

    @property
    def likeliest(self) -> Verdict:
        """The zone with the highest probability."""
        zones = {
            Verdict.WITHIN_RANGE: self.within_range,
            Verdict.TOO_LOW: self.too_low,
            Verdict.TOO_HIGH: self.too_high,
            Verdict.IN_A_MAIN_BRONCHUS: self.in_a_main_bronchus,
        }
        return max(zones, key=zones.__getitem__)


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
class Place:
    """A height of the tip, held against what is accepted.

    Two questions, kept apart: where the tip is now, in which the neck has no part, and whether that is in the
    accepted range, in which it has.

    Parameters
    ----------
    above_carina_cm : Estimate
        On the film; negative below.
    held_cm : Estimate
        The same height as it is held against the limits: its error leaves out what moves the limits too.
    shifts : sequence of Part
        How far the neck has moved the tip from where the range's posture would have it.
    accepted : AcceptedRange
        The limits.
    near_carina_cm : float
        A tip lower than this is near the carina.
    """

    above_carina_cm: Estimate
    held_cm: Estimate
    shifts: Sequence[Part]
    accepted: AcceptedRange
    near_carina_cm: float

    def moved(self, by_cm: Estimate) -> Place:
        """The place after the tip has moved up by so much on the film."""
        return Place(
            self.above_carina_cm.plus(by_cm),
            self.held_cm.plus(by_cm),
            self.shifts,
            self.accepted,
            self.near_carina_cm,
        )

    @property
    def without_error(self) -> Place:
        """The same place as if the height were known exactly."""
        height, held = Estimate(self.above_carina_cm.value), Estimate(self.held_cm.value)
        return Place(height, held, self.shifts, self.accepted, self.near_carina_cm)

    def chances(self, cuff_at_the_cords: float | None = None) -> Chances:
        """The probability of each zone."""
        below_carina = self.above_carina_cm.probability_below(Estimate(0.0))
        near = self.above_carina_cm.probability_below(Estimate(self.near_carina_cm))
        below_low = max(self._probability_below(self.accepted.low_cm), below_carina)
        below_high = max(self._probability_below(self.accepted.high_cm), below_low)
        return Chances(
            below_carina,
            below_low - below_carina,
            below_high - below_low,
            1.0 - below_high,
            near,
            cuff_at_the_cords,
        )

    def far_out(self) -> float:
        """Probability that the tip lies outside the range by more than a tip may be near the carina."""
        low, high, margin = self.accepted.low_cm, self.accepted.high_cm, Estimate(self.near_carina_cm)
        return self._probability_below(low.minus(margin)) + 1.0 - self._probability_below(high.plus(margin))

    def _probability_below(self, limit: Estimate) -> float:
        if math.isinf(limit.value):
            return 1.0
        above, spread = self.held_cm.value - limit.value, math.hypot(self.held_cm.sd, limit.sd)
        return sum(
            part.probability
            * probability_below_zero(above - part.shift_cm.value, math.hypot(spread, part.shift_cm.sd))
            for part in self.shifts
        )


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict with what led to it."""

    verdict: Verdict
    chances: Chances
    open_limits: tuple[OpenLimit, ...]


def judge(place: Place, cuff_at_the_cords: float | None = None) -> Judgement:
    """Say where the tip lies.

    In a main bronchus is said from `LIKELIER` on, the other zones where they are `SURE`; between them a tip is
    near a limit, which is a statement about certainty and no reason to stay silent: the chances tell which side is
    likelier.
    """
    chances = place.chances(cuff_at_the_cords)
    below_low = chances.in_a_main_bronchus + chances.too_low
    below_high = below_low + chances.within_range
    limits = (
        OpenLimit("lower limit", place.accepted.low_cm.value, below_low),
        OpenLimit("upper limit", place.accepted.high_cm.value, below_high),
    )
    open_limits = tuple(limit for limit in limits if 1.0 - SURE < limit.probability_below < SURE)
    if chances.in_a_main_bronchus >= LIKELIER:
        verdict = Verdict.IN_A_MAIN_BRONCHUS
    elif open_limits:
        verdict = Verdict.NEAR_A_LIMIT
    elif below_low >= SURE:
        verdict = Verdict.TOO_LOW
    elif below_high >= SURE:
        verdict = Verdict.WITHIN_RANGE
    else:
        verdict = Verdict.TOO_HIGH
    return Judgement(verdict, chances, open_limits)
