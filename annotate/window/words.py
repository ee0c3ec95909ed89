"""What the panel says about a Reading, in plain words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from annotate.window.marking import Marking
from annotate.words.answer import headline_of, interval_in_words, place_of
from annotate.words.screen import range_in_words
from measure.cautions import ALWAYS
from measure.landmarks import Source
from measure.posture import NeckPosture
from measure.reading import Reading
from measure.spacing import Plane
from measure.verdict import Verdict

SIGNS = {
    Verdict.WITHIN_RANGE: "✓",
    Verdict.TOO_LOW: "▼",
    Verdict.TOO_HIGH: "▲",
    Verdict.IN_A_MAIN_BRONCHUS: "!",
    Verdict.NEAR_A_LIMIT: "≈",
    Verdict.CANNOT_SAY: "?",
}
"""A shape for each verdict, so that its colour need not be seen."""


@dataclass(frozen=True, slots=True)
class Said:
    """What the panel shows.

    Parameters
    ----------
    verdict, move : str
        In large type.
    tone : Verdict
        Chooses the colour.
    facts : tuple of (str, str)
        Label and text: distance, lip mark, range.
    reason : str
        One sentence.
    unknown : tuple of str
        What is not known, and what to give to sharpen the answer.
    cautions : tuple of str
        To be shown with it.
    """

    verdict: str
    move: str = ""
    tone: Verdict = Verdict.CANNOT_SAY
    facts: tuple[tuple[str, str], ...] = ()
    reason: str = ""
    unknown: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ALWAYS


def said_of(marking: Marking) -> Said:
    """Words for a film that is open."""
    reading = marking.reading
    return Said(
        verdict=f"{SIGNS[reading.verdict]} {headline_of(reading)}",
        move=_move(reading),
        tone=reading.verdict,
        facts=tuple(_facts(reading)),
        reason=reading.error or reading.reason,
        unknown=tuple(_unknown(marking)),
        cautions=reading.cautions,
    )


def said_of_trouble(trouble: str) -> Said:
    """Words for a film that cannot be opened."""
    return Said("? CANNOT BE OPENED", "Go on with the next film: N", reason=trouble)


def said_nothing(reason: str) -> Said:
    """Words while no Reading may be shown."""
    return Said("", reason=reason)


def _move(reading: Reading) -> str:
    return place_of(reading)


def _facts(reading: Reading) -> Iterator[tuple[str, str]]:
    if reading.distance is not None:
        how = "along the airway" if reading.distance.follows_path else "up the film"
        yield "On the film", f"{interval_in_words(reading.distance.on_film)} above the carina, {how}"
        yield "In the patient", f"{interval_in_words(reading.distance.in_patient)} along the airway"
    if reading.inputs is not None:
        now = reading.inputs.lip_mark_cm
        new = None if reading.adjustment is None else reading.adjustment.to_mark_cm
        if now is not None:
            yield "Lip mark", f"now {now:g} cm" + ("" if new is None else f", new {new:g} cm")
    if reading.accepted_range is not None:
        yield "Accepted", range_in_words(reading.accepted_range)
    if reading.adjustment is not None:
        yield from (("Limit", limit) for limit in reading.adjustment.limits)


def _unknown(marking: Marking) -> Iterator[str]:
    reading = marking.reading
    marks = {"tip": reading.landmarks.tip, "carina": reading.landmarks.carina}
    names = [name for name, mark in marks.items() if mark is not None and mark.source is Source.PROPOSED]
    if names:
        yield f"Only proposed: {' and '.join(names)}. Drag to the right place, or accept with A."
    inputs = reading.inputs
    if inputs is None:
        return
    if inputs.spacing is None:
        yield "What a pixel is worth: give mm per pixel, or mark an object of known length (O)."
    elif inputs.spacing.plane is Plane.UNKNOWN:
        yield "Where the pixel spacing holds: give mm per pixel at the detector."
    if inputs.neck_posture is NeckPosture.UNKNOWN:
        yield "The neck's posture: say it, or mark the mandible and two vertebrae (O)."
    if inputs.lip_mark_cm is None:
        yield "The mark at the lip: give it to get the new one."
    if inputs.age_group_assumed:
        yield "The age: give it; an adult is assumed."
    yield from (text for text in reading.settles if "posture" not in text)
