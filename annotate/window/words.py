"""What the panel says about a Reading, in plain words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from annotate.window.marking import STILL_LOOKING, Marking
from annotate.words.answer import (
    SHOWN_CHANCE,
    headline_of,
    height_in_words,
    interval_in_words,
    near_carina_in_words,
    percent,
    place_of,
    reason_in_words,
)
from annotate.words.screen import depths_in_words, range_in_words, spacing_in_words
from measure.advice import Action
from measure.cautions import ALWAYS
from measure.estimate import Estimate
from measure.follow_up import Change
from measure.landmarks import Source
from measure.reading import Reading
from measure.verdict import Chances, Verdict

SIGNS = {
    Verdict.WITHIN_RANGE: "✓",
    Verdict.TOO_LOW: "▼",
    Verdict.TOO_HIGH: "▲",
    Verdict.IN_A_MAIN_BRONCHUS: "!",
    Verdict.NEAR_A_LIMIT: "≈",
    Verdict.CANNOT_SAY: "?",
}
"""A shape for each verdict, so that its colour need not be seen."""

SHOWN_CM = 0.05
"""Less is nothing in tenths of a centimetre."""

LOOKING, TURNING = "Looking for tip and carina", "Looking at how the film lies"


@dataclass(frozen=True, slots=True)
class Odds:
    """One zone's probability, in words: now, and after the move; empty where there is none."""

    zone: str
    now: str
    after: str


@dataclass(frozen=True, slots=True)
class Said:
    """What the panel shows.

    Parameters
    ----------
    verdict, move : str
        In large type: what to do; where the tip lies.
    tone : Verdict
        Chooses the colour.
    odds : tuple of Odds
        Where the tube lies, now and after the move.
    facts : tuple of (str, str)
        Label and text: landing, lip mark, range.
    reason : str
        One sentence.
    unknown : tuple of str
        What is not known, the most worth knowing first.
    cautions : tuple of str
        To be shown with it.
    """

    verdict: str
    move: str = ""
    tone: Verdict = Verdict.CANNOT_SAY
    odds: tuple[Odds, ...] = ()
    facts: tuple[tuple[str, str], ...] = ()
    reason: str = ""
    unknown: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ALWAYS


def said_of(marking: Marking, asked: tuple[str, ...]) -> Said:
    """Words for a film that is open; `asked` is what would sharpen the answer."""
    if marking.looking:
        looks = LOOKING if marking.proposal is STILL_LOOKING else TURNING
        return Said(f"… {looks}", "You can place them now: T, C", reason="What you place stays as you place it.")
    reading = marking.reading
    return Said(
        verdict=f"{SIGNS[reading.verdict]} {headline_of(reading)}",
        move=place_of(reading),
        tone=reading.verdict,
        odds=tuple(_odds(reading)),
        facts=tuple(_facts(reading)),
        reason=reading.error or _reason(reading),
        unknown=asked,
        cautions=reading.cautions,
    )


def said_of_trouble(trouble: str) -> Said:
    """Words for a film that cannot be opened."""
    return Said("? CANNOT BE OPENED", "Go on with the next film: N", reason=trouble)


def said_nothing(reason: str) -> Said:
    """Words while no Reading may be shown."""
    return Said("", reason=reason)


def note_of(reading: Reading) -> str:
    """A few lines for the patient's record, with nothing that tells whose film it is."""
    lines = [f"Endotracheal tube on the chest film: {headline_of(reading)}."]
    if place := place_of(reading):
        lines.append(f"Tip {place}.")
    if reading.adjustment is not None and reading.adjustment.action is not Action.LEAVE:
        lines.append(
            f"Expected after the move: {height_in_words(reading.adjustment.lands_on_film_cm)} on the film."
        )
        lines += reading.adjustment.limits
    if reading.accepted_range is not None:
        lines.append(f"Accepted range: {range_in_words(reading.accepted_range)}.")
    if reading.change is not None:
        lines.append(change_in_words(reading.change))
    if reading.inputs is not None:
        lines.append(f"Neck {reading.inputs.neck_posture.value} ({reading.inputs.neck_posture_source}).")
    lines.append(f"Points: {_who_placed(reading)}. Measured with lipmark. {' '.join(ALWAYS)}")
    return "\n".join(lines)


def change_in_words(change: Change) -> str:
    """Since the film before: how far the tip has moved, and what explains it."""
    mark, neck = change.by_lip_mark_cm, change.by_posture_cm
    by_mark = "lip marks not both known" if mark is None else f"lip marks explain {_explained(mark)}"
    left = change.unexplained_cm
    return (
        f"Tip {change.change_cm.value:+.1f} cm since the film before; {by_mark}, the neck {_explained(neck)}; "
        f"left unexplained {left.value:+.1f} ({left.low:+.1f} to {left.high:+.1f}). Moved by 1 cm or more that "
        f"nothing explains: {percent(change.probability_moved)}."
    )


def _explained(change: Estimate) -> str:
    """For instance "+1.0 cm", "+0.1 cm (-1.8 to +2.1)", or "nothing"."""
    if max(abs(change.low), abs(change.high)) < SHOWN_CM:
        return "nothing"
    span = "" if change.sd * 2.0 < SHOWN_CM else f" ({change.low:+.1f} to {change.high:+.1f})"
    return f"{change.value:+.1f} cm{span}"


def _reason(reading: Reading) -> str:
    check = "" if reading.adjustment is None else reading.adjustment.check
    return f"{check} {reason_in_words(reading)}".strip()


def _odds(reading: Reading) -> Iterator[Odds]:
    now, move = reading.probabilities, reading.adjustment
    if now is None:
        return
    after = None if move is None or move.action is Action.LEAVE else move.chances_after
    near = near_carina_in_words(reading)
    then = dict(_zones(after, near)) if after is not None else {}
    for zone, share in _zones(now, near):
        if max(share, then.get(zone, 0.0)) >= SHOWN_CHANCE:
            yield Odds(zone, percent(share), percent(then[zone]) if zone in then else "")


def _zones(chances: Chances, near: str) -> Iterator[tuple[str, float]]:
    yield "in a main bronchus", chances.in_a_main_bronchus
    yield near, chances.near_carina
    yield "too low", chances.too_low
    yield "within range", chances.within_range
    yield "too high", chances.too_high
    yield "cuff at the cords", chances.cuff_at_the_cords or 0.0


def _facts(reading: Reading) -> Iterator[tuple[str, str]]:
    move, inputs = reading.adjustment, reading.inputs
    if move is not None and move.action is not Action.LEAVE:
        yield "Lands at", f"{height_in_words(move.lands_on_film_cm)} on the film"
    if move is not None:
        yield from (("Mind first", limit) for limit in move.limits)
    if reading.change is not None:
        yield "Since before", change_in_words(reading.change)
    if inputs is not None and inputs.spacing is not None and inputs.spacing.rough:
        yield "Scale", f"rough, from anatomy: {spacing_in_words(inputs.spacing)}"
    if inputs is not None and inputs.lip_mark_cm is not None and reading.insertion_depth:
        yield "Lip mark", depths_in_words(reading)
    if reading.distance is not None:
        how = "along the airway" if reading.distance.follows_path else "up the film"
        yield "Measured", f"{how}; in the patient {interval_in_words(reading.distance.in_patient)}"
    if reading.accepted_range is not None:
        yield "Accepted", range_in_words(reading.accepted_range)
    if inputs is not None:
        yield "Neck", f"{inputs.neck_posture.value} ({inputs.neck_posture_source})"


def _who_placed(reading: Reading) -> str:
    marks = {"tip": reading.landmarks.tip, "carina": reading.landmarks.carina}
    words = [
        f"{name} {'by hand' if mark.source is Source.HAND else 'proposed, not checked'}"
        for name, mark in marks.items()
        if mark is not None
    ]
    return ", ".join(words) or "none"
