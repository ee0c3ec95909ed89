"""What finds landmarks on a film: the contract behind `imaging.propose`, and the finder in use.

Another network, or anything else that finds tips and carinas, is one new object that fits `Finder`.
"""

from __future__ import annotations

from functools import cache
from typing import Protocol

from imaging.film import Film
from measure.landmarks import Landmarks, Seen


class Finder(Protocol):
    """Finds landmarks on upright frontal films and says what it is."""

    def find(self, film: Film) -> tuple[Landmarks, tuple[str, ...], Seen]:
        """Landmarks with sd and confidence, a sentence for each one missing or unsure, and which tube was seen.

        The same film gives the same answer. A confidence is the probability that the place lies within 10 nominal
        mm of the true one; below 0.5 it is a hint, no answer.
        """
        ...

    def identity(self) -> str:
        """SHA-256, in hexadecimal, over everything that its answers depend on beside the code."""
        ...


@cache
def finder_in_use() -> Finder:
    """The networks beside the code."""
    # Imported here: ONNX Runtime and OpenCV must not slow down a start that needs no proposal.
    from imaging.network.finder import NetworkFinder

    return NetworkFinder()
