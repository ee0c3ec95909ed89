"""Small cells are hidden, and enough others that no sum gives them away."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Key = tuple[str, ...]
"""Names one count, for instance (factor, level, verdict)."""

LEAST = 5
"""Counts from 1 to one below are small (common practice in published health statistics)."""


@dataclass(frozen=True, slots=True)
class Sum:
    """A count that is the sum of others, all of which a reader may see."""

    total: Key
    parts: tuple[Key, ...]


def hidden_cells(counts: Mapping[Key, float], sums: Sequence[Sum], least: int) -> frozenset[Key]:
    """The counts that must not be shown.

    Parameters
    ----------
    counts : mapping
        Every count that could be shown.
    sums : sequence of Sum
        How they add up; total and parts are keys of `counts`.
    least : int
        Counts from 1 to `least` - 1 are small; zero is not.

    Returns
    -------
    frozenset
        The small ones and, beside them, the smallest others such that

        - nothing hidden is alone in a sum, so that it could be had by subtraction;
        - what is hidden under a shown total is not small taken together;
        - the sums, taken all at once, fix no small count.

    Notes
    -----
    Complementary suppression as in Willenborg L, de Waal T. Elements of statistical disclosure control, Springer
    2001 (from memory). The last condition is checked as linear algebra: a hidden count is fixed where no vector of
    the sums' null space moves it. That counts cannot be negative still narrows them to a range.
    """
    hidden = {key for key, count in counts.items() if 0 < count < least}
    small = frozenset(hidden)
    while True:
        while added := {key for one in sums for key in _give_away(one, counts, hidden, least)}:
            hidden |= added
        fixed = _fixed(hidden, sums) & small
        more = {key for one in sums if fixed & {one.total, *one.parts} for key in _smallest(one, counts, hidden)}
        if not more:
            return frozenset(hidden)
        hidden |= more


def _give_away(one: Sum, counts: Mapping[Key, float], hidden: set[Key], least: int) -> set[Key]:
    """What to hide in addition, so that this sum tells nothing."""
    secret = [part for part in one.parts if part in hidden]
    if one.total in hidden:
        return _smallest(one, counts, hidden) if not secret else set()
    if not secret:
        return set()
    together = sum(counts[part] for part in secret)
    if len(secret) > 1 and not 0 < together < least:
        return set()
    return _smallest(one, counts, hidden)


def _smallest(one: Sum, counts: Mapping[Key, float], hidden: set[Key]) -> set[Key]:
    """The smallest count of a sum that is still shown: a part that is not zero, or else the total."""
    shown = [part for part in one.parts if part not in hidden and counts[part] > 0]
    if shown:
        return {min(shown, key=lambda part: (counts[part], part))}
    return set() if one.total in hidden else {one.total}


def _fixed(hidden: set[Key], sums: Sequence[Sum]) -> set[Key]:
    """Hidden counts that follow from the sums and the shown counts."""
    place = {key: index for index, key in enumerate(sorted(hidden))}
    rows = [_row(one, place) for one in sums if hidden & {one.total, *one.parts}]
    if not rows:
        return set()
    _, sizes, directions = np.linalg.svd(np.array(rows), full_matrices=True)
    rank = int((sizes > 1e-9 * sizes[0]).sum())
    moves = np.abs(directions[rank:]).max(axis=0, initial=0.0)
    return {key for key, index in place.items() if moves[index] < 1e-9}


def _row(one: Sum, place: Mapping[Key, int]) -> NDArray[np.float64]:
    row = np.zeros(len(place))
    for key, sign in ((one.total, 1.0), *((part, -1.0) for part in one.parts)):
        if key in place:
            row[place[key]] = sign
    return row
