"""Two opinions of one place: where they agree, where they differ, and when one of them is wrong."""

import math

import numpy as np
import pytest

from measure.landmarks import Landmark, Source
from measure.weighing import ASIDE_SHARE, SUREST, weighed_together


def mark(row, sd, confidence, column=300.0):
    return Landmark(row, column, sd, Source.PROPOSED, confidence, "seen")


def test_the_mean_is_by_inverse_variances():
    found = weighed_together(mark(200, 6.0, 0.7), mark(209, 3.0, 0.9), 1.0)
    assert found.row == pytest.approx(200 + 9 * 36 / 45)
    assert found.sd_px == pytest.approx(math.sqrt(36 * 9 / 45))
    assert found.note == "seen"


def test_agreement_makes_surer_and_contradiction_less_sure():
    seen = mark(200, 8.0, 0.6)
    agreed, apart = (weighed_together(seen, mark(200 + off, 9.0, 0.56), 1.0) for off in (4, 60))
    assert agreed.confidence > 0.75
    assert apart.confidence < 0.6
    assert apart.row in (200, 260)


def test_a_sure_place_is_hardly_moved_by_a_vague_one():
    found = weighed_together(mark(200, 3.0, 0.95), mark(212, 10.0, 0.56), 1.0)
    assert abs(found.row - 200) < 1.1
    assert found.confidence >= 0.9


def test_a_hint_gives_way_to_what_is_known():
    found = weighed_together(mark(200, 25.0, 0.2), mark(230, 9.0, 0.56), 1.0)
    assert found.row == pytest.approx(230 - 30 * 81 / (81 + 625))
    assert found.confidence >= 0.5


def test_the_size_of_a_pixel_does_not_matter():
    one = weighed_together(mark(200, 6.0, 0.7), mark(209, 5.0, 0.8), 1.0)
    half = weighed_together(mark(400, 12.0, 0.7, column=600.0), mark(418, 10.0, 0.8, column=600.0), 0.5)
    assert (half.row / 2, half.sd_px / 2) == pytest.approx((one.row, one.sd_px))
    assert half.confidence == pytest.approx(one.confidence)


def test_no_opinion_is_surer_than_the_surest():
    assert weighed_together(mark(200, 0.0, 1.0), mark(200, 0.1, 1.0), 1.0).confidence <= SUREST


def test_the_confidence_is_how_often_it_is_right():
    """Against draws from the very model: opinions right or altogether wrong, as often as they say."""
    rng = np.random.default_rng(5)
    sds, rights = (7.0, 9.0), (0.8, 0.9)
    eq = math.sqrt((1 + ASIDE_SHARE**2) / 2)
    told, right = [], []
    for _ in range(1500):
        marks = []
        for sd, share in zip(sds, rights, strict=True):
            spread = sd if rng.random() < share else 30.0
            y, x = rng.normal(0.0, spread), rng.normal(0.0, spread * ASIDE_SHARE)
            near = share * (1 - math.exp(-((10 / (sd * eq)) ** 2) / 2))
            marks.append(mark(500 + y, sd, near, column=500 + x))
        found = weighed_together(*marks, 1.0)
        told.append(found.confidence)
        right.append(math.hypot(found.row - 500, found.column - 500) <= 10.0)
    assert np.mean(told) == pytest.approx(np.mean(right), abs=0.05)
    surer = np.array(told) > np.median(told)
    assert np.mean(np.array(right)[surer]) > np.mean(np.array(right)[~surer]) + 0.1
