"""How films are packed for training: where they lie, and which fold they belong to."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from imaging.training.pack import Fit, assign_folds, fitted


def test_an_oblong_film_lies_in_the_middle_of_its_square():
    square, box = fitted(np.full((300, 600), 200, np.uint8), 120)
    assert box == (30, 0, 90, 120)
    assert (square[30:90] == 200).all()
    assert square[:30].max() == square[90:].max() == 0


def test_a_mark_moves_with_its_film():
    fit = Fit(300, 600, 120)
    assert fit.move(0.0, 0.0) == pytest.approx((-0.4, 29.6))
    assert fit.move(599.0, 299.0) == pytest.approx((119.4, 89.4))


def test_a_patient_has_one_fold_and_kinds_are_spread():
    tubes = Counter({f"p{k}": 1 for k in range(8)})
    folds = assign_folds({"tube": tubes, "tracheostomy": Counter(), "plain": tubes, "unmarked": Counter()}, 4)
    assert sorted(folds.values()) == [0, 0, 1, 1, 2, 2, 3, 3]
