"""The carina confirmed on a patient's earlier film, carried to today's by the bones, weighed with what is seen."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from imaging.film import Film
from imaging.network.judging import BELOW_CARINA, NOTES_APART
from imaging.orientation import turned_film
from imaging.propose import Proposal
from measure.errors import MeasureError
from measure.landmarks import Landmark, Source
from measure.missing import LEAST_CONFIDENCE
from measure.reading import Reading
from measure.rough_scale import NOMINAL_SIDE_MM
from measure.turning import turned_landmark
from measure.weighing import weighed_together

LEAST_LIKENESS, FURTHEST_BACK_MM = 0.35, 4.0
"""Films whose bones are less alike round the carina, or between which a point does not come back to its place, are
no two films of one chest, or cannot be laid over each other (docs/model-card.md)."""

LIKENESSES = (0.35, 0.85)
CARRIED_SD_MM, CARRIED_CONFIDENCES = (12.0, 6.0), (0.55, 0.9)
"""Standard deviation of a carried carina up and down, in nominal mm, without that of the earlier mark, and its
probability of lying within 10 nominal mm of the true place, at these likenesses (docs/model-card.md). Breath and
posture are in it."""


@dataclass(frozen=True, slots=True, eq=False)
class Earlier:
    """A film of the same patient with its confirmed carina.

    Parameters
    ----------
    film : Film
        Upright.
    carina : Landmark
        Placed or confirmed by hand.
    """

    film: Film
    carina: Landmark

    @classmethod
    def of(cls, film: Film, reading: Reading) -> Earlier:
        """From a film and what was read of it.

        Raises
        ------
        MeasureError
            Where no hand has placed or confirmed the carina, or it does not lie on this film.
        """
        carina = reading.landmarks.carina
        if carina is None or not carina_by_hand(reading):
            found = "none" if carina is None else "one that only the program proposed"
            raise MeasureError(
                f"previous film: {found} found as its carina; one placed or confirmed by hand is expected."
            )
        rows, columns = film.shape
        if not (0.0 <= carina.row <= rows - 1.0 and 0.0 <= carina.column <= columns - 1.0):
            raise MeasureError(
                f"previous film: a carina at row {carina.row:g}, column {carina.column:g} found outside its "
                f"{rows} rows and {columns} columns; give the film that the Reading is of."
            )
        turns = 0 if reading.inputs is None else reading.inputs.quarter_turns
        return cls(turned_film(film, turns), turned_landmark(carina, film.shape, turns))


def carina_by_hand(reading: Reading) -> bool:
    """Whether a hand has placed or confirmed the carina."""
    carina = reading.landmarks.carina
    return carina is not None and carina.source is Source.HAND


def with_carried_carina(proposal: Proposal, film: Film, earlier: Earlier) -> Proposal:
    """The proposal with the earlier film's carina weighed in, or with the reason why it was not.

    Parameters
    ----------
    proposal : Proposal
        What was found on the film.
    film : Film
        As it lies.
    earlier : Earlier
        Of the same patient.
    """
    if film.identifiers.contradict(earlier.film.identifiers):
        return not_carried(proposal, "it is another patient's by its header")
    if proposal.inverted:
        film = replace(film, pixels=np.float32(1.0) - film.pixels)
    upright = turned_film(film, proposal.quarter_turns)
    carried = carried_carina(earlier, upright)
    if isinstance(carried, str):
        return not_carried(proposal, carried)
    seen = proposal.landmarks.carina
    if seen is not None:
        seen = turned_landmark(seen, film.shape, proposal.quarter_turns)
        carried = _weighed(seen, carried, upright)
    marks = proposal.landmarks
    tip = marks.tip
    if tip is not None and turned_landmark(tip, film.shape, proposal.quarter_turns).row <= carried.row:
        tip = replace(tip, note=NOTES_APART.join(n for n in tip.note.split(NOTES_APART) if BELOW_CARINA not in n))
    there = turned_landmark(carried, upright.shape, -proposal.quarter_turns)
    reasons = proposal.reasons
    if carried.confidence >= LEAST_CONFIDENCE:
        reasons = tuple(reason for reason in reasons if not reason.startswith("carina:"))
    return replace(proposal, landmarks=replace(marks, tip=tip, carina=there), reasons=reasons)


def not_carried(proposal: Proposal, why: str) -> Proposal:
    """The proposal as it is, with the reason why the film before gave it nothing."""
    return replace(proposal, reasons=(*proposal.reasons, f"The film before gave no carina for this one: {why}."))


def carried_carina(earlier: Earlier, today: Film) -> Landmark | str:
    """The earlier carina on today's film, both upright; in words why the two cannot be laid over each other."""
    # Imported here: OpenCV must not slow down a start that carries nothing.
    from imaging.registration import bones, fit, moved, soft_parts

    before, now = bones(earlier.film), bones(today)
    px_before, px_now = (_px_per_mm(film) for film in (earlier.film, today))
    carina = earlier.carina
    at = (carina.column / px_before, carina.row * earlier.film.pixel_aspect / px_before)
    there = fit(before, now, at)
    if there is None:
        return "too little of it is on both films"
    place = there.carried(at)
    back = fit(now, before, place)
    astray_mm = FURTHEST_BACK_MM + 1.0 if back is None else _apart(back.carried(place), at)
    if there.likeness < LEAST_LIKENESS or astray_mm > FURTHEST_BACK_MM:
        return f"the bones of the two films do not fit (likeness {there.likeness:.2f})"
    x, y = moved(there, soft_parts(earlier.film), soft_parts(today), at).carried(at)
    row, column = y * px_now / today.pixel_aspect, x * px_now
    rows, columns = today.shape
    if not (0.0 <= row <= rows - 1.0 and 0.0 <= column <= columns - 1.0):
        return "it would lie outside this film"
    own_sd_mm, confidence = (
        float(np.interp(there.likeness, LIKENESSES, values)) for values in (CARRIED_SD_MM, CARRIED_CONFIDENCES)
    )
    sd_mm = ((carina.sd_px / px_before) ** 2 + own_sd_mm**2) ** 0.5
    note = f"carried from the film before by the bones (likeness {there.likeness:.2f})"
    return Landmark(row, column, sd_mm * px_now, Source.PROPOSED, confidence, note)


def _weighed(seen: Landmark, carried: Landmark, film: Film) -> Landmark:
    """Both in one, in square pixels."""
    aspect = film.pixel_aspect
    one, other = (replace(mark, row=mark.row * aspect) for mark in (seen, carried))
    found = weighed_together(one, other, 1.0 / _px_per_mm(film))
    return replace(found, row=found.row / aspect, note=f"{carried.note}, weighed with what is seen")


def _px_per_mm(film: Film) -> float:
    rows, columns = film.shape
    return max(rows * film.pixel_aspect, columns) / NOMINAL_SIDE_MM


def _apart(one: tuple[float, float], other: tuple[float, float]) -> float:
    return float(((one[0] - other[0]) ** 2 + (one[1] - other[1]) ** 2) ** 0.5)
