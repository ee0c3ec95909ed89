"""What stands in the way of an answer."""

from __future__ import annotations

from collections.abc import Iterator

from measure.advice import NoAction
from measure.case import Case
from measure.landmarks import Landmark, Seen
from measure.tube import TubeKind

LEAST_CONFIDENCE = 0.5
"""A proposed point that is more likely wrong than right is shown, but not measured with."""


def missing_from(case: Case) -> Iterator[tuple[NoAction, str]]:
    """All that stands in the way of an answer, the most telling first, each with what to do."""
    if case.tube.kind is TubeKind.TRACHEOSTOMY:
        yield NoAction.TRACHEOSTOMY, "A tracheostomy tube has no mark at the lip, and no range is known."
    if case.tube.kind is TubeKind.DOUBLE_LUMEN:
        yield NoAction.DOUBLE_LUMEN, "A double-lumen tube is meant to lie in a main bronchus: other rules hold."
    marks = case.landmarks
    tip, carina = doubt_about("tip", marks.tip), doubt_about("carina", marks.carina)
    if (tip or carina) and case.seen is Seen.NO_FRONTAL_CHEST:
        yield (
            NoAction.NO_FRONTAL_CHEST,
            "This does not look like an upright frontal chest film; if it is, mark both points.",
        )
    if tip:
        yield _no_tip(case.seen, tip)
    if case.newborn and not {"T1", "T2"} <= set(marks.vertebrae):
        yield (
            NoAction.LEVELS_UNKNOWN,
            "A newborn's accepted range is a vertebral level: mark the centres of T1 and T2.",
        )
    elif carina and not case.newborn:
        yield NoAction.CARINA_UNSURE, carina
    if case.spacing is None:
        yield (
            NoAction.SCALE_UNKNOWN,
            "The film does not say what a pixel is worth: give mm per pixel, mark an object of known size, or "
            "mark the tube's two walls and give its size.",
        )


def _no_tip(seen: Seen, doubt: str) -> tuple[NoAction, str]:
    match seen:
        case Seen.TRACHEOSTOMY:
            return NoAction.TRACHEOSTOMY, (
                "This looks like a tracheostomy tube, for which no range is known; if it is an endotracheal tube, "
                "place the tip by hand."
            )
        case Seen.NO_TUBE:
            return NoAction.NO_TUBE, "No endotracheal tube was seen; if there is one, place the tip by hand."
        case _:
            return NoAction.TIP_UNSURE, doubt


def doubt_about(name: str, mark: Landmark | None) -> str:
    """Why a mark is not worth measuring with; empty where it is."""
    if mark is None:
        return f"The {name} is not marked: place it by hand."
    if mark.confidence < LEAST_CONFIDENCE:
        return f"The {name} was proposed with a confidence of {mark.confidence:.0%} only: place it by hand."
    return ""
