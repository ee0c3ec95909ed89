import numpy as np
import pytest

from measure.estimate import Estimate
from measure.landmarks import Landmark, Landmarks
from measure.magnification import View, plausible
from measure.patient import Patient, Sex
from measure.rough_scale import rough_spacing, tracheal_width_mm, weighed
from measure.spacing import Plane, SpacingSource
from measure.tube import Tube

MAN = Patient(60.0, Sex.MALE)
AP = plausible(View.AP)


def walls(pixels, sd_px=1.0):
    return (Landmark(900.0, 1000.0, sd_px), Landmark(900.0, 1000.0 + pixels, sd_px))


def rough(landmarks, tube=None, shape=None, patient=MAN, pixel_aspect=1.0):
    return rough_spacing(landmarks, patient, tube or Tube(), AP, shape, pixel_aspect)


def test_the_film_itself_is_the_last_resort():
    spacing = rough(Landmarks(), shape=(2500, 2048))
    assert spacing is not None
    assert (spacing.row_mm, spacing.column_mm) == (0.16, 0.16)
    assert (spacing.plane, spacing.source) == (Plane.DETECTOR, SpacingSource.ANATOMY)
    assert spacing.rough
    assert spacing.relative_sd == pytest.approx(0.15)


def test_without_a_hint_there_is_none():
    assert rough(Landmarks()) is None
    assert rough(Landmarks(), shape=(100000, 50)) is None


def test_mens_tracheas_are_as_wide_as_published():
    """Breatnach 1984: 13 to 25 mm in men, 10 to 21 in women, three standard deviations either way."""
    width = tracheal_width_mm(MAN)
    assert (width.value - 3 * width.sd, width.value + 3 * width.sd) == pytest.approx((13.0, 25.0))
    assert tracheal_width_mm(Patient(60.0)).sd > width.sd


def test_the_trachea_gives_a_scale():
    spacing = rough(Landmarks(tracheal_walls=walls(100.0)), shape=(2500, 2048))
    assert spacing is not None
    assert spacing.column_mm == pytest.approx(0.19, rel=0.001)


def test_the_tube_is_drawn_magnified():
    """Outside diameter 11.0 mm as printed, AP magnification 1.08 to 1.27, over 100 pixels."""
    spacing = rough(Landmarks(tube_walls=walls(100.0)), tube=Tube(8.0, 11.0))
    assert spacing is not None
    assert spacing.column_mm == pytest.approx(0.11 * 1.175, rel=0.001)


def test_hints_are_weighed_by_their_variance():
    """The mean of many draws that agree, and its spread."""
    random = np.random.default_rng(4)
    together = weighed([Estimate(0.2, 0.02), Estimate(0.22, 0.01)])
    weights = np.array([1 / 0.02**2, 1 / 0.01**2])
    draws = random.normal(0.21, [0.02, 0.01], (100_000, 2)) @ weights / weights.sum()
    assert together.value == pytest.approx((0.2 * weights[0] + 0.22 * weights[1]) / weights.sum())
    assert together.sd == pytest.approx(draws.std(), rel=0.02)
    spacing = rough(
        Landmarks(
            tracheal_walls=walls(100.0),
            vertebrae={"T5": Landmark(1000.0, 1.0, 2.0), "T6": Landmark(1113.0, 1.0, 2.0)},
        )
    )
    assert spacing is not None
    assert "vertebrae" in spacing.note
    assert "trachea" in spacing.note
    assert spacing.relative_sd < 0.11


def test_rows_that_are_not_as_high_as_columns_are_wide():
    spacing = rough(Landmarks(), shape=(1250, 2048), pixel_aspect=2.0)
    assert spacing is not None
    assert spacing.row_mm == pytest.approx(2.0 * spacing.column_mm)
