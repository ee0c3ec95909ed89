"""Film values as grey values of the screen: the window, and the film at several sizes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from annotate.drawing.close_up import CloseUp
from imaging.film import Film

WINDOW_PERCENT = (0.5, 99.8)
"""Film values from black to white: all but the darkest and brightest few (by eye)."""

LEAST_WINDOW = 0.02
"""A flat part of a film stays flat."""

STEP = 4
"""Every so many pixels are enough to find the window."""

DEEPEST = 65535
SMALLEST_SIDE = 512
"""Halved no further: as small as a film is ever shown (ours)."""


@dataclass(frozen=True, slots=True)
class Levels:
    """Film values shown black and white, and whether the other way round."""

    low: float = 0.0
    high: float = 1.0
    inverted: bool = False

    def shifted(self, brighter: float, wider: float) -> Levels:
        """A brighter or darker, wider or narrower window; shares of its width."""
        width = self.high - self.low
        middle = (self.low + self.high) / 2.0 - brighter * width
        half = max(width * (1.0 + wider), LEAST_WINDOW) / 2.0
        return replace(self, low=middle - half, high=middle + half)

    def table(self) -> NDArray[np.uint8]:
        """Grey for each of the 65536 depths."""
        values = np.linspace(0.0, 1.0, DEEPEST + 1, dtype=np.float32)
        return np.asarray(255.0 * self._shares(values), np.uint8)

    def grey(self, part: NDArray[np.float32]) -> NDArray[np.uint8]:
        """Film values as grey."""
        return np.asarray(255.0 * self._shares(part), np.uint8)

    def _shares(self, values: NDArray[np.float32]) -> NDArray[np.float32]:
        shares = np.clip((values - self.low) / (self.high - self.low), 0.0, 1.0)
        return np.asarray(1.0 - shares if self.inverted else shares, np.float32)


def levels_of(pixels: NDArray[np.float32], inverted: bool = False) -> Levels:
    """The window that spreads a part of a film from black to white."""
    sparse = pixels[::STEP, ::STEP]
    low, high = np.percentile(sparse, WINDOW_PERCENT) if sparse.size else (0.0, 1.0)
    return Levels(float(low), float(max(high, low + LEAST_WINDOW)), inverted)


def part_of(film: Film, part: CloseUp) -> NDArray[np.float32]:
    """The film's values in a close-up."""
    half = part.height / 2.0
    top, left = max(round(part.middle_row - half), 0), max(round(part.middle_column - half / 2.0), 0)
    return film.pixels[top : round(part.middle_row + half), left : round(part.middle_column + half / 2.0)]


class Sizes:
    """A film as 16-bit depths, whole, halved, quartered: what is shown small is averaged, not skipped.

    Parameters
    ----------
    pixels : ndarray of float32, shape (rows, columns)
        0 to 1.
    """

    def __init__(self, pixels: NDArray[np.float32]) -> None:
        depths = np.asarray(np.clip(pixels, 0.0, 1.0) * np.float32(DEEPEST), np.uint16)
        self._sizes = [depths]
        while min(depths.shape) >= 2 * SMALLEST_SIDE:
            depths = _halved(depths)
            self._sizes.append(depths)

    def best_for(self, zoom: float) -> tuple[NDArray[np.uint16], int]:
        """The smallest that has a pixel for each of the screen, and how many film pixels one of it is wide."""
        number = 0
        while number + 1 < len(self._sizes) and zoom * 2 ** (number + 1) <= 1.0:
            number += 1
        return self._sizes[number], 2**number


def _halved(depths: NDArray[np.uint16]) -> NDArray[np.uint16]:
    rows, columns = (side // 2 * 2 for side in depths.shape)
    wide = depths[:rows, :columns].astype(np.uint32)
    four = wide[::2, ::2] + wide[1::2, ::2] + wide[::2, 1::2] + wide[1::2, 1::2]
    return np.asarray(four // 4, np.uint16)
