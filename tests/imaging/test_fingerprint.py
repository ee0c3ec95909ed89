"""The same film has the same fingerprint, however it is shown or packed."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import numpy as np
import pytest
from pydicom.uid import ExplicitVRBigEndian

from imaging.film import Film, pixel_sha256
from imaging.load import load_film

UID = "1.2.826.0.1.3680043.8.498.77"


def test_a_window_and_a_name_change_nothing(dicom):
    plain = load_film(dicom(SOPInstanceUID=UID))
    shown = load_film(dicom(SOPInstanceUID=UID, WindowCenter=300, WindowWidth=200, PatientName="X", PatientID="1"))
    assert not np.array_equal(plain.pixels, shown.pixels)
    assert plain.fingerprint == shown.fingerprint
    assert len(plain.fingerprint) == 64


def test_a_pixel_or_another_uid_changes_it(dicom, stored):
    one = load_film(dicom(SOPInstanceUID=UID)).fingerprint
    other = stored.copy()
    other[20, 20] += 1
    assert load_film(dicom(other, SOPInstanceUID=UID)).fingerprint != one
    assert load_film(dicom(SOPInstanceUID=UID + ".1")).fingerprint != one


def test_byte_order_changes_nothing(dataset, file_bytes):
    little = load_film(file_bytes(dataset(SOPInstanceUID=UID)))
    big = load_film(file_bytes(dataset(SOPInstanceUID=UID), syntax=ExplicitVRBigEndian))
    assert little.fingerprint == big.fingerprint


@pytest.mark.outside
def test_it_is_what_anyone_can_recompute(dicom, stored):
    """FIPS 180-4 by hashlib over the bytes that were put into the file; docs/films.md has the recipe."""
    film = load_film(dicom(SOPInstanceUID=UID))
    pixels = hashlib.sha256(f"u2 {stored.shape}".encode() + stored.astype("<u2").tobytes()).hexdigest()
    assert film.fingerprint == hashlib.sha256(f"{pixels} {UID}".encode()).hexdigest()


def test_shape_and_type_count():
    flat = np.arange(12, dtype=np.uint16)
    assert pixel_sha256(flat.reshape(3, 4)) != pixel_sha256(flat.reshape(4, 3))
    assert pixel_sha256(flat.reshape(3, 4)) != pixel_sha256(flat.reshape(3, 4).view(np.int16))


def test_a_film_without_stored_values_goes_by_its_own():
    film = Film(np.zeros((4, 5), np.float32))
    assert film.fingerprint == replace(film, name="other").fingerprint
    assert film.fingerprint != replace(film, pixels=np.ones((4, 5), np.float32)).fingerprint


def test_the_issuer_of_the_id_is_read(dicom):
    assert load_film(dicom(IssuerOfPatientID="Ward 7")).identifiers.issuer_of_patient_id == "Ward 7"
