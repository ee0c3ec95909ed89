"""What to do with the tube at the lip: the move with the least expected loss, and the rails it runs between.

Withdrawing the tube lowers the centimetre mark at the lip and raises the tip above the carina.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum

from measure.estimate import Estimate
from measure.tube import CUFF_LENGTH_MM
from measure.verdict import Chances, Place


@dataclass(frozen=True, slots=True)
class Weights:
    """What each evil counts, in units of nothing but each other (ours; docs/advice.md shows what halving and
    doubling does).

    Parameters
    ----------
    below_carina : float
        A lung is not ventilated, the other may burst.
    near_carina : float
        A nod or a cough takes the tip into a bronchus.
    out_of_range : float
        Either side: the neck may carry the tip to where it harms.
    far_out_of_range : float
        By more than a centimetre, on top: the neck need carry it less far.
    cuff_at_cords : float
        It leaks, presses on the cords, and the tube may come out. Lower than its harm: the tables that the cuff's
        place is reckoned from put it at the cords in three of ten tubes that lie as they should.
    cuff_beyond_cords : float
        The whole cuff above them: nothing seals, and the tube is about to come out.
    cuff_near_cords : float
        Less than `CUFF_BELOW_CORDS_CM` below them: less than published as ideal.
    moving : float
        Loosening a tube is a risk by itself.
    withdrawing_per_cm, advancing_per_cm : float
        A longer way errs further; pushing blindly may harm and ends lower than meant.
    """

    below_carina: float = 30.0
    near_carina: float = 10.0
    out_of_range: float = 1.5
    far_out_of_range: float = 1.5
    cuff_at_cords: float = 2.5
    cuff_beyond_cords: float = 6.0
    cuff_near_cords: float = 0.5
    moving: float = 0.5
    withdrawing_per_cm: float = 0.1
    advancing_per_cm: float = 0.3


WEIGHTS = Weights()

AS_GOOD = 0.15
"""Of moves within so much of the least loss the smallest is taken (ours)."""

REALISED_SHARE = Estimate(0.65, 0.25)
"""How much of a planned move the tip makes.

Between the medians of 0.50 (withdrawing) and 0.575 (advancing) in 55 surgical ICU patients (J Trauma Acute Care
Surg 2013;75:146-149, abstract seen) and the whole; a quarter of the way and its spread are ours. """

CUFF_BELOW_CORDS_CM = 1.5
"""Least distance of the cuff's upper edge below the cords: the lower end of the published 1.5 to 2.5 and 1.9 to
4.1 cm (BMJ Open 2018;8:e023374)."""

CUFF_LENGTH_CM = sum(CUFF_LENGTH_MM) / 20.0
"""Middle of the lengths measured on size 8 tubes (PubMed 7198412)."""

STEP_CM = 0.5
"""Half a centimetre is what the marks on a tube let a hand do (ours)."""

SMALL_STEP_CM = 0.25
"""In the smallest children the marks are read between (ours)."""

SMALL_AIRWAY = 0.55
"""Up to this share of an adult's airway the small step is taken: children up to about 2 years (ours)."""

FIRST_STEP_CM = 4.0
"""An adult's tube is moved no further before a listen and a film (ours); a child's in proportion to the airway."""

LARGEST_CM = 8.0
"""No longer move is asked about in an adult: from deep in a main bronchus to the middle of the trachea (ours)."""

NEAR_CARINA_CM = 1.0
"""A tip lower than this above an adult's carina is called at or just above it (ours)."""

URGENT = 0.10
"""A tip that lies near the carina with this probability is moved now (ours)."""

ADVANCE_BELOW_CARINA, ADVANCE_NEAR_CARINA = 0.005, 0.03
"""The most that may be left of these chances after an advance (ours)."""

WITHDRAW_TO_CORDS, WITHDRAW_RAISES = 0.25, 0.15
"""A withdrawal may not raise the chance of a cuff at the cords above the one, nor by more than the other
(ours)."""

LIKELY = 0.5


class Action(StrEnum):
    """What to do with the tube at the lip."""

    WITHDRAW = "withdraw"
    ADVANCE = "advance"
    LEAVE = "leave"


class NoAction(StrEnum):
    """Why no action is possible."""

    NOT_READABLE = "film not readable"
    NO_FRONTAL_CHEST = "no upright frontal chest film"
    NO_TUBE = "no tube seen"
    TRACHEOSTOMY = "tracheostomy tube"
    DOUBLE_LUMEN = "double-lumen tube"
    TIP_UNSURE = "tip unsure"
    CARINA_UNSURE = "carina unsure"
    SCALE_UNKNOWN = "scale unknown"
    LEVELS_UNKNOWN = "vertebrae not marked"
    NO_RANGE = "no accepted range"
    CONTRADICTION = "lip mark contradicts film"


class Urgency(StrEnum):
    """How soon."""

    NOW = "now"
    ADVISED = "advised"
    MAY_HELP = "may help"
    LEAVE = "leave"


@dataclass(frozen=True, slots=True)
class Adjustment:
    """The best action now, and what it achieves.

    Parameters
    ----------
    action : Action
        Withdraw, advance or leave.
    urgency : Urgency
        How soon.
    by_cm : float
        Size of the move at the lip; zero for leave.
    from_mark_cm, to_mark_cm : float or None
        Marks at the lip before and after; None where the present mark is not known.
    chances_now, chances_after : Chances
        Where the tube lies, and where it will lie after the move.
    lands_on_film_cm : Estimate
        Height above the carina on the film that the move leads to.
    first_step_only : bool
        More will be needed: the move is one of several, or even it leaves the tip likelier out of range than in.
    limits : tuple of str
        What limited the move, and what it asks for.
    check : str
        What must be looked at before the move is believed; empty where nothing.
    """

    action: Action
    urgency: Urgency
    by_cm: float
    from_mark_cm: float | None
    to_mark_cm: float | None
    chances_now: Chances
    chances_after: Chances
    lands_on_film_cm: Estimate
    first_step_only: bool
    limits: tuple[str, ...] = ()
    check: str = ""


@dataclass(frozen=True, slots=True)
class Situation:
    """All that a move depends on.

    Parameters
    ----------
    place : Place
        Where the tip lies on the film.
    film_per_patient : Estimate
        cm on the film for a cm along the airway in the patient.
    cuff_below_cords_cm : Estimate or None
        The cuff's upper edge below the cords, in the patient, now; None where no cuff is minded.
    cuff_marked : bool
        That distance rests on marks on this film, not on tables.
    airway_share : float
        The airway's length as a share of an adult's: 1 in adults.
    lip_mark_cm : float or None
        Present mark at the lip.
    """

    place: Place
    film_per_patient: Estimate
    cuff_below_cords_cm: Estimate | None = None
    cuff_marked: bool = False
    airway_share: float = 1.0
    lip_mark_cm: float | None = None

    @property
    def step_cm(self) -> float:
        """Moves are multiples of this."""
        return SMALL_STEP_CM if self.airway_share <= SMALL_AIRWAY else STEP_CM

    @property
    def first_step_cm(self) -> float:
        """No move is longer before the next film."""
        return max(round(FIRST_STEP_CM * self.airway_share / self.step_cm), 1) * self.step_cm

    @property
    def largest_cm(self) -> float:
        """No longer move is asked about."""
        return LARGEST_CM * self.airway_share


@dataclass(frozen=True, slots=True)
class Outcome:
    """One possible move: positive withdraws."""

    withdraw_cm: float
    place: Place
    chances: Chances
    loss: float = field(compare=False)


def advise(situation: Situation, weights: Weights = WEIGHTS) -> Adjustment:
    """The action with the least expected loss among those that the guard rails allow.

    All in closed form: after a move of w the tip lies higher by w x `film_per_patient` x `REALISED_SHARE`, each
    with its spread. Of moves about as good the smallest is taken.
    """
    stay = _outcome(situation, 0.0, weights)
    moves = [_outcome(situation, move_cm, weights) for move_cm in _moves_cm(situation, stay)]
    allowed = [stay, *(move for move in moves if _allowed(stay, move))]
    least = min(outcome.loss for outcome in allowed)
    best = min((each for each in allowed if each.loss <= least + AS_GOOD), key=lambda each: abs(each.withdraw_cm))
    freely = min((stay, *moves), key=lambda each: each.loss)
    held_back = not _allowed(stay, freely) and freely.loss < best.loss - AS_GOOD
    return _as_adjustment(situation, stay, best, weights, freely if held_back else None)


def _moves_cm(situation: Situation, stay: Outcome) -> Iterator[float]:
    """Moves worth asking; a tube is advanced only where its best estimate likelier than not lies too high.

    The best estimate alone is asked, so that more doubt never makes an advance.
    """
    steps = [
        number * situation.step_cm for number in range(1, round(situation.largest_cm / situation.step_cm) + 1)
    ]
    yield from steps
    at_cords = stay.chances.cuff_at_the_cords or 0.0
    too_high = situation.place.without_error.chances().too_high
    if too_high >= LIKELY or (situation.cuff_marked and at_cords >= LIKELY):
        yield from (-step for step in steps)


def shift_on_film(withdraw_cm: float, film_per_patient: Estimate) -> Estimate:
    """How far a move at the lip raises the tip, in cm on the film."""
    return REALISED_SHARE.times(film_per_patient).times(Estimate(withdraw_cm))


def _outcome(situation: Situation, withdraw_cm: float, weights: Weights) -> Outcome:
    place, cuff = situation.place, situation.cuff_below_cords_cm
    if withdraw_cm:
        place = place.moved(shift_on_film(withdraw_cm, situation.film_per_patient))
        cuff = None if cuff is None else cuff.minus(REALISED_SHARE.times(Estimate(withdraw_cm)))
    at_cords = None if cuff is None else cuff.probability_below(Estimate(0.0))
    chances = place.chances(at_cords)
    loss = (
        weights.below_carina * chances.in_a_main_bronchus
        + weights.near_carina * (chances.near_carina - chances.in_a_main_bronchus)
        + weights.out_of_range * (1.0 - chances.within_range)
        + weights.far_out_of_range * place.far_out()
    )
    if cuff is not None and at_cords is not None:
        near_cords = cuff.probability_below(Estimate(CUFF_BELOW_CORDS_CM)) - at_cords
        beyond_cords = cuff.probability_below(Estimate(-CUFF_LENGTH_CM))
        loss += weights.cuff_at_cords * at_cords + weights.cuff_near_cords * near_cords
        loss += weights.cuff_beyond_cords * beyond_cords
    if withdraw_cm:
        per_cm = weights.withdrawing_per_cm if withdraw_cm > 0.0 else weights.advancing_per_cm
        loss += weights.moving + per_cm * abs(withdraw_cm)
    return Outcome(withdraw_cm, place, chances, loss)


def _allowed(stay: Outcome, move: Outcome) -> bool:
    if move.withdraw_cm > 0.0:
        return _may_withdraw(stay, move)
    after = move.chances
    return move.withdraw_cm == 0.0 or (
        after.in_a_main_bronchus <= ADVANCE_BELOW_CARINA and after.near_carina <= ADVANCE_NEAR_CARINA
    )


def _may_withdraw(stay: Outcome, move: Outcome) -> bool:
    """A tip near the carina comes first; else the cuff may not be drawn into the cords."""
    before, after = stay.chances.cuff_at_the_cords, move.chances.cuff_at_the_cords
    if before is None or after is None or stay.chances.near_carina >= LIKELY:
        return True
    return after <= WITHDRAW_TO_CORDS and after - before <= WITHDRAW_RAISES


def _as_adjustment(
    situation: Situation, stay: Outcome, best: Outcome, weights: Weights, held_back: Outcome | None
) -> Adjustment:
    first = best
    if abs(best.withdraw_cm) > situation.first_step_cm:
        first = _outcome(situation, math.copysign(situation.first_step_cm, best.withdraw_cm), weights)
    move = first.withdraw_cm
    return Adjustment(
        action=Action.WITHDRAW if move > 0.0 else Action.ADVANCE if move < 0.0 else Action.LEAVE,
        urgency=_urgency(stay, move),
        by_cm=abs(move),
        from_mark_cm=situation.lip_mark_cm,
        to_mark_cm=None if situation.lip_mark_cm is None else situation.lip_mark_cm - move,
        chances_now=stay.chances,
        chances_after=first.chances,
        lands_on_film_cm=first.place.above_carina_cm,
        first_step_only=first is not best or (move != 0.0 and first.chances.within_range < LIKELY),
        limits=tuple(_limits(first, best, held_back)),
    )


def _limits(first: Outcome, best: Outcome, held_back: Outcome | None) -> Iterator[str]:
    if first is not best:
        yield (
            f"In steps: {abs(first.withdraw_cm):g} cm first, of {abs(best.withdraw_cm):g} cm in all; then listen, "
            "and repeat the film."
        )
    if first.withdraw_cm < 0.0:
        yield "Advance only under direct vision of the cords."
    if held_back is None:
        return
    if held_back.withdraw_cm > 0.0:
        yield "No further: the cuff might come to the cords (estimated); look at it, consider another tube."
    else:
        yield "Not advanced further: the tip might end near the carina; a surer film first."


def _urgency(stay: Outcome, move_cm: float) -> Urgency:
    if stay.chances.near_carina >= URGENT:
        return Urgency.NOW
    if move_cm == 0.0:
        return Urgency.LEAVE
    return Urgency.ADVISED if stay.chances.within_range < LIKELY else Urgency.MAY_HELP
