"""From line integrals to grey values: blur, scatter, quanta, noise, and the curve that a screen shows."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synthetic_images.projection import Map
from synthetic_images.raster import blur, enlarged, reduced
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

CURVE_START, CURVE_SLOPE, TOE, KNEE = 0.29, 0.56, 0.2, 0.84
"""Grey value of the patient's darkest part, range up to the densest, ends of the straight part (ours)."""

NARROWEST_RANGE = 0.3
"""Range of density below which a film is not stretched further (ours)."""

COARSE_PX = 8
LATITUDE_SHARE = 0.75
"""Share of the slow part that the full latitude dial takes away (ours)."""

LATITUDE_SPREAD_MM, EDGE_SPREAD_MM = 22.0, 2.2
"""Standard deviations of the two low-pass filters of the presentation (ours)."""


def expose(line_integral: Map, dials: ExposureDials, pitch_mm: float, magnification: float, seed: int) -> Map:
    """Detected quanta a pixel.

    Parameters
    ----------
    line_integral : ndarray of float32
        Attenuation summed along each ray.
    magnification : float
        At the carina, for the focal spot's penumbra.
    """
    primary = np.exp(-line_integral) * collimator(line_integral.shape, dials, pitch_mm)
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
    # The detector's blur also smooths the noise of neighbouring pixels a little.
    noise = blur(noise, 0.45) * np.float32(1.25)
    spread = np.sqrt(quanta + np.float32(ELECTRONIC_NOISE_QUANTA**2))
    return np.asarray(np.maximum(quanta + noise * spread, np.float32(0.5)))


COLLIMATOR_LEAK = 0.004
"""Share of the beam behind the collimator's leaves (ours)."""

COLLIMATOR_PENUMBRA_MM = 1.5
"""Standard deviation of the blur of the leaves' shadow (ours; they lie near the source)."""


def collimator(shape: tuple[int, ...], dials: ExposureDials, pitch_mm: float) -> Map:
    """Share of the beam that the collimator lets through."""
    open_field = np.full(shape, COLLIMATOR_LEAK, np.float32)
    open_field[collimated(shape, dials)] = 1.0
    return blur(open_field, COLLIMATOR_PENUMBRA_MM / pitch_mm) if any(dials.collimation) else open_field


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
    field = collimated(density.shape, dials)
    shaped, small = _squeezed(density, field, dials, pitch_mm)
    squeeze = 1.0 - LATITUDE_SHARE * dials.latitude
    low, high = np.quantile(small, (0.03, 0.97))
    patient = small[small > 0.25 * high]
    dark, bright = np.quantile(patient if patient.size > 50 else small, (0.02, 0.985))
    centre = 0.5 * (low + high)
    darkest, range_ = centre + (dark - centre) * squeeze, (bright - dark) * squeeze
    scaled = (shaped - np.float32(darkest)) / np.float32(max(range_, NARROWEST_RANGE))
    grey = np.zeros_like(scaled)
    grey[field] = _curve(scaled[field] + np.float32(dials.brightness))
    return np.asarray(np.round(grey * (GREY_LEVELS - 1)).astype(np.uint16))


def _squeezed(density: Map, field: tuple[slice, slice], dials: ExposureDials, pitch_mm: float) -> tuple[Map, Map]:
    """Density with its slow part squeezed and its edges raised; also the exposed part, coarsely."""
    rows, columns = (max(size // COARSE_PX, 8) for size in density.shape)
    small = reduced(density, rows, columns)
    slow = enlarged(blur(small, LATITUDE_SPREAD_MM / (pitch_mm * COARSE_PX)), density.shape[0], density.shape[1])
    fine = blur(density, EDGE_SPREAD_MM / pitch_mm)
    exposed = small[tuple(slice(s.start // COARSE_PX, max(s.stop // COARSE_PX, 4)) for s in field)]
    low, high = np.quantile(exposed, (0.03, 0.97))
    shaped = density - np.float32(LATITUDE_SHARE * dials.latitude) * (slow - np.float32(0.5 * (low + high)))
    return np.asarray(shaped + np.float32(dials.edge_gain) * (density - fine)), exposed


def _curve(scaled: Map) -> Map:
    """Film-like: linear in the middle, toe and shoulder at the ends."""
    linear = np.float32(CURVE_START) + np.float32(CURVE_SLOPE) * scaled
    toe, knee = np.float32(TOE), np.float32(KNEE)
    low = toe * np.exp((np.minimum(linear, toe) - toe) / toe)
    high = 1.0 - (1.0 - knee) * np.exp(-(np.maximum(linear, knee) - knee) / (1.0 - knee))
    return np.where(linear < toe, low, np.where(linear > knee, high, linear)).astype(np.float32)
