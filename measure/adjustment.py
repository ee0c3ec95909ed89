"""How far to move the tube at the lip, and what limits the move.

Withdrawing the tube lowers the centimetre mark at the lip and raises the tip above the carina.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from measure.accepted_range import AcceptedRange
from measure.estimate import Estimate

STEP_CM = 0.5
"""Half a centimetre is what the marks on a tube let a hand do (ours)."""

LARGE_MOVE_CM = 4.0
"""A larger move wants direct vision (ours)."""

CUFF_BELOW_CORDS_CM = 1.5
"""Least distance of the cuff's upper edge below the cords: the lower end of the published
1.5 to 2.5 and 1.9 to 4.1 cm (BMJ Open 2018;8:e023374)."""


class Action(StrEnum):
    """What to do with the tube at the lip."""

    WITHDRAW = "withdraw"
    ADVANCE = "advance"
    LEAVE = "leave"


@dataclass(frozen=True, slots=True)
class Adjustment:
    """A move at the lip.

    Parameters
    ----------
    action : Action
        Withdraw, advance or leave.
    by_cm : float
        Size of the move along the airway in the patient, in steps of `STEP_CM`; zero for leave.
    from_mark_cm, to_mark_cm : float or None
        Marks at the lip before and after; None where the present mark is not known.
    target_on_film_cm : float
        Height above the carina that the move aims at.
    lands_on_film_cm : Estimate
        Height on the film that the rounded move leads to.
    limits : tuple of str
        What limited the move, and what it asks for.
    """

    action: Action
    by_cm: float
    from_mark_cm: float | None
    to_mark_cm: float | None
    target_on_film_cm: float
    lands_on_film_cm: Estimate
    limits: tuple[str, ...]


def highest_tip_cm(cords_above_carina_cm: Estimate, cuff_upper_from_tip_cm: Estimate) -> Estimate:
    """Height of the tip in the patient at which the cuff comes as near the cords as it may."""
    return cords_above_carina_cm.minus(cuff_upper_from_tip_cm).minus(Estimate(CUFF_BELOW_CORDS_CM))


def leave(height_on_film: Estimate, accepted: AcceptedRange, lip_mark_cm: float | None) -> Adjustment:
    """No move: the tip is where it should be."""
    return Adjustment(Action.LEAVE, 0.0, lip_mark_cm, lip_mark_cm, accepted.target_cm, height_on_film, ())


def move(
    height_on_film: Estimate,
    accepted: AcceptedRange,
    film_per_patient: Estimate,
    lip_mark_cm: float | None,
    highest_tip_in_patient_cm: Estimate | None,
) -> Adjustment:
    """The move that brings a tip outside the accepted range to its target.

    Parameters
    ----------
    height_on_film : Estimate
        Tip above carina, cm on the film.
    accepted : AcceptedRange
        Its target is the aim.
    film_per_patient : Estimate
        cm on the film for a cm along the airway in the patient.
    lip_mark_cm : float or None
        Present mark at the lip.
    highest_tip_in_patient_cm : Estimate or None
        `highest_tip_cm`; None where there is no cuff to mind.

    Notes
    -----
    The move is rounded so that the tip ends farther from the carina, unless that brings the cuff too near the
    cords or the tip out of the range: then the other way.
    """
    limits: list[str] = []
    target = accepted.target_cm
    ceiling = math.inf
    if highest_tip_in_patient_cm is not None:
        ceiling = highest_tip_in_patient_cm.times(film_per_patient).value
    if ceiling < target:
        limits.append(_cuff_limit(ceiling, accepted))
        target = max(ceiling, accepted.low_cm.value)
    wanted = (target - height_on_film.value) / film_per_patient.value
    withdraw_cm = _rounded(wanted, height_on_film, accepted, film_per_patient, max(ceiling, target))
    action = Action.WITHDRAW if withdraw_cm > 0.0 else Action.ADVANCE if withdraw_cm < 0.0 else Action.LEAVE
    if action is Action.ADVANCE:
        limits.append("Advancing a tube wants direct vision of the cords.")
    if abs(withdraw_cm) > LARGE_MOVE_CM:
        limits.append(f"A move of more than {LARGE_MOVE_CM:g} cm wants direct vision of the cords.")
    new_mark = None if lip_mark_cm is None else lip_mark_cm - withdraw_cm
    if new_mark is not None and new_mark <= 0.0:
        limits.append(f"The new mark would be {new_mark:g} cm: check the present mark of {lip_mark_cm:g} cm.")
        new_mark = None
    return Adjustment(
        action,
        abs(withdraw_cm),
        lip_mark_cm,
        new_mark,
        target,
        height_on_film.plus(Estimate(withdraw_cm).times(film_per_patient)),
        tuple(limits),
    )


def _cuff_limit(ceiling_on_film: float, accepted: AcceptedRange) -> str:
    if ceiling_on_film >= accepted.low_cm.value:
        return (
            f"Aimed at {ceiling_on_film:.1f} cm instead of {accepted.target_cm:.1f} cm on the film, "
            f"to keep the cuff {CUFF_BELOW_CORDS_CM:g} cm below the cords (estimated)."
        )
    return (
        f"Anywhere in the accepted range the cuff may lie less than {CUFF_BELOW_CORDS_CM:g} cm below the cords "
        "(estimated): aimed at the lower limit; check the cuff under direct vision, consider another tube."
    )


def _rounded(
    wanted: float, height: Estimate, accepted: AcceptedRange, film_per_patient: Estimate, ceiling: float
) -> float:
    """The step next to `wanted` that ends farther from the carina, if it lands where it may."""
    steps = wanted / STEP_CM
    farther, nearer = math.ceil(steps - 1e-9) * STEP_CM, math.floor(steps + 1e-9) * STEP_CM
    highest = min(accepted.high_cm.value, ceiling + 1e-9)
    lowest = accepted.low_cm.value

    def lands(step: float) -> float:
        return height.value + step * film_per_patient.value

    return nearer if lands(farther) > highest and lands(nearer) >= lowest else farther
