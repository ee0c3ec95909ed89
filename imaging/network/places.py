"""Maps that are probabilities over places, and where most of it lies together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from imaging.network.members import Maps

NEAR_MM = 10.0
"""What a confidence speaks of."""
_PLACE_MM = 4.0
"""The place is where most probability lies within this; of 3 to 17 mm the best out of fold, by little."""


def chance(logit: float) -> float:
    """A logit as a probability."""
    return 1.0 / (1.0 + math.exp(-max(-30.0, min(30.0, logit))))


def shares(logits: Maps) -> Maps:
    """Logits over all cells as the probability of each."""
    weights = np.exp(logits - logits.max())
    return np.asarray(weights / weights.sum(), np.float32)


def mean_share(looks: Sequence[Maps]) -> Maps:
    """Mean probability of each cell by several looks' logits."""
    return np.asarray(np.mean([shares(logits) for logits in looks], axis=0), np.float32)


def _together(share: Maps, radius: float) -> Maps:
    """Probability within `radius` cells of every cell."""
    import cv2

    reach = math.ceil(radius)
    offsets = np.arange(-reach, reach + 1)
    disc = (np.hypot(offsets[:, None], offsets[None]) <= radius).astype(np.float32)
    return np.asarray(cv2.filter2D(share, -1, disc, borderType=cv2.BORDER_CONSTANT), np.float32)


@dataclass(frozen=True, slots=True)
class Peak:
    """Where most probability lies together on a map.

    Parameters
    ----------
    place : ndarray, shape (2,)
        x and y in input pixels.
    mass : float
        Probability within 10 nominal mm of it.
    elsewhere : float
        The most probability within 10 nominal mm of any place further than 20 mm away.
    other : ndarray, shape (2,)
        That place.
    spread_mm : float
        Vertical standard deviation of the near part.
    """

    place: NDArray[np.float64]
    mass: float
    elsewhere: float
    other: NDArray[np.float64]
    spread_mm: float


def find_peak(share: Maps, px_per_mm: float, stride: int) -> Peak:
    """The place with most probability, and what speaks for and against it.

    Parameters
    ----------
    share : ndarray, shape (rows, columns)
        Probability of each cell.
    px_per_mm : float
        Input pixels per nominal mm.
    stride : int
        Input pixels per cell.
    """
    cells_per_mm = px_per_mm / stride
    together = _together(share, _PLACE_MM * cells_per_mm)
    y, x = np.unravel_index(int(together.argmax()), together.shape)
    rows, columns = np.indices(share.shape)
    away_mm = np.hypot(rows - y, columns - x) / cells_per_mm
    close = share * (away_mm <= _PLACE_MM)
    cell = np.array([(close * columns).sum(), (close * rows).sum()], np.float64) / close.sum()
    near = share * (away_mm <= NEAR_MM)
    mass = float(near.sum())
    elsewhere = _together(share * (away_mm > NEAR_MM), NEAR_MM * cells_per_mm) * (away_mm > 2.0 * NEAR_MM)
    other = np.array(np.unravel_index(int(elsewhere.argmax()), elsewhere.shape), np.float64)[::-1]
    spread_mm = math.sqrt(float((near * (rows - cell[1]) ** 2).sum()) / mass) / cells_per_mm
    place, second = (at * stride + (stride - 1) / 2.0 for at in (cell, other))
    return Peak(place, min(mass, 1.0), float(elsewhere.max()), second, spread_mm)
