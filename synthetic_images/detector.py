"""From line integrals to grey values: blur, scatter, quanta, noise, and the curve that a screen shows."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synthetic_images.projection import Map, rotation
from synthetic_images.raster import blur, enlarged, polygon, reduced
from synthetic_images.recipe import ExposureDials
from synthetic_images.streams import stream

GREY_LEVELS = 4096
"""Twelve bits stored, as digital chest films mostly have (common practice)."""

SCATTER_SPREAD_MM = 32.0
"""Standard deviation of the scatter's spread at the detector (ours; published kernels are 3 to 6 cm wide)."""

ELECTRONIC_NOISE_QUANTA = 4.0
"""Standard deviation a pixel of the electronics' own noise, in quanta (ours)."""

DARKEST_SHARE = 1e-4
"""Quanta over those of the open field below which a detector sees no difference (ours)."""

CURVE_START, CURVE_SLOPE, TOE = 0.29, 0.56, 0.2
"""Grey value of the patient's darkest part, range up to the densest, end of the toe (ours)."""

NARROWEST_RANGE = 0.3
"""Range of density below which a film is not stretched further (ours)."""

COARSE_PX = 8
LATITUDE_SHARE = 0.75
"""Share of the slow part that the full latitude dial takes away (ours)."""

LATITUDE_SPREAD_MM, DETAIL_SPREAD_MM, EDGE_SPREAD_MM = 22.0, 8.0, 2.2
"""Standard deviations of the three low-pass filters of the presentation (ours)."""


def expose(line_integral: Map, dials: ExposureDials, pitch_mm: float, magnification: float, seed: int) -> Map:
    """Detected quanta a pixel.

    Parameters
    ----------
    line_integral : ndarray of float32
        Attenuation summed along each ray.
    magnification : float
        At the carina, for the focal spot's penumbra.
    """
    primary = np.exp(-line_integral)
    if any(dials.collimation):
        primary *= collimator(line_integral.shape, dials, pitch_mm)
    blur_mm = np.sqrt(
        ((magnification - 1.0) * dials.focal_spot_mm / np.sqrt(12.0)) ** 2
        + dials.detector_blur_mm**2
        + dials.motion_mm**2
    )
    primary = blur(primary, blur_mm / pitch_mm)
    signal = primary + scatter(primary, line_integral, dials.scatter_to_primary, pitch_mm)
    quanta = signal * np.float32(dials.quanta_per_mm2 * pitch_mm**2)
    rng = stream(seed, "quanta")
    noise = rng.standard_normal(quanta.shape, dtype=np.float32)
    noise = blur(noise, NOISE_BLUR_PX) * np.float32(NOISE_BLUR_LOSS)
    spread = np.sqrt(quanta + np.float32(ELECTRONIC_NOISE_QUANTA**2))
    return np.asarray(np.maximum(quanta + noise * spread, np.float32(0.5)))


NOISE_BLUR_PX, NOISE_BLUR_LOSS = 0.6, 2.02
"""The detector's blur and every later resampling join the noise of neighbouring pixels; what the blur takes of
its standard deviation is given back (ours; computed)."""

COLLIMATOR_LEAK = 0.004
"""Share of the beam behind the collimator's leaves (ours)."""

COLLIMATOR_PENUMBRA_MM = 1.5
"""Standard deviation of the blur of the leaves' shadow (ours; they lie near the source)."""


def collimator(shape: tuple[int, int], dials: ExposureDials, pitch_mm: float) -> Map:
    """Share of the beam that the collimator lets through."""
    let_through = COLLIMATOR_LEAK + np.float32(1.0 - COLLIMATOR_LEAK) * field_mask(shape, dials)
    return blur(let_through, COLLIMATOR_PENUMBRA_MM / pitch_mm)


def field_mask(shape: tuple[int, ...], dials: ExposureDials) -> Map:
    """1 inside the collimator's field, 0 outside."""
    rows, columns = collimated(shape, dials)
    corners = np.array(
        [
            [rows.start, columns.start],
            [rows.start, columns.stop],
            [rows.stop, columns.stop],
            [rows.stop, columns.start],
        ]
    )
    middle = np.array(shape) / 2.0
    turn = rotation(2, dials.collimator_turn_deg)[:2, :2]
    return polygon((corners - middle) @ turn + middle - 0.5, *shape)


def collimated(shape: tuple[int, ...], dials: ExposureDials) -> tuple[slice, slice]:
    """Rows and columns inside the collimator's field."""
    (rows, columns), (top, bottom, left, right) = shape, dials.collimation
    return (
        slice(round(top * rows), round((1.0 - bottom) * rows)),
        slice(round(left * columns), round((1.0 - right) * columns)),
    )


def scatter(primary: Map, line_integral: Map, ratio: float, pitch_mm: float) -> Map:
    """Scattered radiation: made where much is absorbed, spread widely.

    Its share of the primary beam grows with the thickness crossed; `ratio` is that behind 20 cm of tissue.
    """
    small_px = max(round(6.0 / pitch_mm), 1)
    rows, columns = (max(size // small_px, 8) for size in primary.shape)
    source = primary * np.clip(line_integral / np.float32(4.2), 0.0, 1.6) * np.float32(ratio)
    small = reduced(source, rows, columns)
    sigma = SCATTER_SPREAD_MM / (pitch_mm * primary.shape[1] / columns)
    small = blur(small, sigma, zero_outside=True)
    return enlarged(small, primary.shape[0], primary.shape[1], smooth=True).clip(0.0)


def present(quanta: Map, dials: ExposureDials, pitch_mm: float, open_quanta: float) -> NDArray[np.uint16]:
    """Grey values for presentation, bright = dense, 12 bits.

    A logarithm, a squeeze of the slow part (latitude), unsharp masking, an S-shaped curve placed on the
    film's own quantiles, and a black shutter over what the collimator cut off.
    """
    density = -np.log(np.maximum(quanta / np.float32(open_quanta), np.float32(DARKEST_SHARE)))
    shaped = _shaped(density, dials, pitch_mm)
    rows, columns = (max(size // COARSE_PX, 8) for size in density.shape)
    field = tuple(
        slice(s.start // COARSE_PX, max(s.stop // COARSE_PX, 4)) for s in collimated(density.shape, dials)
    )
    exposed, shown = (reduced(part, rows, columns)[field] for part in (density, shaped))
    patient = shown[exposed > 0.25 * np.quantile(exposed, 0.97)]
    dark, bright = np.quantile(patient if patient.size > 50 else shown, (0.02, 0.985))
    scaled = (shaped - np.float32(dark)) / np.float32(max(bright - dark, NARROWEST_RANGE))
    scaled = np.float32(0.5) + np.float32(dials.contrast) * (scaled - np.float32(0.5))
    grey = _curve(scaled + np.float32(dials.brightness), dials.shoulder)
    if dials.shutter and any(dials.collimation):
        grey *= field_mask(grey.shape, dials)
    return np.asarray(np.round(grey * (GREY_LEVELS - 1)).astype(np.uint16))


def _shaped(density: Map, dials: ExposureDials, pitch_mm: float) -> Map:
    """Density with its slow part squeezed, its details and its edges raised."""
    rows, columns = (max(size // COARSE_PX, 8) for size in density.shape)
    small = reduced(density, rows, columns)
    coarse_mm = pitch_mm * density.shape[0] / rows
    slow, middle = (blur(small, spread / coarse_mm) for spread in (LATITUDE_SPREAD_MM, DETAIL_SPREAD_MM))
    fine = blur(density, EDGE_SPREAD_MM / pitch_mm)
    taken = np.float32(LATITUDE_SHARE * dials.latitude) * slow + np.float32(dials.detail_gain) * middle
    gain_edge, gain_detail = np.float32(dials.edge_gain), np.float32(dials.detail_gain)
    shaped = (1.0 + gain_edge) * density + (gain_detail - gain_edge) * fine
    return np.asarray(shaped - enlarged(taken, *density.shape), dtype=np.float32)


def _curve(scaled: Map, shoulder: float) -> Map:
    """Film-like: linear in the middle, toe and shoulder at the ends."""
    linear = np.float32(CURVE_START) + np.float32(CURVE_SLOPE) * scaled
    toe, knee = np.float32(TOE), np.float32(shoulder)
    low = toe * np.exp((np.minimum(linear, toe) - toe) / toe)
    high = 1.0 - (1.0 - knee) * np.exp(-(np.maximum(linear, knee) - knee) / (1.0 - knee))
    return np.where(linear < toe, low, np.where(linear > knee, high, linear)).astype(np.float32)
