"""Difficulty that follows the trainee: harder after a film solved, easier after one that was not."""

from __future__ import annotations

from collections.abc import Iterable

TARGET_SHARE = 0.75
"""Share of films that a trainee is to solve: hard enough to learn from, easy enough to go on (ours)."""

HARDER = 0.06
EASIER = HARDER * TARGET_SHARE / (1.0 - TARGET_SHARE)
"""Steps in difficulty. Where the target share of films is solved, steps up and down cancel: share x HARDER =
(1 - share) x EASIER. The weighted up-down method of Kaernbach C. Percept Psychophys 1991;49:227-229 (memory);
HARDER itself is ours: seventeen films solved in a row lead from the easiest to the hardest."""

FIRST_DIFFICULTY = 0.2


def next_difficulty(difficulty: float, solved: bool) -> float:
    """Difficulty of the next film, between 0 and 1."""
    return min(max(difficulty + (HARDER if solved else -EASIER), 0.0), 1.0)


def reached(outcomes: Iterable[bool], start: float = FIRST_DIFFICULTY) -> float:
    """Difficulty after these films, solved or not, in their order."""
    difficulty = start
    for solved in outcomes:
        difficulty = next_difficulty(difficulty, solved)
    return difficulty
