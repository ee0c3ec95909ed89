"""How often something happens, how far two groups differ, and what misclassification does to a rate.

Everywhere: counts that cannot be (negative, more events than films) raise `MeasureError`; a rate of no films comes
back as an undefined `Interval`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from measure.errors import MeasureError
from measure.statistics.interval import CONFIDENCE, Interval, two_sided_z, undefined


@dataclass(frozen=True, slots=True)
class Count:
    """Events among films.

    Parameters
    ----------
    events, films : float
        Not negative, and no more events than films. Whole where they were counted; a sum of probabilities, or the
        number of films that as much would be known from, need not be.

    Raises
    ------
    MeasureError
        Counts that cannot be.
    """

    events: float
    films: float

    def __post_init__(self) -> None:
        if not 0 <= self.events <= self.films:
            raise MeasureError(
                f"count: {self.events:g} events among {self.films:g} films found, from none to all expected."
            )

    @property
    def share(self) -> float:
        """Events over films; nan without films."""
        return self.events / self.films if self.films else math.nan


NO_FILMS = "no films"


def wilson(count: Count, confidence: float = CONFIDENCE) -> Interval:
    """A rate with Wilson's score interval (J Am Stat Assoc 1927;22:209-212); undefined without films."""
    z = two_sided_z(confidence)
    if not count.films:
        return undefined(NO_FILMS)
    n, p = count.films, count.share
    middle = (p + z * z / (2.0 * n)) / (1.0 + z * z / n)
    half = z * math.sqrt(p * (1.0 - p) / n + z * z / (4.0 * n * n)) / (1.0 + z * z / n)
    low = 0.0 if count.events == 0 else middle - half
    high = 1.0 if count.events == n else middle + half
    return Interval(p, low, high)


def newcombe_difference(first: Count, second: Count, confidence: float = CONFIDENCE) -> Interval:
    """First rate less second, with the interval from the two Wilson intervals.

    Method 10 of Newcombe RG. Stat Med 1998;17:873-890. Undefined where either group has no films.
    """
    a, b = wilson(first, confidence), wilson(second, confidence)
    if not (a.defined and b.defined):
        return undefined(NO_FILMS)
    difference = a.value - b.value
    low = difference - math.hypot(a.value - a.low, b.high - b.value)
    high = difference + math.hypot(a.high - a.value, b.value - b.low)
    return Interval(difference, low, high)


def equal_rates(first: Count, second: Count) -> float:
    """Two-sided p-value of the N - 1 chi-squared test that two rates are equal; 1 where nothing tells them apart.

    Campbell I. Stat Med 2007;26:3661-3675 (from memory; checked against statsmodels): the chi-squared test times
    (N - 1) / N holds its level in small samples, and takes sums of probabilities for counts.
    """
    films = first.films + second.films
    if not (first.films and second.films):
        return 1.0
    together = (first.events + second.events) / films
    variance = together * (1.0 - together) * (1.0 / first.films + 1.0 / second.films)
    if variance <= 0.0 or films <= 1.0:
        return 1.0
    score = abs(first.share - second.share) / math.sqrt(variance * films / (films - 1.0))
    return math.erfc(score / math.sqrt(2.0))


def holm(p_values: Sequence[float]) -> tuple[float, ...]:
    """P-values adjusted for being many, in the order given (Holm S. Scand J Stat 1979;6:65-70).

    Raises
    ------
    MeasureError
        Where a value is no probability.
    """
    values = np.asarray(p_values, dtype=float)
    if not ((values >= 0.0) & (values <= 1.0)).all():
        raise MeasureError("p-values: numbers from 0 to 1 expected.")
    order = np.argsort(values, kind="stable")
    stepped = np.maximum.accumulate(values[order] * np.arange(values.size, 0, -1))
    adjusted = np.empty_like(values)
    adjusted[order] = np.minimum(stepped, 1.0)
    return tuple(float(value) for value in adjusted)


def rogan_gladen(
    apparent: Count, sensitivity: Count, specificity: Count, confidence: float = CONFIDENCE
) -> Interval:
    """Prevalence corrected for a classifier's errors, which were themselves estimated from a sample.

    Parameters
    ----------
    apparent : Count
        Called positive, among all films classified.
    sensitivity : Count
        Called positive, among the truly positive films of the validation sample.
    specificity : Count
        Called negative, among its truly negative films.

    Returns
    -------
    Interval
        Cut at 0 and 1. Undefined where a count is empty, or where sensitivity and specificity add up to 1 or less:
        then the classifier says nothing.

    Notes
    -----
    Estimate: Rogan WJ, Gladen B. Am J Epidemiol 1978;107:71-76. Interval: Lang Z, Reiczigel J. Prev Vet Med
    2014;113:13-22, with uncertainty in all three counts; formula from memory, its coverage measured in the tests:
    95 % or a little more.
    The validation sample must be independent of, or small beside, the films classified, and typical of them.
    """
    z = two_sided_z(confidence)
    if not (apparent.films and sensitivity.films and specificity.films):
        return undefined("no films, or none truly positive or truly negative in the hand-read sample")
    youden = sensitivity.share + specificity.share - 1.0
    if youden <= 0.0:
        return undefined("sensitivity and specificity add up to 1 or less: no better than chance")
    n, n_se, n_sp = apparent.films + z * z, sensitivity.films + 2.0, specificity.films + 2.0
    p = (apparent.events + z * z / 2.0) / n
    se, sp = (sensitivity.events + 1.0) / n_se, (specificity.events + 1.0) / n_sp
    middle = (p + sp - 1.0) / (se + sp - 1.0)
    var_se, var_sp = se * (1.0 - se) / n_se, sp * (1.0 - sp) / n_sp
    shift = 2.0 * z * z * (middle * var_se - (1.0 - middle) * var_sp)
    spread = p * (1.0 - p) / n + middle**2 * var_se + (1.0 - middle) ** 2 * var_sp
    half = z * math.sqrt(spread) / (se + sp - 1.0)
    value = (apparent.share + specificity.share - 1.0) / youden
    return Interval(value, middle + shift - half, middle + shift + half).clipped(0.0, 1.0)


LEAST_FOR_EXPLAINED = 4
"""Fisher's transformation has the variance 1 / (n - 3)."""


def variance_explained(cause: ArrayLike, effect: ArrayLike, confidence: float = CONFIDENCE) -> Interval:
    """Share of the effect's variance that a straight line on the cause explains (r squared).

    Parameters
    ----------
    cause, effect : array_like, shape (n,)
        Pairs, for instance lip mark and distance in cm.

    Returns
    -------
    Interval
        From Fisher's transformation of r; it starts at 0 where r may be 0. Undefined where either does not vary;
        below 4 pairs its ends alone.

    Raises
    ------
    MeasureError
        Fewer than two pairs, unequal lengths, numbers that are not finite.
    """
    x, y = np.asarray(cause, dtype=float), np.asarray(effect, dtype=float)
    if x.ndim != 1 or x.shape != y.shape or x.size < 2:
        raise MeasureError(f"pairs: shapes {x.shape} and {y.shape} found, two lists as long, 2 pairs or more.")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise MeasureError("pairs: missing or infinite numbers found; leave those out.")
    z = two_sided_z(confidence)
    if np.ptp(x) == 0.0 or np.ptp(y) == 0.0:
        return undefined("one of the two does not vary")
    r = float(np.clip(np.corrcoef(x, y)[0, 1], -1.0, 1.0))
    if x.size < LEAST_FOR_EXPLAINED:
        return Interval(r * r, math.nan, math.nan, f"fewer than {LEAST_FOR_EXPLAINED} pairs: no interval")
    if abs(r) == 1.0:
        return Interval(1.0, 1.0, 1.0)
    half = z / math.sqrt(x.size - 3)
    ends = sorted(abs(math.tanh(math.atanh(r) + side * half)) for side in (-1.0, 1.0))
    low = 0.0 if abs(math.atanh(r)) <= half else ends[0] ** 2
    return Interval(r * r, low, ends[1] ** 2)
