"""A film becomes proposed landmarks: the one door that any finder stands behind."""

from __future__ import annotations

from dataclasses import dataclass

from imaging.film import Film
from measure.landmarks import Landmarks


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
    """

    landmarks: Landmarks
    reasons: tuple[str, ...] = ()


def propose(film: Film) -> Proposal:
    """Look for the tube's tip, the carina and the trachea's midline.

    Parameters
    ----------
    film : Film
        Upright; pixels 0 to 1, bright = dense. Pixels need not be square.

    Returns
    -------
    Proposal
        The same film gives the same proposal. What has a confidence below 0.5 is a hint, no answer.
    """
    # Imported here: OpenCV must not slow down a start that needs no proposal.
    from imaging.classical import find_landmarks

    landmarks, reasons = find_landmarks(film)
    return Proposal(landmarks, reasons)
