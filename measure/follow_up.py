"""One film against the previous one: what the lip marks and the neck explain, and what they do not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.patient import Patient
from measure.posture import PostureBelief, mixed, movements_between

if TYPE_CHECKING:
    from measure.reading import Reading

LIP_MARK_SD_CM = 0.25
"""A mark at the lip is read to the half centimetre: half a step (ours)."""


MOVED_CM = 1.0
"""A tip that has moved so far is told (ours)."""

FLAGGED = 0.9
"""From this probability on that nothing explains a movement of `MOVED_CM` (ours: a flag that is raised on one
unmoved tube in ten is soon overlooked)."""


@dataclass(frozen=True, slots=True)
class PreviousFilm:
    """What the earlier Reading said.

    Parameters
    ----------
    film : str
        Its name.
    height_on_film_cm : Estimate
        Tip above carina.
    lip_mark_cm : float or None
        Mark at the lip then.
    neck : PostureBelief
        What was held of the neck then.
    film_per_patient : Estimate or None
        cm on that film for a cm along the airway; None where it was not told, and this film's is taken.
    """

    film: str
    height_on_film_cm: Estimate
    lip_mark_cm: float | None
    neck: PostureBelief
    film_per_patient: Estimate | None = None

    @classmethod
    def from_reading(cls, reading: Reading, lip_mark_cm: float | None = None) -> PreviousFilm:
        """From an earlier Reading.

        Parameters
        ----------
        reading : Reading
            As it was made, or from its JSON (`Reading.from_dict`).
        lip_mark_cm : float, optional
            Takes the place of the mark that it was made with.

        Raises
        ------
        MeasureError
            Where it has no distance.
        """
        if reading.distance is None or reading.inputs is None:
            raise MeasureError(
                "previous film: no distance found in that Reading; give the JSON of a Reading that has one, "
                "made with lipmark read --json."
            )
        inputs = reading.inputs
        neutral = max(1.0 - inputs.neck_flexed - inputs.neck_extended, 0.0)
        return cls(
            reading.film,
            reading.distance.on_film,
            inputs.lip_mark_cm if lip_mark_cm is None else lip_mark_cm,
            PostureBelief(
                inputs.neck_posture,
                "told by the earlier Reading",
                neutral,
                inputs.neck_flexed,
                1.0 - neutral - inputs.neck_flexed,
            ),
            inputs.film_per_patient,
        )


@dataclass(frozen=True, slots=True)
class Change:
    """How the tip moved between two films, in cm on the present film; positive is away from the carina.

    Parameters
    ----------
    film : str
        Name of the previous film.
    change_cm, by_lip_mark_cm, by_posture_cm, unexplained_cm : Estimate
        The whole change, the part that each explains, and the rest. `by_lip_mark_cm` is None where a mark is
        not known, and the rest then holds it.
    probability_moved : float
        That the tip moved by `MOVED_CM` or more, either way, which neither lip marks nor neck explain.
    flagged : bool
        That probability reaches `FLAGGED`.
    """

    film: str
    change_cm: Estimate
    by_lip_mark_cm: Estimate | None
    by_posture_cm: Estimate
    unexplained_cm: Estimate
    probability_moved: float
    flagged: bool


def change_since(
    previous: PreviousFilm,
    height_on_film: Estimate,
    lip_mark_cm: float | None,
    neck: PostureBelief,
    patient: Patient,
    film_per_patient: Estimate,
) -> Change:
    """Split the change since the previous film into what explains it.

    The earlier height is brought to the present film's magnification, with the spread of both.
    """
    then = previous.height_on_film_cm
    if previous.film_per_patient is not None:
        then = then.over(previous.film_per_patient).times(film_per_patient)
    change = height_on_film.minus(then)
    by_lip_mark = None
    if lip_mark_cm is not None and previous.lip_mark_cm is not None:
        withdrawn = Estimate(previous.lip_mark_cm - lip_mark_cm, LIP_MARK_SD_CM * 2.0**0.5)
        by_lip_mark = withdrawn.times(film_per_patient)
    without_neck = change if by_lip_mark is None else change.minus(by_lip_mark)
    by_posture = movements_between(previous.neck, neck, patient)
    moved = sum(part.probability * _beyond(without_neck.minus(part.shift_cm)) for part in by_posture)
    neck_cm = mixed(by_posture)
    return Change(
        previous.film, change, by_lip_mark, neck_cm, without_neck.minus(neck_cm), moved, moved >= FLAGGED
    )


def _beyond(movement: Estimate) -> float:
    """Probability of a movement of `MOVED_CM` or more, either way."""
    return movement.probability_below(Estimate(-MOVED_CM)) + 1.0 - movement.probability_below(Estimate(MOVED_CM))
