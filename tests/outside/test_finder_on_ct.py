"""The finder on a projected chest CT that no training saw: its proposals against the CT's own airway and tube."""

from __future__ import annotations

import math

import numpy as np
import pytest

from imaging.film import Film
from imaging.propose import propose

pytestmark = pytest.mark.outside

TIPS_MM = (10.0, 20.0, 30.0, 40.0, 50.0)


def misses_mm(film) -> list[float]:
    landmarks = propose(Film(film.pixels)).landmarks
    assert min(landmarks.tip.confidence, landmarks.carina.confidence) >= 0.5
    pairs = ((landmarks.tip, film.tip), (landmarks.carina, film.carina))
    return [math.dist((mark.row, mark.column), truth) * film.pixel_mm for mark, truth in pairs]


def test_landmarks_lie_where_their_confidence_says(ct_film):
    misses = [miss for tip_mm in TIPS_MM for miss in misses_mm(ct_film(tip_mm))]
    assert max(misses) <= 8.0, np.round(misses, 1)


def test_intervals_hold_the_truth(ct_film):
    inside = []
    for tip_mm in TIPS_MM:
        film = ct_film(tip_mm)
        landmarks = propose(Film(film.pixels)).landmarks
        for mark, truth in ((landmarks.tip, film.tip), (landmarks.carina, film.carina)):
            inside += [
                abs(mark.row - truth[0]) <= 1.96 * mark.sd_px,
                abs(mark.column - truth[1]) <= 1.96 * mark.sd_px,
            ]
    assert np.mean(inside) >= 0.9


def test_no_tube_no_tip(ct_film):
    tip = propose(Film(ct_film(None).pixels)).landmarks.tip
    assert tip is None or tip.confidence < 0.5
