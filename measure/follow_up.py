"""One film against the previous one: what the lip marks and the neck explain, and what they do not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from measure.errors import MeasureError
from measure.estimate import Z95, Estimate
from measure.patient import Patient
from measure.posture import NeckPosture, movement_between

LIP_MARK_SD_CM = 0.25
"""A mark at the lip is read to the half centimetre: half a step (ours)."""


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
    posture : NeckPosture
        Neck posture then.
    """

    film: str
    height_on_film_cm: Estimate
    lip_mark_cm: float | None
    posture: NeckPosture

    @classmethod
    def from_reading(cls, reading: Mapping[str, object], lip_mark_cm: float | None = None) -> PreviousFilm:
        """From the JSON object of an earlier Reading (docs/reading.md).

        Parameters
        ----------
        reading : mapping
            The object, as `json.loads` gives it.
        lip_mark_cm : float, optional
            Takes the place of the mark written there.

        Raises
        ------
        MeasureError
            Where it is no Reading, or one without a distance.
        """
        distance, inputs = reading.get("distance"), reading.get("inputs")
        if not isinstance(distance, Mapping) or not isinstance(inputs, Mapping):
            raise MeasureError(
                "previous film: no distance found in that Reading; give the JSON of a Reading that has one, "
                "made with lipmark read --json."
            )
        try:
            value, low, high = (float(distance[f"on_film{end}_cm"]) for end in ("", "_low", "_high"))
            mark = inputs["lip_mark_cm"] if lip_mark_cm is None else lip_mark_cm
            return cls(
                str(reading.get("film", "")),
                Estimate(value, (high - low) / (2.0 * Z95)),
                None if mark is None else float(mark),
                NeckPosture(inputs["neck_posture"]),
            )
        except (KeyError, TypeError, ValueError) as error:
            raise MeasureError(
                f"previous film: {error} in that Reading; give the JSON made with lipmark read --json."
            ) from error


@dataclass(frozen=True, slots=True)
class Change:
    """How the tip moved between two films, in cm on the film; positive is away from the carina.

    Parameters
    ----------
    film : str
        Name of the previous film.
    change_cm, by_lip_mark_cm, by_posture_cm, unexplained_cm : Estimate
        The whole change, the part that each explains, and the rest. `by_lip_mark_cm` is None where a mark is
        not known, and the rest then holds it.
    flagged : bool
        The rest differs from zero beyond its 95 % interval.
    """

    film: str
    change_cm: Estimate
    by_lip_mark_cm: Estimate | None
    by_posture_cm: Estimate
    unexplained_cm: Estimate
    flagged: bool


def change_since(
    previous: PreviousFilm,
    height_on_film: Estimate,
    lip_mark_cm: float | None,
    posture: NeckPosture,
    patient: Patient,
    film_per_patient: Estimate,
) -> Change:
    """Split the change since the previous film into what explains it."""
    change = height_on_film.minus(previous.height_on_film_cm)
    by_lip_mark = None
    if lip_mark_cm is not None and previous.lip_mark_cm is not None:
        withdrawn = Estimate(previous.lip_mark_cm - lip_mark_cm, LIP_MARK_SD_CM * 2.0**0.5)
        by_lip_mark = withdrawn.times(film_per_patient)
    by_posture = movement_between(previous.posture, posture, patient)
    unexplained = change.minus(by_posture)
    if by_lip_mark is not None:
        unexplained = unexplained.minus(by_lip_mark)
    flagged = not unexplained.low <= 0.0 <= unexplained.high
    return Change(previous.film, change, by_lip_mark, by_posture, unexplained, flagged)
