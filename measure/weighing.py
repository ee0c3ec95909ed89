"""Two independent opinions of where one point lies, each possibly wrong, made into one."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from measure.landmarks import Landmark

NEAR_MM = 10.0
"""A confidence is the probability of lying within so much of the true place."""

ASIDE_SHARE = 0.6
"""Standard deviation across the film over that along it: a carina is missed mostly up or down (docs/model-card.md,
pairs of films)."""

ASTRAY_MM = 30.0
"""Spread of an opinion that is altogether wrong (ours)."""

SUREST = 0.98
"""No opinion is held to be surer than that of not being altogether wrong (ours)."""


@dataclass(frozen=True, slots=True)
class _Place:
    """A place in mm with its standard deviation along the film, and the probability that this holds."""

    y: float
    x: float
    sd: float
    weight: float

    def near(self, y: float, x: float) -> float:
        """Probability that the true place lies within `NEAR_MM` of (y, x) where this one holds."""
        from scipy.stats import ncx2

        sd = self.sd * math.sqrt((1.0 + ASIDE_SHARE**2) / 2.0)
        away = math.hypot(self.y - y, self.x - x)
        return float(ncx2.cdf((NEAR_MM / sd) ** 2, 2, (away / sd) ** 2))


def weighed_together(seen: Landmark, known: Landmark, mm_per_px: float) -> Landmark:
    """The likeliest place in view of both: their mean by inverse variances, or one of them where they disagree.

    Each opinion is right, to within its standard deviation, with a probability that its confidence tells, or
    altogether wrong. Which of the four cases holds follows from how far apart the two lie.

    Parameters
    ----------
    seen, known : Landmark
        With standard deviations along the film and confidences; pixels are square.
    mm_per_px : float
        Size of a pixel.

    Returns
    -------
    Landmark
        `seen` with the place, the standard deviation and the confidence that follow.
    """
    one, other = _opinion(seen, mm_per_px), _opinion(known, mm_per_px)
    variances = one.sd**2, other.sd**2
    share = variances[0] / sum(variances)
    middle = _Place(
        one.y + share * (other.y - one.y),
        one.x + share * (other.x - one.x),
        math.sqrt(variances[0] * variances[1] / sum(variances)),
        one.weight * other.weight * _density(one, other, math.sqrt(sum(variances))),
    )
    astray = _density(one, other, ASTRAY_MM)
    cases = (
        middle,
        replace(one, weight=one.weight * (1.0 - other.weight) * astray),
        replace(other, weight=other.weight * (1.0 - one.weight) * astray),
    )
    total = sum(case.weight for case in cases) + (1.0 - one.weight) * (1.0 - other.weight) * astray
    confidence, best = max(
        ((sum(case.weight * case.near(at.y, at.x) for case in cases) / total, at) for at in cases),
        key=lambda found: found[0],
    )
    return replace(
        seen,
        row=best.y / mm_per_px,
        column=best.x / mm_per_px,
        sd_px=best.sd / mm_per_px,
        confidence=min(confidence, SUREST),
    )


def _opinion(mark: Landmark, mm_per_px: float) -> _Place:
    """A mark in mm; its weight is the probability that it is not altogether wrong."""
    place = _Place(mark.row * mm_per_px, mark.column * mm_per_px, max(mark.sd_px * mm_per_px, 0.1), 1.0)
    return replace(place, weight=min(mark.confidence / place.near(place.y, place.x), SUREST))


def _density(one: _Place, other: _Place, sd: float) -> float:
    """Of two places lying so far apart, along the film and across it, where that has a spread of `sd`."""
    down, across = (one.y - other.y) / sd, (one.x - other.x) / (ASIDE_SHARE * sd)
    return math.exp(-(down**2 + across**2) / 2.0) / (2.0 * math.pi * ASIDE_SHARE * sd**2)
