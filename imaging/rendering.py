"""Stored pixel values become grey values 0 to 1, as PS3.3 lays it down.

Stored value, then modality LUT or rescale (C.11.1), then VOI LUT or window (C.11.2), then the photometric
interpretation (C.7.6.3.1.2); pixel padding (C.7.5.1.1.2) takes no part and comes out black.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

ROWS_AT_A_TIME = 32
"""Rows worked on together: few enough for the processor's cache, which halves the time (measured)."""

SAMPLES_ALONG = 150
"""Pixels along each axis on which a window is tried (ours): enough for shares of 1 %."""

SATURATED_SHARE = 0.99
"""A window that leaves all but 1 % of the film black or white is not the film's own (ours)."""

Stored = NDArray[np.integer]
Values = NDArray[np.float64]
Mask = NDArray[np.bool_]


class WindowFunction(StrEnum):
    """VOI LUT Function (0028,1056)."""

    LINEAR = "LINEAR"
    LINEAR_EXACT = "LINEAR_EXACT"
    SIGMOID = "SIGMOID"


@dataclass(frozen=True, slots=True)
class Rescale:
    """Rescale Slope and Intercept (C.11.1.1.2)."""

    slope: float = 1.0
    intercept: float = 0.0

    def apply(self, values: Values) -> Values:
        """Return output units."""
        return values * self.slope + self.intercept


@dataclass(frozen=True, slots=True, eq=False)
class LookUpTable:
    """A modality or VOI LUT (C.11.1.1.1, C.11.2.1.1).

    Parameters
    ----------
    entries : ndarray
        The table.
    first : int
        The input value of its first entry; smaller ones get it too, larger ones than the last the last.
    bits : int
        Bits of an entry, which set full scale.
    """

    entries: NDArray[np.integer]
    first: int
    bits: int

    def apply(self, values: Values) -> Values:
        """Return the entries for input values."""
        index = np.clip(np.floor(values) - self.first, 0, len(self.entries) - 1).astype(np.intp)
        grey: Values = self.entries[index].astype(np.float64)
        return grey

    @property
    def full_scale(self) -> float:
        """The largest value an entry can have."""
        return float(max(2**self.bits - 1, int(self.entries.max())))


@dataclass(frozen=True, slots=True)
class Window:
    """Window Center and Width with their function (C.11.2.1.2 and C.11.2.1.3)."""

    center: float
    width: float
    function: WindowFunction = WindowFunction.LINEAR

    @property
    def is_step(self) -> bool:
        """A linear window of width 1: black up to the centre less a half, white above."""
        return self.function is WindowFunction.LINEAR and self.width == 1.0

    @property
    def line(self) -> tuple[float, float]:
        """Gain and offset of the linear functions, before clipping to 0 and 1."""
        if self.function is WindowFunction.LINEAR:
            gain = 1.0 / (self.width - 1.0)
            return gain, 0.5 - (self.center - 0.5) * gain
        return 1.0 / self.width, 0.5 - self.center / self.width

    def apply(self, values: Values) -> Values:
        """Return grey values, 0 to 1."""
        if self.function is WindowFunction.SIGMOID:
            exponent = np.clip(-4.0 * (values - self.center) / self.width, -700.0, 700.0)
            return 1.0 / (1.0 + np.exp(exponent))
        if self.is_step:
            return (values > self.center - 0.5).astype(np.float64)
        gain, offset = self.line
        return np.clip(values * gain + offset, 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Padding:
    """Stored values from `low` to `high` are no part of the picture (0028,0120 and 0028,0121)."""

    low: int
    high: int

    def mask(self, stored: Stored) -> NDArray[np.bool_]:
        """Tell where the padding is."""
        if self.low == self.high:
            return np.asarray(stored == self.low)
        return np.asarray((stored >= self.low) & (stored <= self.high))


@dataclass(frozen=True, slots=True, eq=False)
class Rendering:
    """How stored values become grey.

    Parameters
    ----------
    modality : Rescale or LookUpTable
        First step.
    voi : Window, LookUpTable or None
        Second step; None stretches the film's own range.
    inverted : bool
        Small values are bright: MONOCHROME1, or intensities of a film for processing.
    logarithmic : bool
        The values are linear to X-ray intensity: the logarithm is taken before the stretch.
    padding : Padding or None
        What takes no part.
    """

    modality: Rescale | LookUpTable = Rescale()
    voi: Window | LookUpTable | None = None
    inverted: bool = False
    logarithmic: bool = False
    padding: Padding | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Rendered:
    """Grey values, and what had to be done otherwise than the header says."""

    pixels: NDArray[np.float32]
    notes: tuple[str, ...] = ()


def render(stored: Stored, rendering: Rendering) -> Rendered:
    """Render stored values to float32, 0 to 1, bright = dense.

    Parameters
    ----------
    stored : ndarray of int8, uint8, int16 or uint16, shape (rows, columns)
        Values as stored.
    rendering : Rendering
        The header's rules.
    """
    mask = _padding_mask(stored, rendering.padding)
    if rendering.voi is not None and _saturates(stored, mask, rendering):
        rendering = _without_voi(rendering)
        notes: tuple[str, ...] = (
            "The header's window would leave the film all black or white; its full range is shown instead.",
        )
    else:
        notes = ()
    if isinstance(rendering.voi, Window) and (line := _as_line(rendering)) is not None:
        return Rendered(_by_line(stored, *line, mask), notes)
    low, high = _range(stored, mask)
    line = _as_line(rendering, low, high)
    pixels = _by_table(stored, rendering, low, high, mask) if line is None else _by_line(stored, *line, mask)
    return Rendered(pixels, notes)


def _without_voi(rendering: Rendering) -> Rendering:
    return Rendering(rendering.modality, None, rendering.inverted, rendering.logarithmic, rendering.padding)


def _padding_mask(stored: Stored, padding: Padding | None) -> Mask | None:
    """Return where the padding is, or None where there is none (or nothing but padding)."""
    if padding is None:
        return None
    mask = padding.mask(stored)
    return mask if mask.any() and not mask.all() else None


def _range(stored: Stored, mask: Mask | None) -> tuple[int, int]:
    """Return the smallest and largest stored value outside the padding."""
    if mask is None:
        return int(stored.min()), int(stored.max())
    limits = np.iinfo(stored.dtype)
    inside = ~mask
    return int(stored.min(where=inside, initial=limits.max)), int(stored.max(where=inside, initial=limits.min))


def _saturates(stored: Stored, mask: Mask | None, rendering: Rendering) -> bool:
    """Tell whether the window leaves nothing to see, on a coarse grid."""
    every = tuple(slice(None, None, max(1, length // SAMPLES_ALONG)) for length in stored.shape)
    sample = stored[every]
    if mask is not None:
        sample = sample[~mask[every]]
    if sample.size == 0 or sample.min() == sample.max():
        return False
    grey = _shown(sample.ravel().astype(np.float64), rendering)
    edge = 1e-3
    return float(np.mean((grey <= edge) | (grey >= 1.0 - edge))) > SATURATED_SHARE


def _as_line(rendering: Rendering, low: int = 0, high: int = 0) -> tuple[float, float] | None:
    """Return gain and offset where the whole rendering is one straight line with clipped ends.

    Only where there is no window does the stored range, `low` to `high`, matter.
    """
    modality, voi = rendering.modality, rendering.voi
    if not isinstance(modality, Rescale) or rendering.logarithmic or isinstance(voi, LookUpTable):
        return None
    if voi is None:
        gain, offset = _stretch(*sorted(modality.apply(np.array([low, high], np.float64)).tolist()))
    elif voi.function is WindowFunction.SIGMOID or voi.is_step:
        return None
    else:
        gain, offset = voi.line
    gain, offset = gain * modality.slope, gain * modality.intercept + offset
    return (-gain, 1.0 - offset) if rendering.inverted else (gain, offset)


def _stretch(low: float, high: float) -> tuple[float, float]:
    """Return gain and offset that bring a range to 0 to 1; a flat film comes out black."""
    gain = 1.0 / (high - low) if high > low else 0.0
    return gain, -low * gain


def _by_line(stored: Stored, gain: float, offset: float, mask: Mask | None) -> NDArray[np.float32]:
    """Return clip(gain * stored + offset, 0, 1), in cache-sized pieces and in place."""
    pixels = np.empty(stored.shape, np.float32)
    for start in range(0, stored.shape[0], ROWS_AT_A_TIME):
        piece = pixels[start : start + ROWS_AT_A_TIME]
        piece[...] = stored[start : start + ROWS_AT_A_TIME]
        piece *= np.float32(gain)
        piece += np.float32(offset)
        np.clip(piece, 0.0, 1.0, out=piece)
        _blacken(piece, mask, start)
    return pixels


def _by_table(stored: Stored, rendering: Rendering, low: int, high: int, mask: Mask | None) -> NDArray[np.float32]:
    """Return the grey of every stored value, looked up in one table over the film's range."""
    table = _shown(np.arange(low, high + 1, dtype=np.float64), rendering).astype(np.float32)
    pixels = np.empty(stored.shape, np.float32)
    for start in range(0, stored.shape[0], ROWS_AT_A_TIME):
        # The processor's own index type, since `take` would copy any other once more.
        index = stored[start : start + ROWS_AT_A_TIME].astype(np.intp)
        if low:
            index -= low
        piece = pixels[start : start + ROWS_AT_A_TIME]
        np.take(table, index, out=piece, mode="clip")
        _blacken(piece, mask, start)
    return pixels


def _blacken(piece: NDArray[np.float32], mask: Mask | None, start: int) -> None:
    """Make the padding black in the rows from `start`."""
    if mask is not None:
        piece *= ~mask[start : start + ROWS_AT_A_TIME]


def _shown(values: Values, rendering: Rendering) -> Values:
    """Return the grey of stored values, 0 to 1; where there is no VOI they span the stretch."""
    output = rendering.modality.apply(values)
    if isinstance(rendering.voi, Window):
        grey = rendering.voi.apply(output)
    elif isinstance(rendering.voi, LookUpTable):
        grey = rendering.voi.apply(output) / rendering.voi.full_scale
    else:
        if rendering.logarithmic:
            output = np.log1p(output - min(float(output.min()), 0.0))
        gain, offset = _stretch(float(output.min()), float(output.max()))
        grey = output * gain + offset
    return 1.0 - grey if rendering.inverted else grey
