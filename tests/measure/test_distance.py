import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from measure.distance import (
    distance_mm,
    film_per_measured,
    heights_at_spacing,
    patient_per_measured,
)
from measure.estimate import Estimate
from measure.landmarks import Landmark
from measure.magnification import View, from_factor, plausible
from measure.spacing import Plane, Spacing, SpacingSource

FIRST_ORDER = 0.01
"""What the first order leaves out of 1 / M over the plausible magnifications."""

pixels = st.floats(0.0, 3000.0)
sizes = st.floats(0.06, 0.9)


def spacing(row_mm=0.14, column_mm=0.14, plane=Plane.DETECTOR, relative_sd=0.0):
    return Spacing(row_mm, column_mm, plane, SpacingSource.USER, relative_sd)


def test_three_heights_of_a_slanting_pair():
    """A 3-4-5 triangle: 300 rows down and 400 columns across at 0.1 mm."""
    heights = heights_at_spacing(Landmark(100, 100, 0), Landmark(400, 500, 0), spacing(0.1, 0.1))
    assert heights.straight.value == pytest.approx(5.0)
    assert heights.vertical.value == pytest.approx(3.0)
    assert heights.along.value == pytest.approx(3.0)
    assert heights.aside.value == pytest.approx(4.0)
    assert not heights.follows_path


def test_below_the_carina_is_negative():
    heights = heights_at_spacing(Landmark(500, 100, 0), Landmark(400, 100, 0), spacing(0.1, 0.1))
    assert heights.along.value == heights.straight.value == heights.vertical.value == pytest.approx(-1.0)


def test_along_a_marked_path_is_its_length_below_the_tip():
    path = (Landmark(0, 0, 0), Landmark(300, 400, 0), Landmark(600, 0, 0))
    heights = heights_at_spacing(Landmark(150, 200, 0), Landmark(600, 0, 0), spacing(0.1, 0.1), path)
    assert heights.follows_path
    assert heights.along.value == pytest.approx(7.5)


def test_a_tip_beside_the_path_is_measured_from_its_foot_on_it():
    path = (Landmark(0, 100, 0), Landmark(500, 100, 0))
    heights = heights_at_spacing(Landmark(300, 140, 0), Landmark(600, 100, 0), spacing(0.1, 0.1), path)
    assert heights.along.value == pytest.approx(3.0)
    assert heights.aside.value == pytest.approx(0.4)
    assert heights.straight.value > 3.0


def test_a_path_that_begins_below_the_tip_is_continued_straight():
    path = (Landmark(400, 100, 0), Landmark(500, 100, 0))
    heights = heights_at_spacing(Landmark(200, 100, 0), Landmark(600, 100, 0), spacing(0.1, 0.1), path)
    assert heights.along.value == pytest.approx(4.0)


@given(pixels, pixels, pixels, pixels, sizes, sizes, st.floats(1.01, 2.0))
def test_scaling_the_spacing_scales_the_distance(row, column, to_row, to_column, row_mm, column_mm, factor):
    tip, carina = Landmark(row, column, 4.0), Landmark(to_row, to_column, 7.0)
    once = heights_at_spacing(tip, carina, spacing(row_mm, column_mm)).along
    scaled = heights_at_spacing(tip, carina, spacing(row_mm * factor, column_mm * factor)).along
    assert scaled.value == pytest.approx(once.value * factor, rel=1e-9, abs=1e-9)
    assert scaled.sd == pytest.approx(once.sd * factor, rel=1e-6, abs=1e-9)


@given(pixels, pixels, pixels, pixels, sizes, sizes)
def test_turning_a_film_with_non_square_pixels_keeps_the_straight_distance(
    row, column, to_row, to_column, row_mm, column_mm
):
    assume((row, column) != (to_row, to_column))
    tip, carina = Landmark(row, column, 4.0), Landmark(to_row, to_column, 7.0)
    turned_tip, turned_carina = Landmark(column, row, 4.0), Landmark(to_column, to_row, 7.0)
    before = distance_mm(tip, carina, spacing(row_mm, column_mm))
    after = distance_mm(turned_tip, turned_carina, spacing(column_mm, row_mm))
    assert after.value == pytest.approx(before.value)
    assert after.sd == pytest.approx(before.sd)


@pytest.mark.parametrize(
    ("tip", "carina"),
    [((1000.0, 500.0), (1150.0, 510.0)), ((900.0, 450.0), (1200.0, 560.0)), ((1300.0, 400.0), (1150.0, 510.0))],
)
def test_intervals_agree_with_monte_carlo(tip, carina):
    """First order against 200,000 draws of marks and spacing; pixels of 0.2 by 0.14 mm."""
    random = np.random.default_rng(11)
    draws = 200_000
    sd_tip, sd_carina, relative_sd = 6.0, 10.0, 0.01
    rows = [random.normal(at[0], sd, draws) for at, sd in ((tip, sd_tip), (carina, sd_carina))]
    columns = [random.normal(at[1], sd, draws) for at, sd in ((tip, sd_tip), (carina, sd_carina))]
    scale = random.normal(1.0, relative_sd, draws) / 10.0
    down, across = 0.2 * (rows[1] - rows[0]), 0.14 * (columns[1] - columns[0])
    drawn = np.sign(down) * np.hypot(down, across) * scale
    measured = heights_at_spacing(
        Landmark(*tip, sd_tip), Landmark(*carina, sd_carina), spacing(0.2, 0.14, relative_sd=relative_sd)
    ).straight
    low, high = np.quantile(drawn, [0.025, 0.975])
    assert measured.low == pytest.approx(low, abs=0.03)
    assert measured.high == pytest.approx(high, abs=0.03)


def test_a_doubtful_sign_widens_the_interval_over_both_sides():
    beside = heights_at_spacing(Landmark(1000, 400, 8), Landmark(1004, 500, 8), spacing())
    assert beside.straight.low < 0.0 < beside.straight.high


def test_detector_plane_needs_no_magnification_on_the_film_and_all_of_it_in_the_patient():
    factor = from_factor(1.2)
    assert film_per_measured(Plane.DETECTOR, factor) == Estimate(1.0)
    assert patient_per_measured(Plane.DETECTOR, factor).value == pytest.approx(1 / 1.2)
    assert film_per_measured(Plane.PATIENT, factor).value == pytest.approx(1.2)
    assert patient_per_measured(Plane.PATIENT, factor) == Estimate(1.0)


@given(st.sampled_from(list(View)))
def test_an_unknown_plane_covers_both_readings(view):
    factor = plausible(view)
    film = film_per_measured(Plane.UNKNOWN, factor)
    patient = patient_per_measured(Plane.UNKNOWN, factor)
    assert film.low <= 1.0
    assert film.high >= factor.factor.value
    assert patient.high >= 1.0 - FIRST_ORDER
    assert patient.low <= 1.0 / factor.factor.value


@given(pixels, pixels, st.floats(1.0, 40.0))
def test_mirroring_changes_nothing(row, column, lean):
    assume(row < 2900.0)
    tip, carina = Landmark(row, column, 5.0), Landmark(row + 100.0, column + lean, 5.0)
    mirrored = heights_at_spacing(
        Landmark(row, -column, 5.0), Landmark(row + 100.0, -column - lean, 5.0), spacing()
    )
    assert heights_at_spacing(tip, carina, spacing()) == mirrored
    assert math.isclose(mirrored.vertical.value, 1.4, rel_tol=1e-9)
