"""What a Reading answers, in few words: the action, where the tip lies, how surely. Every surface says it so."""

from __future__ import annotations

from measure.advice import NEAR_CARINA_CM, Action, NoAction, Urgency
from measure.anatomy import airway_share
from measure.estimate import Estimate
from measure.insertion_depth import Route
from measure.posture import NeckPosture
from measure.reading import Reading
from measure.verdict import Verdict

SHOWN_CHANCE = 0.005
"""A smaller probability is not worth a word."""

PUZZLING = 0.02
"""Two chances that differ by more ask for a word (ours)."""

HASTE = {Urgency.NOW: "NOW: ", Urgency.ADVISED: "ADVISED: ", Urgency.MAY_HELP: "MAY HELP: ", Urgency.LEAVE: ""}


def headline_of(reading: Reading) -> str:
    """What to do, how soon, between which marks; or why nothing can be said.

    For instance "NOW: withdraw 3 cm, from 24 to 21 cm at the lip".
    """
    if reading.error is not None:
        return "CANNOT BE READ"
    move = reading.adjustment
    if move is not None:
        step = "; first step only" if move.first_step_only else ""
        check = "; CHECK FIRST" if move.check else ""
        if move.action is Action.LEAVE and move.urgency is Urgency.NOW:
            near = f"{near_carina_in_words(reading)} {percent(move.chances_now.near_carina)}"
            return f"LOOK AGAIN NOW ({near}): {move_in_words(reading)} meanwhile{check}"
        words = f"{HASTE[move.urgency]}{move_in_words(reading)}{step}{check}"
        return words[0].upper() + words[1:]
    why = "" if reading.no_action_because is None else reading.no_action_because.value
    if reading.no_action_because is NoAction.SCALE_UNKNOWN and reading.verdict is not Verdict.CANNOT_SAY:
        return f"{reading.verdict.value.upper()}; {why}"
    return why.upper()


def move_in_words(reading: Reading) -> str:
    """The move and the marks it leads from and to; empty where there is none."""
    move = reading.adjustment
    if move is None:
        return ""
    where = (
        "at the nostril" if reading.inputs is not None and reading.inputs.route is Route.NASAL else "at the lip"
    )
    if move.action is Action.LEAVE:
        return "leave the tube" + ("" if move.from_mark_cm is None else f" at {move.from_mark_cm:g} cm {where}")
    vision = " under direct vision" if move.action is Action.ADVANCE else ""
    words = f"{move.action.value} {move.by_cm:g} cm{vision}"
    if move.from_mark_cm is None or move.to_mark_cm is None:
        return f"{words} {where}"
    return f"{words}, from {move.from_mark_cm:g} to {move.to_mark_cm:g} cm {where}"


def place_of(reading: Reading) -> str:
    """Where the tip lies and how surely.

    For instance "4.8 cm (3.4 to 6.2) above the carina: probably within range (93 %)".
    """
    likely = likeliest_in_words(reading)
    if reading.distance is None:
        return likely[:1].upper() + likely[1:]
    height = height_in_words(reading.distance.on_film)
    return f"{height}: {likely}" if likely else height


def likeliest_in_words(reading: Reading) -> str:
    """The likeliest zone; "probably" where it is not sure."""
    chances = reading.probabilities
    if chances is None:
        return ""
    zone = chances.likeliest
    shares = {
        Verdict.IN_A_MAIN_BRONCHUS: chances.in_a_main_bronchus,
        Verdict.TOO_LOW: chances.too_low,
        Verdict.WITHIN_RANGE: chances.within_range,
        Verdict.TOO_HIGH: chances.too_high,
    }
    sure = reading.verdict is zone and reading.verdict is not Verdict.IN_A_MAIN_BRONCHUS
    return f"{'' if sure else 'probably '}{zone.value} ({percent(shares[zone])})"


def reason_in_words(reading: Reading) -> str:
    """Why it is said, and what would puzzle a reader of the chances."""
    return f"{reading.reason} {_neck_in_words(reading)}".strip()


def _neck_in_words(reading: Reading) -> str:
    """One sentence where a tip is surer near the carina, which no neck changes, than out of range."""
    chances, inputs = reading.probabilities, reading.inputs
    if chances is None or inputs is None:
        return ""
    if chances.near_carina - chances.in_a_main_bronchus - chances.too_low < PUZZLING:
        return ""
    known = inputs.neck_posture is not NeckPosture.UNKNOWN
    neck = f"With the neck {inputs.neck_posture.value}" if known else "The neck is not known; flexed,"
    near = near_carina_in_words(reading)
    return f'{neck} a tip this low may still be in range, so "too low" is less sure than "{near}".'


def height_in_words(height: Estimate) -> str:
    """A height and its 95 % interval, for instance "4.8 cm (3.4 to 6.2) above the carina"."""
    if height.value < 0.0:
        return f"{-height.value:.1f} cm ({-height.high:.1f} to {-height.low:.1f}) below the carina"
    return f"{interval_in_words(height)} above the carina"


def interval_in_words(value: Estimate) -> str:
    """A length and its 95 % interval."""
    return f"{value.value:.1f} cm ({value.low:.1f} to {value.high:.1f})"


def near_carina_in_words(reading: Reading) -> str:
    """What counts as near the carina in this patient: "under 1 cm" in adults."""
    share = 1.0 if reading.inputs is None else airway_share(reading.inputs.patient)
    limit_cm = NEAR_CARINA_CM * share
    return f"under {limit_cm:.0f} cm" if share == 1.0 else f"under {limit_cm:.1f} cm"


def percent(share: float) -> str:
    """A probability; never 0 or 100 %."""
    if share > 1.0 - SHOWN_CHANCE:
        return "> 99 %"
    return "< 1 %" if share < SHOWN_CHANCE else f"{share:.0%}".replace("%", " %")
