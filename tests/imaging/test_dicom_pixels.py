"""Decoding against pydicom's own files and decoders, and against encoders that are not the decoders."""

from __future__ import annotations

import io
import warnings
from pathlib import Path

import numpy as np
import pydicom
import pytest
from PIL import Image
from pydicom.data import get_testdata_file
from pydicom.encaps import encapsulate
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGLosslessSV1,
    JPEGLSLossless,
    RLELossless,
)

from imaging.dicom import read_dataset
from imaging.dicom_pixels import decode
from imaging.errors import FilmUnreadableError
from imaging.header import quiet
from imaging.load import load_film


def stored_in(name):
    path = get_testdata_file(name, download=False)
    assert path is not None, f"{name} is expected in pydicom's wheel"
    with quiet():
        return decode(pydicom.dcmread(path))[0]


@pytest.mark.parametrize(
    ("name", "uncompressed"),
    [
        ("MR_small_RLE.dcm", "MR_small.dcm"),
        ("MR_small_jp2klossless.dcm", "MR_small.dcm"),
        ("MR_small_jpeg_ls_lossless.dcm", "MR_small.dcm"),
        ("MR_small_bigendian.dcm", "MR_small.dcm"),
        ("MR_small_expb.dcm", "MR_small.dcm"),
        ("MR_small_implicit.dcm", "MR_small.dcm"),
        ("MR_small_padded.dcm", "MR_small.dcm"),
    ],
)
def test_compressed_file_decodes_to_its_uncompressed_twin(name, uncompressed):
    np.testing.assert_array_equal(stored_in(name), stored_in(uncompressed))


@pytest.mark.parametrize(
    "name",
    [
        "CT_small.dcm",
        "MR_small.dcm",
        "image_dfl.dcm",
        "examples_overlay.dcm",
        "693_J2KI.dcm",
        "J2K_pixelrep_mismatch.dcm",
        "JPEG2000.dcm",
        "JPGExtended.dcm",
        "JPEGLSNearLossless_08.dcm",
        "JPEGLSNearLossless_16.dcm",
    ],
)
def test_file_decodes_as_pydicom_does(name):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        expected = pydicom.dcmread(get_testdata_file(name, download=False)).pixel_array
    np.testing.assert_array_equal(stored_in(name), expected)


@pytest.mark.parametrize("name", ["SC_rgb_rle.dcm", "SC_rgb_jpeg_gdcm.dcm", "SC_rgb_jpeg_dcmtk.dcm"])
def test_colour_file_becomes_its_brightness(name):
    # ITU-R BT.601 luminance, by Pillow's own conversion.
    colour = pydicom.dcmread(get_testdata_file(name, download=False))
    rgb = pydicom.pixels.pixel_array(colour)
    expected = np.asarray(Image.fromarray(rgb).convert("L"), int)
    assert np.abs(stored_in(name).astype(int) - expected).max() <= 1


def jpeg_lossless(pixels, precision):
    """Encode by ITU-T T.81 annex H, predictor 1, with one flat Huffman table: written for this test alone."""
    rows, columns = pixels.shape
    bits = []

    def put(value, count):
        bits.extend((value >> shift) & 1 for shift in range(count - 1, -1, -1))

    for row in range(rows):
        for column in range(columns):
            if column:
                predicted = int(pixels[row, column - 1])
            else:
                predicted = int(pixels[row - 1, 0]) if row else 1 << (precision - 1)
            difference = int(pixels[row, column]) - predicted
            category = abs(difference).bit_length()
            put(category, 5)
            put(difference if difference > 0 else difference + (1 << category) - 1, category)
    bits.extend([1] * (-len(bits) % 8))
    entropy = np.packbits(np.array(bits, np.uint8)).tobytes().replace(b"\xff", b"\xff\x00")
    frame = bytes([precision]) + rows.to_bytes(2, "big") + columns.to_bytes(2, "big") + bytes([1, 1, 0x11, 0])
    huffman = bytes([0, 0, 0, 0, 0, 17] + [0] * 11) + bytes(range(17))
    scan = bytes([1, 1, 0, 1, 0, 0])

    def segment(marker, body):
        return bytes([0xFF, marker]) + (len(body) + 2).to_bytes(2, "big") + body

    return (
        b"\xff\xd8" + segment(0xC3, frame) + segment(0xC4, huffman) + segment(0xDA, scan) + entropy + b"\xff\xd9"
    )


def encapsulated(film, frame, syntax):
    film.PixelData = encapsulate([frame + b"\0" * (len(frame) % 2)])
    film["PixelData"].VR = "OB"
    film["PixelData"].is_undefined_length = True
    film.file_meta.TransferSyntaxUID = syntax
    return film


PLAIN = (ImplicitVRLittleEndian, ExplicitVRLittleEndian, ExplicitVRBigEndian, DeflatedExplicitVRLittleEndian)


@pytest.mark.parametrize("syntax", PLAIN, ids=lambda uid: uid.name)
@pytest.mark.parametrize("preamble", [True, False], ids=["preamble", "no preamble"])
def test_film_of_every_plain_syntax(syntax, preamble, dataset, file_bytes, stored):
    film = load_film(file_bytes(dataset(), syntax=syntax, preamble=preamble))
    np.testing.assert_allclose(film.pixels, stored / 4095.0, atol=1e-6)


@pytest.mark.parametrize("syntax", PLAIN[:3], ids=lambda uid: uid.name)
def test_bare_data_set_without_meta_header(syntax, dataset, stored):
    film = dataset()
    if syntax == ExplicitVRBigEndian:
        film.PixelData = stored.astype(">u2").tobytes()
    buffer = io.BytesIO()
    del film.file_meta
    pydicom.dcmwrite(buffer, film, implicit_vr=syntax.is_implicit_VR, little_endian=syntax.is_little_endian)
    np.testing.assert_allclose(load_film(buffer.getvalue()).pixels, stored / 4095.0, atol=1e-6)


@pytest.mark.parametrize("syntax", [RLELossless, JPEGLSLossless, JPEG2000Lossless], ids=lambda uid: uid.name)
@pytest.mark.parametrize("kind", [np.uint16, np.int16], ids=["unsigned", "signed"])
def test_film_of_every_lossless_syntax_with_an_encoder(syntax, kind, dataset, file_bytes, stored):
    stored = np.tile(stored, (2, 3))  # OpenJPEG's six resolutions need more than 32 pixels.
    pixels = (stored.astype(np.int32) - (2048 if kind is np.int16 else 0)).astype(kind)
    film = dataset(pixels)
    film.compress(syntax)
    shown = load_film(file_bytes(film, syntax=syntax)).pixels
    np.testing.assert_allclose(shown, stored / 4095.0, atol=1e-6)


@pytest.mark.parametrize("precision", [8, 12, 16])
def test_film_in_jpeg_lossless(precision, dataset, file_bytes, stored):
    pixels = (stored >> 4).astype(np.uint8) if precision == 8 else stored
    film = dataset(pixels, BitsStored=precision, HighBit=precision - 1)
    film = encapsulated(film, jpeg_lossless(pixels, precision), JPEGLosslessSV1)
    shown = load_film(file_bytes(film, syntax=JPEGLosslessSV1)).pixels
    np.testing.assert_allclose(shown, pixels / pixels.max(), atol=1e-6)


def test_film_in_jpeg_baseline(dataset, file_bytes, stored):
    pixels = (stored >> 4).astype(np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "JPEG", quality=95)
    expected = np.asarray(Image.open(io.BytesIO(buffer.getvalue())), int)  # libjpeg-turbo, by Pillow
    film = encapsulated(dataset(pixels, WindowCenter=128, WindowWidth=256), buffer.getvalue(), JPEGBaseline8Bit)
    shown = load_film(file_bytes(film, syntax=JPEGBaseline8Bit)).pixels
    assert np.abs(shown * 255.0 - expected).max() <= 1.01


def test_unused_bits_take_no_part(dataset, stored):
    # PS3.5 8.1.1: bits beyond those stored may hold anything, formerly overlays.
    dirty = stored | np.uint16(0xA000)
    np.testing.assert_array_equal(decode(dataset(dirty))[0], stored)
    shifted = dataset((stored << 4).astype(np.uint16), HighBit=15)
    np.testing.assert_array_equal(decode(shifted)[0], stored)


def test_sign_bit_of_fewer_bits_is_extended(dataset):
    pixels = np.array([[0x0FFF, 0x0800], [0x0000, 0x07FF]], np.int16)
    np.testing.assert_array_equal(decode(dataset(pixels))[0], [[-1, -2048], [0, 2047]])


def test_odd_8_bit_film(dataset, file_bytes):
    pixels = np.arange(15, dtype=np.uint8).reshape(3, 5)
    for syntax in (ExplicitVRLittleEndian, ExplicitVRBigEndian):
        shown = load_film(file_bytes(dataset(pixels), syntax=syntax)).pixels
        np.testing.assert_allclose(shown, pixels / 14.0, atol=1e-6)


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9, 0.99])
@pytest.mark.parametrize("syntax", [None, JPEG2000Lossless, DeflatedExplicitVRLittleEndian])
def test_film_cut_short_is_unreadable(share, syntax, dataset, file_bytes):
    film = dataset(np.random.default_rng(1).integers(0, 4096, (64, 64)).astype(np.uint16))
    if syntax == JPEG2000Lossless:
        film.compress(syntax)
    whole = file_bytes(film, syntax=syntax)
    with pytest.raises(FilmUnreadableError, match="expected"):
        load_film(whole[: int(len(whole) * share)])


def test_pydicoms_truncated_file_is_unreadable():
    path = get_testdata_file("MR_truncated.dcm", download=False)
    with quiet():
        dataset = read_dataset(Path(path), "MR_truncated.dcm")
    with pytest.raises(FilmUnreadableError, match="8130 bytes of pixel data were found, 8192 are expected"):
        decode(dataset)
