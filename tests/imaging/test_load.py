"""A file is taken for what it holds."""

from __future__ import annotations

import io
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from imaging.errors import FilmRefusedError, FilmUnreadableError, ImagingError
from imaging.load import load_film


def test_content_decides_and_not_the_ending(tmp_path, dicom, stored):
    png = io.BytesIO()
    Image.fromarray((stored >> 4).astype(np.uint8)).save(png, "PNG")
    (tmp_path / "film.dcm").write_bytes(png.getvalue())
    (tmp_path / "film.png").write_bytes(dicom())
    assert load_film(tmp_path / "film.dcm").format == "PNG"
    assert load_film(str(tmp_path / "film.png")).format == "DICOM"
    assert load_film(tmp_path / "film.png").name == "film.png"


def test_bytes_and_path_give_the_same_film(tmp_path, dicom):
    data = dicom()
    (tmp_path / "film").write_bytes(data)
    np.testing.assert_array_equal(load_film(data).pixels, load_film(tmp_path / "film").pixels)


def test_dicom_with_a_tiff_preamble_is_dicom(dicom):
    # PS3.10 7.1: the preamble may hold another format's header.
    assert load_film(b"II*\0" + dicom()[4:]).format == "DICOM"


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"", "an empty file"),
        (b"Just some words.\n", "a text file"),
        (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "a PDF document"),
        (b"PK\x03\x04rest", "a ZIP archive"),
        (b"\x1f\x8b\x08rest", "a gzip archive"),
        (b"GIF89arest", "a GIF picture"),
        (b"<html></html>", "a web page"),
        (bytes(range(200, 256)) * 4, "a file of unknown kind"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_is_no_film_is_named(data, found, tmp_path):
    path = tmp_path / "film.dcm"
    path.write_bytes(data)
    with pytest.raises(FilmUnreadableError, match=rf"film\.dcm: {found}.* was found.* expected\. Export"):
        load_film(path)


@pytest.mark.parametrize("data", [b"\0\0\0\x20ftypisom", b"RIFF\0\0\0\0AVI LIST", b"\x1aE\xdf\xa3rest"])
def test_video_is_refused(data):
    with pytest.raises(FilmRefusedError, match="a video was found"):
        load_film(data)


def test_folder_and_missing_file(tmp_path):
    with pytest.raises(FilmUnreadableError, match="a folder was found, one film file is expected"):
        load_film(tmp_path)
    with pytest.raises(FilmUnreadableError, match=r"nowhere\.dcm: cannot be opened"):
        load_film(tmp_path / "nowhere.dcm")


STARTS = st.sampled_from(
    [b"", b"\0" * 128 + b"DICM", b"\x08\0\x05\0", b"\0\x08\0\x05", b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"II*\0"]
)


@given(STARTS, st.binary(max_size=400))
@settings(max_examples=200, deadline=None)
def test_rubbish_of_any_kind_is_answered(start, rest):
    with pytest.raises(ImagingError, match="expected"):
        load_film(start + rest)


@pytest.mark.parametrize("orientation", [["L", "F"], ["R", "F"], ["F", "L"]], ids="".join)
@pytest.mark.parametrize("voi", [{}, {"WindowCenter": 2000, "WindowWidth": 3000, "VOILUTFunction": "SIGMOID"}])
def test_peak_memory_stays_below_6_times_the_pixels(orientation, voi, dicom, tmp_path):
    # The limit that the project sets itself; numpy and pydicom report their memory to tracemalloc.
    pixels = np.random.default_rng(5).integers(0, 4096, (1500, 1200)).astype(np.uint16)
    path = tmp_path / "film"
    path.write_bytes(dicom(pixels, PatientOrientation=orientation, **voi))
    load_film(path)
    tracemalloc.start()
    try:
        load_film(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 6 * pixels.nbytes
