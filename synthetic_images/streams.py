"""One independent random stream a subject, so that one dial never disturbs another."""

from __future__ import annotations

from zlib import crc32

import numpy as np


def stream(seed: int, subject: str) -> np.random.Generator:
    """Random numbers that depend on the film's seed and the subject's name alone."""
    return np.random.default_rng([seed, crc32(subject.encode())])


def truncated_normal(
    rng: np.random.Generator, mean: float, sd: float, low: float = -np.inf, high: float = np.inf
) -> float:
    """A normal draw, drawn again until it lies between `low` and `high`."""
    for _ in range(1000):
        value = float(rng.normal(mean, sd))
        if low <= value <= high:
            return value
    return float(np.clip(mean, low, high))
