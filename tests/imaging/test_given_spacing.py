"""The user's spacing goes before a known object's, that before the header's."""

from __future__ import annotations

import pytest

from imaging.film import Film
from imaging.given_spacing import with_known_object, with_tube_width, with_user_spacing
from imaging.load import load_film
from measure.errors import MeasureError
from measure.landmarks import KnownObject, Landmark
from measure.spacing import Plane, SpacingSource


@pytest.fixture
def film(dicom) -> Film:
    return load_film(dicom(ImagerPixelSpacing=[0.2, 0.2], EstimatedRadiographicMagnificationFactor="1.1", Rows=40))


def known(length_mm, row=0.0, column=0.0, sd_px=0.1):
    return KnownObject(Landmark(0, 0, sd_px), Landmark(row, column, sd_px), length_mm)


def test_users_spacing_holds_at_the_detector_and_goes_first(film):
    given = with_user_spacing(film, 0.2)
    assert (given.spacing.row_mm, given.spacing.column_mm) == (0.2, 0.2)
    assert (given.spacing.source, given.spacing.plane) == (SpacingSource.USER, Plane.DETECTOR)
    assert given.notes == film.notes
    assert with_known_object(given, known(11.0, column=60.0)).spacing == given.spacing


@pytest.mark.parametrize(("value", "noted"), [(0.2, False), (0.209, False), (0.212, True), (0.15, True)])
def test_contradiction_above_5_percent_is_noted(value, noted, film):
    assert (with_user_spacing(film, value).notes != film.notes) == noted


def test_rows_come_first_and_a_single_value_keeps_the_pixels_shape(dicom):
    flat = load_film(dicom(PixelAspectRatio=["3", "2"]))
    one = with_user_spacing(flat, 0.2)
    assert (one.spacing.row_mm, one.spacing.column_mm) == (pytest.approx(0.3), 0.2)
    two = with_user_spacing(flat, (0.1, 0.2))
    assert (two.spacing.row_mm, two.spacing.column_mm, two.pixel_aspect) == (0.1, 0.2, 0.5)


@pytest.mark.parametrize("value", [0.0, -0.2, 20.0, float("nan")])
def test_absurd_value_is_refused(value, film):
    with pytest.raises(MeasureError, match="a chest film has"):
        with_user_spacing(film, value)


def test_known_object_goes_before_the_header_and_holds_in_the_patient(film):
    # 10.9 mm over 60 pixels: 0.1817 mm in the patient, 0.2 mm at the detector at a magnification of 1.1.
    measured = with_known_object(film, known(10.9, column=60.0))
    assert measured.spacing.column_mm == pytest.approx(10.9 / 60.0)
    assert (measured.spacing.source, measured.spacing.plane) == (SpacingSource.KNOWN_OBJECT, Plane.PATIENT)
    assert measured.notes == film.notes


def test_known_object_that_contradicts_the_header_is_noted(film):
    notes = with_known_object(film, known(14.0, column=60.0)).notes
    assert "known object" in notes[-1]
    assert "Imager Pixel Spacing" in notes[-1]


def test_known_object_that_contradicts_the_user_leaves_the_users_value(film):
    given = with_user_spacing(film, 0.2)
    checked = with_known_object(given, known(20.0, column=60.0))
    assert checked.spacing == given.spacing
    assert "the one by user is used" in checked.notes[-1]


def test_known_object_across_pixels_that_are_not_square(dicom):
    flat = load_film(dicom(PixelAspectRatio=["3", "2"]))
    spacing = with_known_object(flat, known(5.0, row=10.0, column=20.0)).spacing
    # Rows 0.3, columns 0.2: 3 mm down, 4 mm across, 5 mm in all.
    assert (spacing.row_mm, spacing.column_mm) == (pytest.approx(0.3), pytest.approx(0.2))


def test_the_tubes_width_serves_where_nothing_else_does(dicom):
    film = load_film(dicom())
    measured = with_tube_width(film, known(10.8, column=60.0)).spacing
    assert film.spacing is None
    assert measured.column_mm == pytest.approx(0.18)
    assert (measured.source, measured.plane) == (SpacingSource.KNOWN_OBJECT, Plane.PATIENT)
    assert measured.note == "the tube's outside diameter of 10.8 mm, marked on the film"


def test_beside_the_header_the_tubes_width_is_a_check(film):
    # At the detector 10.9 mm over 60 pixels are 0.2 mm at a magnification of 1.1, as the header says.
    assert with_tube_width(film, known(10.9, column=60.0)).notes == film.notes
    checked = with_tube_width(film, known(14.0, column=60.0))
    assert checked.spacing == film.spacing
    assert "the one by Imager Pixel Spacing is used" in checked.notes[-1]
