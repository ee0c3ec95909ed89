"""Spacing by PS3.3 10.7 and magnification, case by case."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom import Dataset

from imaging.header_spacing import read_magnification, read_spacing
from imaging.load import load_film
from measure.magnification import View, plausible
from measure.spacing import Plane, SpacingSource

SHAPE = (3000, 2500)


def header(**attributes):
    dataset = Dataset()
    for keyword, value in attributes.items():
        setattr(dataset, keyword, value)
    return dataset


def raw(keyword, value):
    """A data set with one attribute as raw text, past pydicom's own checks."""
    from pydicom.datadict import tag_for_keyword
    from pydicom.dataelem import RawDataElement
    from pydicom.tag import Tag

    tag = Tag(tag_for_keyword(keyword))
    data = value.encode()
    return Dataset({tag: RawDataElement(tag, "DS", len(data), data, 0, False, True)})


def test_imager_pixel_spacing_holds_at_the_detector():
    # PS3.3 C.8.11.4 (0018,1164): at the front plane of the detector housing.
    spacing = read_spacing(header(ImagerPixelSpacing=[0.139, 0.139]), SHAPE).spacing
    assert (spacing.row_mm, spacing.column_mm) == (0.139, 0.139)
    assert (spacing.plane, spacing.source) == (Plane.DETECTOR, SpacingSource.IMAGER_PIXEL_SPACING)


def test_nominal_scanned_spacing_holds_at_the_film():
    # PS3.3 C.8.6.2 (0018,2010), for digitised film.
    spacing = read_spacing(header(NominalScannedPixelSpacing=[0.1, 0.1]), SHAPE).spacing
    assert (spacing.plane, spacing.source) == (Plane.DETECTOR, SpacingSource.NOMINAL_SCANNED_PIXEL_SPACING)


def test_rows_come_first():
    # PS3.3 10.7.1.3: row spacing first, then column spacing.
    found = read_spacing(header(PixelSpacing=[0.2, 0.1]), SHAPE)
    assert (found.spacing.row_mm, found.spacing.column_mm, found.pixel_aspect) == (0.2, 0.1, 2.0)


def test_pixel_spacing_equal_to_the_imagers_is_not_corrected():
    # PS3.3 10.7.1.1.
    found = read_spacing(header(PixelSpacing=[0.139, 0.139], ImagerPixelSpacing=[0.139, 0.139]), SHAPE)
    assert (found.spacing.plane, found.spacing.source) == (Plane.DETECTOR, SpacingSource.PIXEL_SPACING)
    assert found.notes == ()


@pytest.mark.parametrize("kind", ["", "GEOMETRY", "FIDUCIAL"])
def test_pixel_spacing_that_differs_is_corrected(kind):
    # PS3.3 10.7.1.1: if they differ, Pixel Spacing has been corrected or calibrated.
    found = read_spacing(
        header(PixelSpacing=[0.12, 0.12], ImagerPixelSpacing=[0.139, 0.139], PixelSpacingCalibrationType=kind),
        SHAPE,
    )
    assert (found.spacing.row_mm, found.spacing.plane) == (0.12, Plane.PATIENT)
    assert found.notes == ()
    assert kind in found.spacing.note


@pytest.mark.parametrize("kind", ["GEOMETRY", "FIDUCIAL"])
def test_calibration_type_without_the_imagers(kind):
    # PS3.3 10.7.1.2.
    found = read_spacing(header(PixelSpacing=[0.12, 0.12], PixelSpacingCalibrationType=kind), SHAPE)
    assert found.spacing.plane is Plane.PATIENT


def test_pixel_spacing_alone_may_be_either():
    # PS3.3 10.7.1.2: then it cannot be known whether a correction was made.
    found = read_spacing(header(PixelSpacing=[0.12, 0.12]), SHAPE)
    assert found.spacing.plane is Plane.UNKNOWN
    assert "10.7.1.2" in found.spacing.note


def test_calibration_type_that_corrects_nothing_is_caught():
    found = read_spacing(
        header(PixelSpacing=[0.139] * 2, ImagerPixelSpacing=[0.139] * 2, PixelSpacingCalibrationType="GEOMETRY"),
        SHAPE,
    )
    assert found.spacing.plane is Plane.DETECTOR
    assert "GEOMETRY" in found.notes[0]


def test_nothing_proves_nothing():
    found = read_spacing(header(), SHAPE)
    assert (found.spacing, found.pixel_aspect, found.notes) == (None, 1.0, ())


@pytest.mark.parametrize(
    "values", [[0.0, 0.0], [-0.139, 0.139], [0.139, 0.0], [0.01, 0.01], [139.0, 139.0], [1.5, 1.5]]
)
def test_absurd_values_are_caught(values):
    # Believed: a pixel outside 0.05 to 2 mm; 1.5 mm would make a film of 4.5 m.
    found = read_spacing(header(PixelSpacing=values), SHAPE)
    assert found.spacing is None
    assert "Pixel Spacing" in found.notes[0]
    assert "give the right value yourself" in found.notes[0]


@pytest.mark.parametrize("text", ["abc\\0.1", "0.1\\", "nan\\nan", "0.1\\0.2\\0.3", "inf\\0.1", "1e400\\0.1"])
def test_unreadable_values_are_caught(text):
    found = read_spacing(raw("PixelSpacing", text), SHAPE)
    assert found.spacing is None
    assert found.notes


@pytest.mark.parametrize("text", ["0.139", "0.139\\0.139\\0.139", "0.13900000000000000000001\\0.139"])
def test_repeated_single_or_overlong_values_are_read(text):
    found = read_spacing(raw("PixelSpacing", text), SHAPE)
    assert (found.spacing.row_mm, found.spacing.column_mm) == (0.139, 0.139)
    assert bool(found.notes) == (text.count("\\") != 1)


def test_absurd_pixel_spacing_gives_way_to_the_imagers():
    found = read_spacing(header(PixelSpacing=[0, 0], ImagerPixelSpacing=[0.2, 0.2]), SHAPE)
    assert (found.spacing.row_mm, found.spacing.source) == (0.2, SpacingSource.IMAGER_PIXEL_SPACING)
    assert len(found.notes) == 1


def test_swapped_values_are_caught():
    found = read_spacing(header(PixelSpacing=[0.1, 0.15], ImagerPixelSpacing=[0.15, 0.1]), SHAPE)
    assert "swapped" in found.notes[0]
    assert (found.spacing.row_mm, found.spacing.source) == (0.15, SpacingSource.IMAGER_PIXEL_SPACING)
    assert found.spacing.relative_sd > 0.05


@pytest.mark.parametrize("pixel", [0.16, 0.19, 0.06])
def test_impossible_correction_is_caught(pixel):
    # What lies before the detector is drawn larger: the corrected spacing is smaller, by 1.6 at most.
    found = read_spacing(header(PixelSpacing=[pixel] * 2, ImagerPixelSpacing=[0.139] * 2), SHAPE)
    assert (found.spacing.row_mm, found.spacing.plane) == (0.139, Plane.DETECTOR)
    assert "contradict" in found.notes[0]
    assert found.spacing.relative_sd > 0.04


def test_correction_that_changes_the_pixels_shape_is_caught():
    found = read_spacing(header(PixelSpacing=[0.12, 0.13], ImagerPixelSpacing=[0.139] * 2), SHAPE)
    assert "shape" in found.notes[0]
    assert found.spacing.plane is Plane.DETECTOR


def test_small_film_is_flagged():
    found = read_spacing(header(ImagerPixelSpacing=[0.139] * 2), (256, 256))
    assert "crop" in found.notes[0]


def test_pixel_aspect_ratio_is_vertical_over_horizontal():
    # PS3.3 C.7.6.3.1.7: 0.30 mm high, 0.25 mm wide is 6\5.
    found = read_spacing(header(PixelAspectRatio=["6", "5"]), SHAPE)
    assert found.spacing is None
    assert found.pixel_aspect == pytest.approx(0.30 / 0.25)


@pytest.mark.parametrize("ratio", [["0", "1"], ["-1", "1"], ["9", "1"]])
def test_absurd_pixel_aspect_ratio_is_caught(ratio):
    found = read_spacing(header(PixelAspectRatio=ratio), SHAPE)
    assert found.pixel_aspect == 1.0
    assert found.notes


def test_aspect_ratio_that_contradicts_the_spacing_is_caught():
    found = read_spacing(header(PixelAspectRatio=["2", "1"], ImagerPixelSpacing=[0.1, 0.1]), SHAPE)
    assert found.pixel_aspect == 1.0
    assert "contradicts" in found.notes[0]


@given(st.floats(0.06, 0.2), st.floats(0.06, 0.2))
@settings(max_examples=30, deadline=None)
def test_swapping_axes_swaps_the_spacing(row, column):
    across = read_spacing(header(ImagerPixelSpacing=[f"{row:.6f}", f"{column:.6f}"]), (2000, 2000))
    down = read_spacing(header(ImagerPixelSpacing=[f"{column:.6f}", f"{row:.6f}"]), (2000, 2000))
    assert across.spacing.row_mm == down.spacing.column_mm
    assert across.pixel_aspect == pytest.approx(1.0 / down.pixel_aspect)


def test_quarter_turned_film_keeps_its_lengths(dicom, stored):
    # The film written with its axes swapped, and the header to prove it, is the same film.
    upright = load_film(dicom(stored, ImagerPixelSpacing=[0.2, 0.1]))
    turned = load_film(
        dicom(np.ascontiguousarray(stored.T), ImagerPixelSpacing=[0.1, 0.2], PatientOrientation=["F", "L"])
    )
    np.testing.assert_array_equal(turned.pixels, upright.pixels)
    assert (turned.spacing.row_mm, turned.spacing.column_mm) == (0.2, 0.1)
    assert turned.pixel_aspect == upright.pixel_aspect == 2.0


def test_quarter_turned_film_keeps_its_pixel_aspect_ratio(dicom, stored):
    film = load_film(
        dicom(np.ascontiguousarray(stored.T), PixelAspectRatio=["1", "2"], PatientOrientation=["F", "L"])
    )
    assert film.pixel_aspect == 2.0


def test_stated_factor():
    # PS3.3 C.8.11.5 (0018,1114): distance source to detector over distance source to patient.
    found, notes = read_magnification(header(EstimatedRadiographicMagnificationFactor="1.12"), View.AP)
    assert (found.factor.value, found.known, notes) == (1.12, True, ())


def test_factor_from_the_two_distances():
    found, notes = read_magnification(
        header(DistanceSourceToDetector="1150", DistanceSourceToPatient="1000"), View.AP
    )
    assert found.factor.value == pytest.approx(1.15)
    assert (found.known, notes) == (True, ())


def test_nothing_stated_gives_the_views_range():
    for view in View:
        assert read_magnification(header(), view) == (plausible(view), ())


@pytest.mark.parametrize(
    "attributes",
    [
        {"EstimatedRadiographicMagnificationFactor": "0"},
        {"EstimatedRadiographicMagnificationFactor": "-1.1"},
        {"EstimatedRadiographicMagnificationFactor": "1"},
        {"EstimatedRadiographicMagnificationFactor": "0.87"},
        {"EstimatedRadiographicMagnificationFactor": "3"},
        {"DistanceSourceToDetector": "1000", "DistanceSourceToPatient": "1150"},
        {"DistanceSourceToDetector": "0", "DistanceSourceToPatient": "0"},
        {"DistanceSourceToDetector": "-1800", "DistanceSourceToPatient": "-1600"},
        {"DistanceSourceToDetector": "180", "DistanceSourceToPatient": "160"},
        {"DistanceSourceToDetector": "1800", "DistanceSourceToPatient": "1800"},
        {"DistanceSourceToDetector": "1800", "DistanceSourceToPatient": "600"},
        {
            "EstimatedRadiographicMagnificationFactor": "1.3",
            "DistanceSourceToDetector": "1800",
            "DistanceSourceToPatient": "1700",
        },
    ],
    ids=str,
)
def test_senseless_geometry_is_caught(attributes):
    found, notes = read_magnification(header(**attributes), View.PA)
    assert found == plausible(View.PA)
    assert "plausible range" in notes[0]


def test_distances_step_in_for_a_default_factor():
    found, notes = read_magnification(
        header(
            EstimatedRadiographicMagnificationFactor="1",
            DistanceSourceToDetector="1800",
            DistanceSourceToPatient="1680",
        ),
        View.PA,
    )
    assert found.factor.value == pytest.approx(1800 / 1680)
    assert "Distance Source" in notes[0]
    assert "plausible" not in notes[0]
