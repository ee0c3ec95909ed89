"""A film becomes proposed landmarks: the one door that any finder stands behind."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from imaging.film import Film
from imaging.finder import Finder, finder_in_use
from imaging.orientation import turned_film
from measure.landmarks import Landmarks, Seen
from measure.turning import turned_landmarks

SMALLEST_SIDE_PX = 200
"""With fewer pixels a tube is not a pixel wide (ours)."""

LEAST_CONTRAST = 0.005
"""Standard deviation of a film that shows anything, of 1 (ours)."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """What was found on a film, and why the rest was not.

    Parameters
    ----------
    landmarks : Landmarks
        Tip, carina and airway path where found, each with its standard deviation in pixels of the film and its
        confidence: the probability that it lies within 10 mm of the true place.
    reasons : tuple of str
        One plain sentence for each point that is missing.
    seen : Seen
        What kind of film and tube this is.
    quarter_turns : int
        Counter-clockwise, as `numpy.rot90` counts them, that bring the film upright; the landmarks are told on the
        film as it lies.
    inverted : bool
        Whether bright and dark were exchanged for the search.
    """

    landmarks: Landmarks
    reasons: tuple[str, ...] = ()
    seen: Seen = Seen.TUBE
    quarter_turns: int = 0
    inverted: bool = False


def propose(film: Film, finder: Finder | None = None) -> Proposal:
    """Look for the tube's tip and the carina.

    Parameters
    ----------
    film : Film
        Pixels 0 to 1, bright = dense. Pixels need not be square. One that lies on its side or upside down is
        turned back for the search, and one that shows dense things dark is exchanged.
    finder : Finder, optional
        Who looks; the networks beside the code where left open.

    Returns
    -------
    Proposal
        The same film gives the same proposal. What has a confidence below 0.5 is a hint, no answer.

    Examples
    --------
    >>> found = propose(load_film("film.dcm"))
    >>> print(found.seen)
    endotracheal tube
    >>> found.landmarks.tip.confidence > 0.5
    True
    """
    why_not = _why_not_looked_at(film)
    turns, inverted = 0, False
    if not why_not:
        # Imported here: ONNX Runtime and OpenCV must not slow down a start that needs no proposal.
        from imaging.film_kind import film_kind

        verdict = film_kind(film.pixels, film.pixel_aspect)
        turns, inverted, why_not = verdict.quarter_turns, verdict.inverted, verdict.why_not_searched
    if why_not:
        reasons = tuple(f"The {name} was not looked for: {why_not}." for name in ("tip", "carina"))
        return Proposal(Landmarks(), reasons, Seen.NO_FRONTAL_CHEST)
    if inverted:
        film = replace(film, pixels=np.float32(1.0) - film.pixels)
    upright = turned_film(film, turns)
    landmarks, reasons, seen = (finder or finder_in_use()).find(upright)
    return Proposal(turned_landmarks(landmarks, upright.shape, -turns), reasons, seen, turns, inverted)


def quarter_turns(film: Film) -> int:
    """Counter-clockwise quarter turns that bring a film upright; 0 where it is, or where that cannot be told."""
    if _why_not_looked_at(film):
        return 0
    from imaging.film_kind import film_kind

    verdict = film_kind(film.pixels, film.pixel_aspect)
    return 0 if verdict.why_not_searched else verdict.quarter_turns


def _why_not_looked_at(film: Film) -> str:
    """What makes a look pointless; empty where nothing does."""
    rows, columns = film.shape
    if min(rows, columns) < SMALLEST_SIDE_PX:
        return f"the film has {rows} x {columns} pixels, at least {SMALLEST_SIDE_PX} each way are needed"
    if not np.isfinite(film.pixels).all():
        return "some of its pixels are no numbers"
    if float(film.pixels.std()) < LEAST_CONTRAST:
        return "the film is blank"
    return ""
