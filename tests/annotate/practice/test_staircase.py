"""Difficulty follows the trainee to where the target share of films is solved."""

import numpy as np
import pytest

from annotate.practice.staircase import EASIER, FIRST_DIFFICULTY, HARDER, TARGET_SHARE, next_difficulty, reached


def ability(difficulty):
    """An invented trainee: solves nearly all easy films and few hard ones; three of four at 0.58."""
    return 1.0 / (1.0 + np.exp(9.0 * (np.asarray(difficulty) - 0.7)))


@pytest.mark.outside
def test_steps_are_those_of_the_weighted_up_down_method():
    # Kaernbach C. Percept Psychophys 1991;49:227-229 (memory): S_up p = S_down (1 - p).
    assert pytest.approx(EASIER * (1.0 - TARGET_SHARE)) == HARDER * TARGET_SHARE


def test_difficulty_converges_from_either_end_to_the_target_share():
    where = np.interp(TARGET_SHARE, ability(np.linspace(1, 0, 1001)), np.linspace(1, 0, 1001))
    for start in (0.0, 1.0):
        random, difficulty, held, solved = np.random.default_rng(7), start, [], []
        for _ in range(4000):
            held.append(difficulty)
            solved.append(bool(random.random() < ability(difficulty)))
            difficulty = next_difficulty(difficulty, solved[-1])
        assert np.mean(held[100:]) == pytest.approx(where, abs=0.04)
        assert np.mean(solved[100:]) == pytest.approx(TARGET_SHARE, abs=0.02)


def test_a_beginner_and_a_master_part_within_a_round_of_twenty():
    assert reached([True] * 20) > 0.95
    assert reached([False] * 20) == 0.0


def test_it_stays_between_0_and_1():
    assert next_difficulty(1.0, True) == 1.0
    assert next_difficulty(0.0, False) == 0.0


def test_replaying_the_answers_gives_where_one_is():
    outcomes = [True, True, False, True]
    difficulty = FIRST_DIFFICULTY
    for solved in outcomes:
        difficulty = next_difficulty(difficulty, solved)
    assert reached(outcomes) == difficulty
