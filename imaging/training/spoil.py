"""A film made harder, as from another hospital: for calibration and for scores of robustness, not for training."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from imaging.film import Film

Point = tuple[float, float]


def spoil(film: Film, points: list[Point], rng: np.random.Generator) -> tuple[Film, list[Point]]:
    """Crop, squeeze, shrink, blur, flatten and grain a film.

    Parameters
    ----------
    film : Film
    points : list of (x, y)
        Reference marks in pixels.
    rng : Generator

    Returns
    -------
    Film
        At 512 to 1024 px.
    list of (x, y)
        The same marks there; they may lie outside.
    """
    import cv2

    rows, columns = film.shape
    top, bottom, left, right = rng.uniform(0.0, [0.07, 0.25, 0.12, 0.12]) * [rows, rows, columns, columns]
    part = film.pixels[int(top) : rows - int(bottom), int(left) : columns - int(right)]
    scale = rng.uniform(0.5, 0.9)
    size = (round(part.shape[1] * scale * rng.uniform(0.88, 1.12)), round(part.shape[0] * scale))
    small = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    soft = cv2.GaussianBlur(small, (0, 0), rng.uniform(0.2, 1.1))
    pixels = _flatten(soft.astype(np.float32, copy=False), rng)
    stretch = np.array([size[0] / part.shape[1], size[1] / part.shape[0]])
    corner = np.array([int(left), int(top)])
    moved = [tuple(((np.array(p) - corner + 0.5) * stretch - 0.5).tolist()) for p in points]
    return replace(film, pixels=pixels), moved


def _flatten(pixels: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.float32]:
    """Less contrast, another curve, grain and eight bits."""
    curved = np.clip(pixels, 0.0, 1.0) ** rng.uniform(0.6, 1.6)
    low = rng.uniform(0.0, 0.35)
    flat = low + curved * rng.uniform(0.35, 1.0 - low)
    grained = flat + rng.normal(0.0, rng.uniform(0.0, 0.02), flat.shape)
    return (np.round(np.clip(grained, 0.0, 1.0) * 255.0) / 255.0).astype(np.float32)
