"""What must be said beside a number, in plain words."""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from measure.advice import Action
from measure.estimate import Z95
from measure.landmarks import Landmark, Source
from measure.patient import AgeGroup
from measure.posture import NeckPosture
from measure.reading import Inputs, Reading
from measure.spacing import Plane
from measure.spine import PROPOSED
from measure.verdict import Verdict

ASIDE_CM = 1.5
"""A tip further than this beside the tracheal axis is told (ours): more than half a wide trachea."""

ALWAYS = (
    "This supports a clinician's judgement and does not replace it; local protocol decides.",
    "Confirm the tube by auscultation and capnography.",
)


HOW_TURNED = MappingProxyType(
    {
        1: "on its side and was measured turned by a quarter counter-clockwise",
        2: "upside down and was measured turned by half",
        3: "on its side and was measured turned by a quarter clockwise",
    }
)
"""How a film lies, and the turn that brings it upright, by the number of counter-clockwise quarters."""


def turned_back(quarter_turns: int) -> tuple[str, ...]:
    """What must be said of a film that was turned to be measured."""
    return (
        f"The film lies {HOW_TURNED[quarter_turns]}; check that it does. Points are told on the film as it lies.",
    )


def cautions_for(reading: Reading) -> tuple[str, ...]:
    """Cautions that this Reading asks for, the most particular first."""
    return (*_about_answer(reading), *_about_inputs(reading), *_about_landmarks(reading), *ALWAYS)


def _about_answer(reading: Reading) -> Iterator[str]:
    if reading.verdict is Verdict.IN_A_MAIN_BRONCHUS:
        yield "A tube that runs on below the carina may also lie in the oesophagus: follow its line."
    if reading.distance is not None and reading.distance.aside_on_film.value > ASIDE_CM:
        yield (
            f"The tip lies {10.0 * reading.distance.aside_on_film.value:.0f} mm beside the tracheal axis: a main "
            "bronchus, the oesophagus, or a turned patient."
        )
    if reading.adjustment is not None and reading.adjustment.action is not Action.LEAVE:
        yield "Repeat the film after the move."
    if reading.change is not None and reading.change.flagged:
        yield (
            f"Since {reading.change.film or 'the previous film'} the tip has moved "
            f"{reading.change.unexplained_cm.value:+.1f} cm on the film that lip mark and neck do not explain "
            f"(by 1 cm or more with a probability of {reading.change.probability_moved:.0%}): "
            "look for a slipped tube, a wrong mark or another film geometry."
        )


def _about_inputs(reading: Reading) -> Iterator[str]:
    inputs, accepted = reading.inputs, reading.accepted_range
    if inputs is None:
        return
    if inputs.age_group_assumed and reading.distance is not None:
        yield "Age not known: the adult range was used. It must not be used for a child."
    if accepted is not None and accepted.depends_on_posture:
        yield from _about_neck(inputs)
    if accepted is not None and accepted.age_group is AgeGroup.CHILD:
        yield "The child's range is derived, not published as such (docs/accepted-range.md); local rules first."
    if inputs.spacing is not None and inputs.spacing.rough:
        yield (
            f"Rough scale from anatomy ({inputs.spacing.note}): the film has no pixel spacing. The centimetres "
            f"may be off by {Z95 * inputs.spacing.relative_sd:.0%}."
        )
    if inputs.spacing is not None and inputs.spacing.plane is Plane.UNKNOWN:
        yield "The film does not say where its pixel spacing holds: every plausible plane is in the interval."
    if inputs.spacing is not None and not inputs.magnification.known:
        yield f"Magnification not in the header: {inputs.magnification.source} used."


def _about_neck(inputs: Inputs) -> Iterator[str]:
    if inputs.neck_posture_source.startswith(PROPOSED):
        yield (
            f"Neck posture as the program sees it ({inputs.neck_posture_source.removeprefix(PROPOSED)}): check it "
            "on the picture; its doubt is in the chances."
        )
    elif inputs.neck_posture is NeckPosture.UNKNOWN:
        yield "Neck posture not known: every posture is in the chances, weighed by how usual it is."
    elif inputs.neck_posture is not NeckPosture.NEUTRAL:
        yield (
            "The range was shifted for the neck's posture. That is an estimate: two studies of the tip's "
            "movement differ by a factor of three, and one patient cannot be foretold."
        )


def _about_landmarks(reading: Reading) -> Iterator[str]:
    for name in ("tip", "carina"):
        mark: Landmark | None = getattr(reading.landmarks, name)
        if mark is None:
            continue
        if mark.source is Source.PROPOSED:
            yield f"The {name} was proposed by the program: check it on the picture."
        if mark.note:
            yield f"{name.capitalize()}: {mark.note}."
        if mark.other is not None:
            yield (
                f"The {name} may also lie at row {mark.other.row:.0f}, column {mark.other.column:.0f} "
                f"(probability {mark.other.confidence:.0%}): look at both places."
            )
