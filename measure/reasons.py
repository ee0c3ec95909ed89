"""Why a verdict was given, in a sentence, and what would make it surer."""

from __future__ import annotations

import math
from collections.abc import Iterator

from measure.landmarks import Landmarks
from measure.patient import AgeGroup
from measure.posture import PostureBelief
from measure.reading import Inputs
from measure.spacing import Plane
from measure.verdict import LIKELIER, SURE, Judgement, Place, Verdict


def reason_for(judgement: Judgement, place: Place, marks: Landmarks) -> str:
    """One sentence: where the tip lies, how surely, and what is accepted."""
    if place.accepted.age_group is AgeGroup.NEONATE:
        return newborn_reason(judgement)
    height, accepted, chances = place.above_carina_cm, place.accepted, judgement.chances
    low, high = accepted.low_cm.value, accepted.high_cm.value
    span = f"{low:.1f} cm or more" if math.isinf(high) else f"{low:.1f} to {high:.1f} cm"
    match judgement.verdict:
        case Verdict.NEAR_A_LIMIT:
            return f"{_likeliest(judgement)}: {span} is accepted."
        case Verdict.IN_A_MAIN_BRONCHUS:
            return (
                f"The tip lies {-height.value:.1f} cm below the carina on the film{side_of(marks)} (probability "
                f"of lying below it {chances.in_a_main_bronchus:.0%})."
            )
        case Verdict.TOO_LOW if chances.near_carina >= LIKELIER or chances.in_a_main_bronchus >= 1.0 - SURE:
            return (
                f"The tip is at or just above the carina ({height.value:.1f} cm on the film); "
                f"with a probability of {chances.in_a_main_bronchus:.0%} it is below it, in a main bronchus."
            )
        case _:
            return f"The tip is {height.value:.1f} cm above the carina on the film; {span} is accepted."


def side_of(marks: Landmarks) -> str:
    """Which main bronchus a tip below the carina lies in, where the marks tell; as the film lies, upright and
    frontal.
    """
    tip, carina = marks.tip, marks.carina
    if tip is None or carina is None or abs(tip.column - carina.column) <= math.hypot(tip.sd_px, carina.sd_px):
        return ""
    return ", on the patient's right" if tip.column < carina.column else ", on the patient's left"


def newborn_reason(judgement: Judgement) -> str:
    """The same for a newborn, whose range is a vertebral level."""
    where = {
        Verdict.WITHIN_RANGE: "The tip lies between the upper border of T1 and the lower border of T2.",
        Verdict.TOO_LOW: "The tip lies below the lower border of T2.",
        Verdict.TOO_HIGH: "The tip lies above the upper border of T1.",
        Verdict.IN_A_MAIN_BRONCHUS: "The tip lies below the carina.",
    }
    found = where.get(judgement.verdict)
    return found or f"{_likeliest(judgement)}: T1 to T2 is accepted."


def _likeliest(judgement: Judgement) -> str:
    zone = judgement.chances.likeliest
    shares = {
        Verdict.WITHIN_RANGE: judgement.chances.within_range,
        Verdict.TOO_LOW: judgement.chances.too_low,
        Verdict.TOO_HIGH: judgement.chances.too_high,
        Verdict.IN_A_MAIN_BRONCHUS: judgement.chances.in_a_main_bronchus,
    }
    return f"Probably {zone.value} ({shares[zone]:.0%})"


def what_settles(
    judgement: Judgement, place: Place, inputs: Inputs, neck: PostureBelief, marks: Landmarks
) -> Iterator[str]:
    """What would narrow an answer that is not sure, the most helpful first."""
    if not judgement.open_limits:
        return
    if place.accepted.depends_on_posture and not neck.named:
        yield "The neck's posture on this film."
    if inputs.spacing is not None and inputs.spacing.plane is not Plane.DETECTOR:
        yield "A pixel spacing at the detector, or the film's source distances."
    if inputs.spacing is not None and inputs.spacing.rough:
        yield "The film's pixel spacing, or an object of known size on it."
    if marks.tip is not None and marks.carina is not None:
        vaguer = "tip" if marks.tip.sd_px > marks.carina.sd_px else "carina"
        yield f"A closer look at the {vaguer}, or a second reader's mark."
    yield "A repeat film with the neck neutral and the carina in view."
