"""How often something happens where each film tells only its probability, and films of one patient are alike."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from measure.errors import MeasureError
from measure.statistics.interval import CONFIDENCE, two_sided_z
from measure.statistics.rates import Count

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]


def mean_variance(probabilities: ArrayLike, patients: ArrayLike | None = None) -> float:
    """Variance of a rate that is the mean of probabilities.

    Parameters
    ----------
    probabilities : array_like, shape (n,)
        Of the event on each film.
    patients : array_like of int, shape (n,), optional
        Whose film it is; without it every film is a patient of its own.

    Returns
    -------
    float
        nan with fewer than two patients.

    Notes
    -----
    Which films came: the sandwich estimate by patient, G / (G - 1) times the sum over patients of the squared sum
    of their deviations, over n squared (Liang K-Y, Zeger SL. Biometrika 1986;73:13-22). How each of them truly
    lies: the sum of p (1 - p), over n squared. Together they are what the sandwich would give on average if every
    film's truth were drawn by its probability: where all is known it is the sandwich alone, where every film is a
    patient of its own the two add up to p (1 - p) / n.
    """
    values = _probabilities(probabilities)
    codes = np.arange(values.size) if patients is None else np.asarray(patients, dtype=np.int64)
    return float(Alike(np.zeros(values.size, np.int64), codes, 1).mean_variances(values)[0])


class Alike:
    """Films by level of a factor and by patient, grouped once for all rates among them.

    Parameters
    ----------
    levels, patients : array_like of int, shape (n,)
        Levels are numbered from 0.
    count : int
        Levels there are.
    """

    def __init__(self, levels: ArrayLike, patients: ArrayLike, count: int) -> None:
        self._level, self._count = np.asarray(levels, np.int64), count
        _, whose = np.unique(np.asarray(patients, np.int64), return_inverse=True)
        many = int(whose.max(initial=0)) + 1
        pairs, self._pair_of_film = np.unique(self._level * many + whose, return_inverse=True)
        self._level_of_pair: Codes = pairs // many

    def patients(self) -> Codes:
        """Number of patients in each level, shape (count,)."""
        return np.bincount(self._level_of_pair, minlength=self._count)

    def mean_variances(self, probabilities: ArrayLike) -> Floats:
        """`mean_variance` within each level, shape (count,), of probabilities of shape (n,)."""
        values, level, count = _probabilities(probabilities), self._level, self._count
        films, clusters = np.bincount(level, minlength=count), self.patients()
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = np.bincount(level, values, count) / films
            sums = np.bincount(self._pair_of_film, values - mean[level], len(self._level_of_pair))
            between = np.bincount(self._level_of_pair, sums**2, count) * clusters / (clusters - 1.0)
            within = np.bincount(level, values * (1.0 - values), count)
            variances: Floats = (between + within) / films.astype(float) ** 2
        return variances


def effective(count: Count, variance: float, patients: int, confidence: float = CONFIDENCE) -> Count:
    """The count as so many independent films would give it, of which as much would be known.

    Parameters
    ----------
    count : Count
        Expected events among the films.
    variance : float
        Of their rate (`mean_variance`).
    patients : int
        How many the films are of.

    Returns
    -------
    Count
        Of the same share, never more films than there are; its Wilson interval allows for films that are alike.

    Notes
    -----
    p (1 - p) / variance, less by (z / t)² for the few patients that the variance was estimated from, as in Korn
    EL, Graubard BI. Surv Methodol 1998;24:193-201 (from memory; its coverage is measured in the tests). A rate
    of nothing or all has no variance: then every patient counts once.
    """
    from scipy.special import stdtrit

    share = count.share
    if patients < 2 or not 0.0 < share < 1.0 or not variance > 0.0:
        films = float(min(patients, count.films))
    else:
        few = two_sided_z(confidence) / float(stdtrit(patients - 1, (1.0 + confidence) / 2.0))
        films = min(share * (1.0 - share) / variance * few**2, float(count.films))
    return Count(share * films if films else 0.0, films)


def _probabilities(values: ArrayLike) -> Floats:
    found = np.asarray(values, dtype=float)
    if not ((found >= 0.0) & (found <= 1.0)).all():
        raise MeasureError("probabilities: numbers from 0 to 1 expected; leave out films that have none.")
    return found
