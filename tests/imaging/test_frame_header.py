"""Sizes that encoded pictures tell, against the encoders that wrote them."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image
from pydicom.encaps import get_frame
from pydicom.uid import JPEG2000Lossless, JPEGLSLossless

from imaging.frame_header import FrameHeader, read_frame_header


@pytest.mark.parametrize("syntax", [JPEGLSLossless, JPEG2000Lossless], ids=lambda uid: uid.name)
def test_size_that_an_encoder_wrote(syntax, dataset):
    film = dataset(np.zeros((80, 70), np.uint16))
    film.compress(syntax)
    assert read_frame_header(get_frame(film.PixelData, 0, number_of_frames=1)) == FrameHeader(80, 70, 1)


@pytest.mark.parametrize(("mode", "samples"), [("L", 1), ("RGB", 3)])
@pytest.mark.parametrize("progressive", [False, True])
def test_size_of_a_jpeg_with_other_segments_before(mode, samples, progressive):
    buffer = io.BytesIO()
    exif = Image.Exif()
    exif[0x010E] = "x" * 1000
    picture = Image.new(mode, (33, 21))
    picture.save(buffer, "JPEG", exif=exif, comment=b"\xff\xc0 no frame", progressive=progressive)
    assert read_frame_header(buffer.getvalue()) == FrameHeader(21, 33, samples)


def test_size_of_a_boxed_jpeg_2000():
    buffer = io.BytesIO()
    Image.new("RGB", (33, 21)).save(buffer, "JPEG2000")
    assert read_frame_header(buffer.getvalue()) == FrameHeader(21, 33, 3)


@pytest.mark.parametrize(
    "encoded",
    [
        b"",
        b"\xff\xd8",
        b"\xff\xd8\xff",
        b"\xff\xd8\xff\xc0\0\x11\x08",
        b"\xff\x4f\xff\x51\0",
        b"\xff\xd8" + b"\xff" * 99,
        b"\xff\xd8\xff\xe0\0\0" * 3,
        b"\0\0\0\x0cjP  \r\n\x87\n",
        b"rubbish",
    ],
)
def test_what_tells_no_size(encoded):
    assert read_frame_header(encoded) is None
