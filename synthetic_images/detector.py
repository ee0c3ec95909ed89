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
    primary = np.exp(-line_integral)
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

    A logarithm, a squeeze of the slow part (latitude), unsharp masking, and an S-shaped curve placed on the
    film's own quantiles.
    """
    density = -np.log(np.maximum(quanta / np.float32(open_quanta), np.float32(DARKEST_SHARE)))
    rows, columns = (max(size // COARSE_PX, 8) for size in density.shape)
    small = reduced(density, rows, columns)
    slow = enlarged(blur(small, LATITUDE_SPREAD_MM / (pitch_mm * COARSE_PX)), density.shape[0], density.shape[1])
    fine = blur(density, EDGE_SPREAD_MM / pitch_mm)
    low, high = np.quantile(small, (0.03, 0.97))
    shaped = density - np.float32(LATITUDE_SHARE * dials.latitude) * (slow - np.float32(0.5 * (low + high)))
    shaped += np.float32(dials.edge_gain) * (density - fine)
    body = small[small > 0.25 * high]
    dark, bright = np.quantile(body if body.size > 50 else small, (0.02, 0.985))
    squeezed = 1.0 - LATITUDE_SHARE * dials.latitude
    centre = 0.5 * (low + high)
    dark, bright = centre + (dark - centre) * squeezed, centre + (bright - centre) * squeezed
    scaled = (shaped - np.float32(dark)) / np.float32(max(bright - dark, 0.3))
    grey = _curve(scaled + np.float32(dials.brightness))
    return np.asarray(np.round(grey * (GREY_LEVELS - 1)).astype(np.uint16))


def _curve(scaled: Map) -> Map:
    """Film-like: linear in the middle, toe and shoulder at the ends."""
    linear = np.float32(0.25) + np.float32(0.57) * scaled
    toe, knee = np.float32(0.16), np.float32(0.82)
    with np.errstate(over="ignore"):
        low = toe * np.exp((np.minimum(linear, toe) - toe) / toe)
        high = 1.0 - (1.0 - knee) * np.exp(-(np.maximum(linear, knee) - knee) / (1.0 - knee))
    return np.where(linear < toe, low, np.where(linear > knee, high, linear)).astype(np.float32)
