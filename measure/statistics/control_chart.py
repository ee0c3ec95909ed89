"""Has a process changed over time? Charts for proportions, run rules, and cumulative sums."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from measure.errors import MeasureError
from measure.statistics.interval import check_share
from measure.statistics.rates import Count

SIGMAS = 3.0
"""Control limits lie three standard deviations from the centre line (Shewhart; common practice)."""

Floats = NDArray[np.float64]


class RunRule(StrEnum):
    """Patterns that chance seldom makes.

    The first four are those of the Western Electric Statistical Quality Control Handbook, 1956 (numbers 1, 5 and 6
    of Nelson LS. J Qual Technol 1984;16:237-239 are the same; his second asks for nine in a row); the last is
    Nelson's third.
    """

    BEYOND_LIMIT = "one point beyond 3 standard deviations"
    TWO_OF_THREE = "two of three points beyond 2 standard deviations on one side"
    FOUR_OF_FIVE = "four of five points beyond 1 standard deviation on one side"
    EIGHT_ON_ONE_SIDE = "eight points in a row on one side of the centre line"
    SIX_RISING_OR_FALLING = "six points in a row rising or falling"


WESTERN_ELECTRIC = (
    RunRule.BEYOND_LIMIT,
    RunRule.TWO_OF_THREE,
    RunRule.FOUR_OF_FIVE,
    RunRule.EIGHT_ON_ONE_SIDE,
)

_WINDOWS = {
    RunRule.BEYOND_LIMIT: (1, 1, 3.0),
    RunRule.TWO_OF_THREE: (2, 3, 2.0),
    RunRule.FOUR_OF_FIVE: (4, 5, 1.0),
    RunRule.EIGHT_ON_ONE_SIDE: (8, 8, 0.0),
}
"""How many of how many points beyond how many standard deviations, on the same side."""

_MONOTONE_POINTS = 6


@dataclass(frozen=True, slots=True)
class Signal:
    """A point at which a rule fires.

    Parameters
    ----------
    index : int
        Place of the point, from 0.
    rule : RunRule
    above : bool
        Whether high, or rising.
    """

    index: int
    rule: RunRule
    above: bool


def run_signals(scores: ArrayLike, rules: Sequence[RunRule] = WESTERN_ELECTRIC) -> tuple[Signal, ...]:
    """Where each rule fires, at the last point of the pattern.

    Parameters
    ----------
    scores : array_like, shape (n,)
        Points in their order, in standard deviations from the centre line.

    Returns
    -------
    tuple of Signal
        By index, then in the order of the rules.
    """
    z = np.asarray(scores, dtype=float)
    found = [
        Signal(int(index), rule, side > 0)
        for rule in rules
        for side in (1.0, -1.0)
        for index in np.flatnonzero(_fires(side * z, rule))
    ]
    return tuple(sorted(found, key=lambda signal: (signal.index, rules.index(signal.rule))))


def _fires(z: Floats, rule: RunRule) -> NDArray[np.bool_]:
    """Whether the rule fires on the high side at each point."""
    if rule is RunRule.SIX_RISING_OR_FALLING:
        rises = np.concatenate([[False], np.diff(z) > 0.0]) if z.size else np.zeros(0, dtype=bool)
        return np.asarray(_within_last(rises, _MONOTONE_POINTS - 1) == _MONOTONE_POINTS - 1)
    needed, window, sigmas = _WINDOWS[rule]
    beyond = z > sigmas
    return np.asarray(beyond & (_within_last(beyond, window) >= needed))


def _within_last(marks: NDArray[np.bool_], window: int) -> NDArray[np.int64]:
    """How many of the last `window` points are marked, at each point."""
    sums = np.concatenate([[0], np.cumsum(marks)])
    return np.asarray(sums[1:] - sums[np.maximum(np.arange(1, sums.size) - window, 0)])


@dataclass(frozen=True, slots=True)
class PChart:
    """Proportions over time with their control limits.

    Parameters
    ----------
    centre : float
        Rate over the baseline.
    shares, lower, upper : tuple of float, length n
        Each period's proportion and its limits, cut at 0 and 1.
    signals : tuple of Signal
        Where the run rules fire.
    """

    centre: float
    shares: tuple[float, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    signals: tuple[Signal, ...]


def p_chart(
    periods: Sequence[Count],
    baseline: int | None = None,
    rules: Sequence[RunRule] = (*WESTERN_ELECTRIC, RunRule.SIX_RISING_OR_FALLING),
) -> PChart:
    """Shewhart chart for proportions, limits by each period's own number of films.

    Parameters
    ----------
    periods : sequence of Count
        In their order; every period has films (leave empty ones out).
    baseline : int, optional
        The centre line comes from this many first periods; from all where not given.

    Raises
    ------
    MeasureError
        No periods, a period without films, or a baseline that is longer than the chart.

    Notes
    -----
    Limits: p ± 3 sqrt(p (1 - p) / n). They lean on the normal approximation: with fewer than about 5 expected
    events a period, false alarms on the high side are more frequent. Where the baseline has no event or nothing
    but events, the limits have no width, and any other rate lies beyond them.
    """
    taken = len(periods) if baseline is None else baseline
    if not periods or not 1 <= taken <= len(periods):
        raise MeasureError(
            f"{len(periods)} periods and a baseline of {taken} found; a baseline within them expected."
        )
    if any(period.films == 0 for period in periods):
        raise MeasureError("a period without films found; leave it out, it has no rate.")
    centre = sum(period.events for period in periods[:taken]) / sum(period.films for period in periods[:taken])
    shares = np.array([period.share for period in periods])
    sds = np.sqrt(centre * (1.0 - centre) / np.array([period.films for period in periods]))
    away = shares - centre
    scores = np.divide(away, sds, out=np.where(away == 0.0, 0.0, np.copysign(np.inf, away)), where=sds > 0.0)
    return PChart(
        centre=centre,
        shares=_plain(shares),
        lower=_plain(np.maximum(centre - SIGMAS * sds, 0.0)),
        upper=_plain(np.minimum(centre + SIGMAS * sds, 1.0)),
        signals=run_signals(scores, rules),
    )


@dataclass(frozen=True, slots=True)
class BinomialCusum:
    """Evidence, film by film, that a rate of failure has moved from one value to another.

    Parameters
    ----------
    scores : tuple of float, length n
        Cumulative log-likelihood ratio after each film, never negative; set back to 0 after a signal.
    limit : float
        Decision limit.
    signals : tuple of int
        Places, from 0, where the limit is reached.
    """

    scores: tuple[float, ...]
    limit: float
    signals: tuple[int, ...]


def binomial_cusum(failures: Sequence[bool], rate: float, other_rate: float, limit: float) -> BinomialCusum:
    """Log-likelihood CUSUM of successes and failures.

    Parameters
    ----------
    failures : sequence of bool
        In their order, true for a failure.
    rate, other_rate : float
        The rate believed until shown otherwise, and the one looked for. With a higher other rate a signal says
        "worse"; for a learning curve take the beginner's rate first and the master's second: a signal says
        "learnt".
    limit : float
        Decision limit (`decision_limit` finds it from the tolerable rate of false alarms).

    Raises
    ------
    MeasureError
        Equal rates, rates that are no shares, a limit that is not positive.

    Notes
    -----
    Page 1954; in this form, without risk adjustment, Steiner SH, Cook RJ, Farewell VT, Treasure T. Biostatistics
    2000;1:441-452. The sum starts anew after a signal.
    """
    if limit <= 0.0:
        raise MeasureError(f"limit: {limit:g} found, a positive number expected.")
    for_failure, for_success = _log_likelihoods(rate, other_rate)
    scores: list[float] = []
    signals: list[int] = []
    score = 0.0
    for index, failed in enumerate(failures):
        score = max(0.0, score + (for_failure if failed else for_success))
        scores.append(score)
        if score >= limit:
            signals.append(index)
            score = 0.0
    return BinomialCusum(tuple(scores), limit, tuple(signals))


CHAIN_STATES = 400
"""Steps into which the way from 0 to the limit is cut: run lengths are right to about 2 % (ours, tested)."""


def average_run_length(true_rate: float, rate: float, other_rate: float, limit: float) -> float:
    """Mean number of films until a signal, at a true rate of failure.

    By a Markov chain on a grid (Brook D, Evans DA. Biometrika 1972;59:539-549).
    """
    check_share("true rate", true_rate)
    steps = np.array(_log_likelihoods(rate, other_rate))
    width = limit / CHAIN_STATES
    states = np.arange(CHAIN_STATES)
    chain = np.zeros((CHAIN_STATES, CHAIN_STATES))
    for step, chance in zip(steps, (true_rate, 1.0 - true_rate), strict=True):
        _spread(chain, states + step / width, chance)
    return float(np.linalg.solve(np.eye(CHAIN_STATES) - chain, np.ones(CHAIN_STATES))[0])


def _spread(chain: Floats, ends: Floats, chance: float) -> None:
    """Share each state's way between the two grid points next to where it ends; what passes the limit leaves."""
    ends = np.maximum(ends, 0.0)
    below = np.floor(ends).astype(int)
    for place, weight in ((below, 1.0 - (ends - below)), (below + 1, ends - below)):
        kept = (place < CHAIN_STATES) & (ends < CHAIN_STATES)
        np.add.at(chain, (np.flatnonzero(kept), place[kept]), chance * weight[kept])


def decision_limit(rate: float, other_rate: float, run_length: float) -> float:
    """The smallest limit at which false alarms come no oftener than one in `run_length` films.

    Raises
    ------
    MeasureError
        Equal rates, rates that are no shares, or a run length below 2.
    """
    if run_length < 2.0:
        raise MeasureError(f"run length: {run_length:g} films found, 2 or more expected.")
    low, high = 0.0, 1.0
    while average_run_length(rate, rate, other_rate, high) < run_length:
        low, high = high, 2.0 * high
    while high - low > 1e-3:
        middle = (low + high) / 2.0
        enough = average_run_length(rate, rate, other_rate, middle) >= run_length
        low, high = (low, middle) if enough else (middle, high)
    return high


def _log_likelihoods(rate: float, other_rate: float) -> tuple[float, float]:
    """Log-likelihood ratio of a failure and of a success."""
    check_share("rate", rate)
    check_share("other rate", other_rate)
    if rate == other_rate:
        raise MeasureError(f"rates: {rate:g} found twice, two different ones expected.")
    return math.log(other_rate / rate), math.log((1.0 - other_rate) / (1.0 - rate))


def _plain(values: Floats) -> tuple[float, ...]:
    return tuple(float(value) for value in values)
