"""The networks beside the code as a `Finder`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from imaging.film import Film
from imaging.network.judging import judge, seen_by
from imaging.network.looking import look
from imaging.network.members import CARD, MEMBERS, load_calibration, load_members, load_shape, weights_sha256
from imaging.network.spine import spine_seen
from measure.landmarks import Landmarks, Seen


@dataclass(frozen=True, slots=True)
class NetworkFinder:
    """Two networks and the card that calibrates them.

    Parameters
    ----------
    members : tuple of Path
        ONNX files of the shape that the card of the shipped ones tells.
    card : Path
        The calibration.
    """

    members: tuple[Path, ...] = MEMBERS
    card: Path = CARD

    def find(self, film: Film) -> tuple[Landmarks, tuple[str, ...], Seen]:
        """Tip and carina where found, why not, and which tube; a confidence below 0.5 marks a hint, no answer.

        Parameters
        ----------
        film : Film
            Upright; pixels 0 to 1, bright = dense. Pixels need not be square.
        """
        shape = load_shape()
        sight = look(film, load_members(self.members), shape)
        landmarks, reasons = judge(sight, film, shape, load_calibration(self.card))
        spine = None if sight.bones is None else spine_seen(sight.bones, film, landmarks.carina)
        return replace(landmarks, spine=spine), reasons, seen_by(sight, shape)

    def identity(self) -> str:
        """SHA-256 over the weights and their card."""
        return weights_sha256()


def find_landmarks(film: Film) -> tuple[Landmarks, tuple[str, ...], Seen]:
    """Propose the tube's tip and the carina with the networks beside the code; see `NetworkFinder.find`."""
    return NetworkFinder().find(film)
