"""What is not known yet, the most worth knowing first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from annotate.window.marking import Marking
from measure.assess import assess
from measure.case import Case
from measure.landmarks import Landmark, Source, hand_sd_px
from measure.posture import NeckPosture
from measure.reading import Inputs, Reading
from measure.spacing import Plane

DECIDES, FOR_THE_MARKS, FOR_THE_RANGE, LITTLE = 1.0, 0.05, 0.2, 0.01
"""Worth of what no probability tells: without it there is no answer; it only turns centimetres into marks; it may
change the whole range; a spacing whose plane is not known (ours)."""


@dataclass(frozen=True, slots=True)
class Ask:
    """Something worth knowing.

    Parameters
    ----------
    words : str
        What, and how to give it.
    worth : float
        How much surer the answer is expected to be: the rise of the likeliest zone's probability.
    """

    words: str
    worth: float


def asked_of(marking: Marking) -> tuple[str, ...]:
    """What is missing, in the order of how much it would sharpen the answer."""
    return tuple(ask.words for ask in sorted(_asks(marking), key=lambda ask: -ask.worth))


def _asks(marking: Marking) -> Iterator[Ask]:
    reading, case = marking.reading, marking.answer.case
    for name, key in (("tip", "T"), ("carina", "C")):
        mark: Landmark | None = getattr(reading.landmarks, name)
        if mark is None:
            yield Ask(f"The {name}: place it by hand ({key}, then click).", DECIDES)
        elif mark.source is Source.PROPOSED:
            surer, proposed = _with_hand(case, name, mark), ", ".join(filter(None, ("proposed", mark.note)))
            yield Ask(
                f"The {name} is only {proposed}: drag it ({key}), or accept both with A.", _rise(reading, (surer,))
            )
    if reading.inputs is not None:
        yield from _about_scale(reading.inputs)
        yield from _about_patient(reading, reading.inputs, case)


def _about_scale(inputs: Inputs) -> Iterator[Ask]:
    if inputs.spacing is None:
        yield Ask("What a pixel is worth: give mm per pixel, or mark an object of known length (O).", DECIDES)
    elif inputs.spacing.rough:
        yield Ask(
            "The scale is rough, from anatomy: give mm per pixel, or mark an object of known length (O).", DECIDES
        )
    elif inputs.spacing.plane is Plane.UNKNOWN:
        yield Ask("Where the pixel spacing holds: give mm per pixel at the detector.", LITTLE)


def _about_patient(reading: Reading, inputs: Inputs, case: Case) -> Iterator[Ask]:
    if inputs.neck_posture is NeckPosture.UNKNOWN:
        yield Ask("The neck: 1, 2, 3, or where the mandible is.", _rise(reading, _necks(case)))
    if inputs.lip_mark_cm is None:
        yield Ask("The mark at the lip (L): gives the new one.", FOR_THE_MARKS)
    if inputs.age_group_assumed:
        yield Ask("The age: an adult is assumed.", FOR_THE_RANGE)


def _with_hand(case: Case, name: str, mark: Landmark) -> Case:
    mm = 0.2 if case.spacing is None else case.spacing.mean_mm
    sd_px = min(hand_sd_px(name, mm), mark.sd_px)
    placed = replace(mark, sd_px=sd_px, source=Source.HAND, confidence=1.0, other=None)
    if name == "tip":
        return replace(case, landmarks=replace(case.landmarks, tip=placed))
    return replace(case, landmarks=replace(case.landmarks, carina=placed))


def _necks(case: Case) -> tuple[Case, ...]:
    told = (NeckPosture.NEUTRAL, NeckPosture.FLEXED, NeckPosture.EXTENDED)
    return tuple(replace(case, posture=posture) for posture in told)


def _rise(reading: Reading, cases: tuple[Case, ...]) -> float:
    """Mean rise of the likeliest zone's probability, were it as in these cases."""
    after = [_sure(assess(case)) for case in cases]
    return sum(after) / len(after) - _sure(reading)


def _sure(reading: Reading) -> float:
    chances = reading.probabilities
    if chances is None:
        return 0.0
    return max(chances.in_a_main_bronchus, chances.too_low, chances.within_range, chances.too_high)
