"""The same CT films as DICOM files: what comes in through the front door is what was projected."""

from __future__ import annotations

import numpy as np
import pytest

from imaging.load import load_film
from measure.assess import Case, assess
from measure.landmarks import Landmark, Landmarks
from measure.magnification import View
from measure.spacing import Plane, SpacingSource

pytestmark = pytest.mark.outside

AGREES_WITHIN_MM = 2.0


def measured(loaded, truth):
    marks = Landmarks(tip=Landmark(*truth.tip, sd_px=0.0), carina=Landmark(*truth.carina, sd_px=0.0))
    case = Case(
        film=loaded.name,
        landmarks=marks,
        spacing=loaded.spacing,
        magnification=loaded.magnification,
        view=loaded.view,
        patient=loaded.patient,
    )
    return assess(case).distance.in_patient


def test_pixels_and_header_come_through(ct_film):
    truth = ct_film(30.0)
    loaded = load_film(truth.dicom(with_geometry=True))
    assert loaded.view is View.AP
    assert loaded.spacing.source is SpacingSource.IMAGER_PIXEL_SPACING
    assert loaded.spacing.plane is Plane.DETECTOR
    assert loaded.magnification.known
    assert loaded.magnification.factor.value == pytest.approx(truth.magnification, rel=1e-4)
    assert loaded.shape == truth.pixels.shape
    # Stored in 12 bits: half a step of rounding, plus whatever the window's edges cut (PS3.3 C.11.2.1.2).
    np.testing.assert_allclose(loaded.pixels, truth.pixels, atol=2.0 / 4095.0)


@pytest.mark.parametrize("tip_mm", [10.0, 30.0, 50.0])
def test_a_file_with_geometry_gives_the_true_distance(ct_film, tip_mm):
    truth = ct_film(tip_mm)
    distance = measured(load_film(truth.dicom(with_geometry=True)), truth)
    assert 10.0 * distance.value == pytest.approx(tip_mm, abs=AGREES_WITHIN_MM)


@pytest.mark.parametrize("tip_mm", [10.0, 30.0, 50.0])
def test_a_file_without_geometry_gives_an_interval_that_contains_the_truth(ct_film, tip_mm):
    truth = ct_film(tip_mm)
    loaded = load_film(truth.dicom(with_geometry=False))
    distance = measured(loaded, truth)
    assert not loaded.magnification.known
    assert distance.low < tip_mm / 10.0 < distance.high
