"""What kind of film a picture is: an upright frontal chest film of an adult, or what else.

A small network answers (imaging/training/kinds.py); its card says what its outputs mean and how sure it must be.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from imaging.network.members import CARD, WEIGHTS, load_members, read_card


class FilmKind(StrEnum):
    """What the network tells apart."""

    FRONTAL = "an upright frontal chest film of an adult"
    ON_ITS_SIDE = "a frontal chest film on its side"
    UPSIDE_DOWN = "a frontal chest film upside down"
    INVERTED = "a frontal chest film with bright and dark exchanged"
    LATERAL = "a lateral chest film"
    CHILD = "a child's chest film"
    NO_CHEST = "no chest film"


SIDE_PX = 128
"""What the network sees: the film's longer side fitted to it."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What kind of film it is.

    Parameters
    ----------
    kind : FilmKind
        `FRONTAL` unless that is hardly probable; then the most probable of the others.
    probability : float
        Of this kind.
    quarter_turns : int
        Counter-clockwise, as `numpy.rot90` counts them, that bring a turned film upright; 0 where it is none, or
        where no turn makes an upright frontal film of it.
    inverted : bool
        Whether bright and dark are exchanged, and exchanging them back makes a film of it that passes as frontal.
    """

    kind: FilmKind
    probability: float
    quarter_turns: int = 0
    inverted: bool = False

    @property
    def why_not_searched(self) -> str:
        """What it is instead, in words; empty for a frontal film of an adult, or what is to be made one."""
        if self.kind is FilmKind.FRONTAL or self.quarter_turns or self.inverted:
            return ""
        return f"it looks like {self.kind.value} (probability {self.probability:.2f})"


@cache
def _card() -> dict[str, Any]:
    found: dict[str, Any] = read_card(CARD)["film kind"]
    return found


def small_view(pixels: NDArray[np.float32], aspect: float = 1.0) -> NDArray[np.float32]:
    """The film as the network sees it: in the middle of a black square, from its darkest to its brightest.

    Parameters
    ----------
    pixels : ndarray, shape (rows, columns)
    aspect : float
        Height of a pixel over its width.
    """
    import cv2

    rows, columns = pixels.shape[0] * aspect, pixels.shape[1]
    scale = SIDE_PX / max(rows, columns)
    width, height = max(round(columns * scale), 1), max(round(rows * scale), 1)
    small = cv2.resize(pixels, (width, height), interpolation=cv2.INTER_AREA)
    low, high = np.percentile(small, [0.2, 99.8])
    square = np.zeros((SIDE_PX, SIDE_PX), np.float32)
    top, left = (SIDE_PX - height) // 2, (SIDE_PX - width) // 2
    square[top : top + height, left : left + width] = np.clip((small - low) / max(high - low, 1e-3), 0.0, 1.0)
    return square


def probabilities(view: NDArray[np.float32]) -> dict[FilmKind, float]:
    """Of each kind, for a view of `small_view`: the mean of it and its mirror image."""
    card = _card()
    (session,) = load_members((WEIGHTS / card["member"],))
    shares = np.zeros(len(card["kinds"]))
    for seen in (view, np.ascontiguousarray(view[:, ::-1])):
        logits = session.run(["kinds"], {"film": seen[None, None]})[0][0]
        weights = np.exp(logits - logits.max())
        shares += weights / weights.sum() / 2.0
    result = dict.fromkeys(FilmKind, 0.0)
    for name, share in zip(card["kinds"], shares, strict=True):
        result[FilmKind[name]] += float(share)
    return result


def film_kind(pixels: NDArray[np.float32], aspect: float = 1.0) -> Verdict:
    """What kind of film this is.

    Parameters
    ----------
    pixels : ndarray of float32, shape (rows, columns)
        Bright = dense.
    aspect : float
        Height of a pixel over its width.
    """
    view = small_view(pixels, aspect)
    found = probabilities(view)
    frontal = found.pop(FilmKind.FRONTAL)
    if frontal >= _card()["frontal from"]:
        return Verdict(FilmKind.FRONTAL, frontal)
    kind = max(found, key=lambda k: found[k])
    if kind is FilmKind.INVERTED:
        back = probabilities(small_view(np.float32(1.0) - pixels, aspect))[FilmKind.FRONTAL]
        return Verdict(kind, found[kind], inverted=back >= _card()["frontal from"])
    if kind not in (FilmKind.ON_ITS_SIDE, FilmKind.UPSIDE_DOWN):
        return Verdict(kind, found[kind])
    turned = {k: probabilities(np.ascontiguousarray(np.rot90(view, k)))[FilmKind.FRONTAL] for k in (1, 2, 3)}
    best = max(turned, key=lambda k: turned[k])
    return Verdict(kind, found[kind], best if turned[best] >= _card()["frontal from"] else 0)
