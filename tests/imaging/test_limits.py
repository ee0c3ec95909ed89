"""Forged films end in a clear refusal, soon and without much memory."""

from __future__ import annotations

import contextlib
import io
import os
import resource
import struct
import subprocess
import sys
import zlib

import numpy as np
import pydicom
import pytest
import tifffile
from PIL import Image
from pydicom.encaps import encapsulate
from pydicom.uid import DeflatedExplicitVRLittleEndian, JPEG2000Lossless, JPEGBaseline8Bit

from imaging.errors import FilmRefusedError, FilmUnreadableError, ImagingError
from imaging.limits import LARGEST_FILE_BYTES, LARGEST_INFLATED_BYTES, LARGEST_PIXEL_COUNT, MOST_READS
from imaging.load import load_film, looks_like_film

READ_AND_TELL = """
import sys, time
start = time.monotonic()
from imaging.errors import ImagingError
from imaging.load import load_film
try:
    load_film(sys.argv[1])
    print("read")
except ImagingError as error:
    print(error)
# Not getrusage's maximum, which begins with that of the process that started this one.
peak = next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(int(peak) * 1024, time.monotonic() - start)
"""


@pytest.fixture
def read_apart(tmp_path):
    """Read a file in a process of its own; gives what was said, the largest process's bytes and the seconds."""

    def read(data):
        path = tmp_path / "forged"
        path.write_bytes(data)
        done = subprocess.run(
            [sys.executable, "-c", READ_AND_TELL, path], capture_output=True, text=True, timeout=60
        )
        assert done.returncode == 0, done.stderr
        *said, figures = done.stdout.splitlines()
        size, seconds = figures.split()
        return " ".join(said), int(size), float(seconds)

    return read


def jpeg_of(rows, columns):
    """A small JPEG whose frame header tells another size."""
    buffer = io.BytesIO()
    Image.new("L", (8, 8)).save(buffer, "JPEG")
    data = bytearray(buffer.getvalue())
    place = data.index(b"\xff\xc0")
    data[place + 5 : place + 9] = struct.pack(">HH", rows, columns)
    return bytes(data)


def j2k_of(rows, columns):
    """A small JPEG 2000 codestream whose SIZ tells another size, of the picture and of its tiles."""
    buffer = io.BytesIO()
    Image.new("L", (64, 64)).save(buffer, "JPEG2000", no_jp2=True)
    data = bytearray(buffer.getvalue())
    data[8:16] = data[24:32] = struct.pack(">II", columns, rows)
    return bytes(data)


def film_with(frame, syntax, dataset, file_bytes, rows=8, columns=8):
    film = dataset(np.zeros((8, 8), np.uint8), Rows=rows, Columns=columns)
    film.PixelData = encapsulate([frame + b"\0" * (len(frame) % 2)])
    film["PixelData"].is_undefined_length = True
    return file_bytes(film, syntax=syntax)


@pytest.mark.parametrize("size", [(0, 8), (65535, 65535)])
def test_jpeg_of_another_size_than_the_header_never_reaches_the_decoder(size, dataset, file_bytes, read_apart):
    said, most_bytes, seconds = read_apart(film_with(jpeg_of(*size), JPEGBaseline8Bit, dataset, file_bytes))
    assert f"an encoded picture of {size[0]} x {size[1]} pixels" in said
    assert most_bytes < 300e6
    assert seconds < 10


def test_jpeg_2000_of_another_size_never_reaches_the_decoder(dataset, file_bytes, read_apart):
    said, most_bytes, seconds = read_apart(film_with(j2k_of(60000, 60000), JPEG2000Lossless, dataset, file_bytes))
    assert "an encoded picture of 60000 x 60000 pixels" in said
    assert most_bytes < 300e6
    assert seconds < 10


def test_header_and_frame_that_both_tell_too_much_are_refused(dataset, file_bytes):
    forged = film_with(jpeg_of(60000, 60000), JPEGBaseline8Bit, dataset, file_bytes, rows=60000, columns=60000)
    with pytest.raises(
        FilmRefusedError, match=f"60000 x 60000 pixels were found; {LARGEST_PIXEL_COUNT} pixels at most expected"
    ):
        load_film(forged)


def test_plain_film_of_too_many_pixels_is_refused(dicom):
    with pytest.raises(FilmRefusedError, match="pixels were found"):
        load_film(dicom(Rows=20000, Columns=20000))


def test_picture_of_an_absurd_side_is_refused():
    buffer = io.BytesIO()
    Image.new("L", (52, 1_048_636)).save(buffer, "PNG")
    with pytest.raises(FilmRefusedError, match="no side of more than 40000"):
        load_film(buffer.getvalue())


@pytest.mark.parametrize("samples", [2, 65535])
def test_film_of_absurdly_many_values_a_pixel_is_refused(samples, dicom):
    with pytest.raises(FilmRefusedError, match=f"{samples} values a pixel"):
        load_film(dicom(SamplesPerPixel=samples))


def test_deflated_bomb_is_not_inflated(dataset, file_bytes, read_apart):
    data = file_bytes(dataset(), syntax=DeflatedExplicitVRLittleEndian)
    meta_length = int.from_bytes(data[140:144], "little")
    start = 144 + meta_length
    deflater = zlib.compressobj(1, zlib.DEFLATED, -zlib.MAX_WBITS)
    element = struct.pack("<HH2sHI", 0x0009, 0x1001, b"OB", 0, 400_000_000)
    packed = [deflater.compress(element)]
    packed += [deflater.compress(bytes(10_000_000)) for _ in range(40)]
    said, most_bytes, seconds = read_apart(data[:start] + b"".join(packed) + deflater.flush())
    assert f"more than {LARGEST_INFLATED_BYTES}" in said
    assert most_bytes < 700e6
    assert seconds < 10


def test_deflated_film_cut_short_is_unreadable(dataset, file_bytes):
    data = file_bytes(dataset(), syntax=DeflatedExplicitVRLittleEndian)
    with pytest.raises(FilmUnreadableError, match="damaged"):
        load_film(data[:-20])


@pytest.mark.parametrize("head", [b"\0" * 128 + b"DICM", b"\x89PNG\r\n\x1a\n", b"II*\0"])
def test_huge_file_with_holes_is_not_read(head, tmp_path):
    path = tmp_path / "sparse"
    with path.open("wb") as file:
        file.write(head)
        file.truncate(2_000_000_000)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(FilmRefusedError, match=rf"sparse: 2000000000 bytes.*{LARGEST_FILE_BYTES} at most"):
        load_film(path)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000


def test_header_of_a_million_empty_items_is_not_read_to_its_end(dataset, file_bytes):
    data = file_bytes(dataset())
    start = 144 + int.from_bytes(data[140:144], "little")
    sequence = struct.pack("<HH2sHI", 0x0008, 0x1110, b"SQ", 0, 0xFFFFFFFF)
    items = struct.pack("<HHI", 0xFFFE, 0xE000, 0) * 1_000_000
    with pytest.raises(FilmRefusedError, match=f"a header of more than {MOST_READS} parts"):
        load_film(data[:start] + sequence + items + data[start:])


def test_nested_sequences_end_in_a_clear_error(dataset, file_bytes):
    data = file_bytes(dataset())
    start = 144 + int.from_bytes(data[140:144], "little")
    level = struct.pack("<HH2sHI", 0x0008, 0x1110, b"SQ", 0, 0xFFFFFFFF) + struct.pack(
        "<HHI", 0xFFFE, 0xE000, 0xFFFFFFFF
    )
    with pytest.raises(FilmUnreadableError, match="RecursionError"):
        load_film(data[:start] + level * 5000)


@pytest.mark.parametrize("keyword", ["PatientName", "PatientID", "ImagerPixelSpacing", "SeriesDescription"])
def test_value_of_absurd_length_is_as_good_as_none(keyword, dataset, file_bytes):
    film = dataset()
    tag = pydicom.datadict.tag_for_keyword(keyword)
    film.add_new(tag, "UT", "1\\" * 1_000_000)
    read = load_film(file_bytes(film))
    assert read.identifiers.patient_name == read.identifiers.patient_id == ""
    assert read.spacing is None


@pytest.mark.parametrize("big", [False, True])
def test_second_tiff_directory_is_not_followed(big, stored):
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, stored, bigtiff=big)
    data = bytearray(buffer.getvalue())
    assert load_film(bytes(data)).format == "TIFF"
    first = int.from_bytes(data[8:16] if big else data[4:8], "little")
    entries = int.from_bytes(data[first : first + (8 if big else 2)], "little")
    at = first + (8 + 20 * entries if big else 2 + 12 * entries)
    data[at : at + 4] = struct.pack("<I", first)  # A loop: it names itself as the next.
    with pytest.raises(FilmRefusedError, match="more than one picture"):
        load_film(bytes(data))


def test_animated_png_is_refused(stored):
    buffer = io.BytesIO()
    grey = Image.fromarray((stored >> 4).astype(np.uint8))
    grey.save(buffer, "PNG", save_all=True, append_images=[grey.rotate(90)])
    with pytest.raises(FilmRefusedError, match="more than one picture"):
        load_film(buffer.getvalue())


def test_pipe_and_device_are_refused_without_waiting(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for path in (pipe, "/dev/zero"):
        with pytest.raises(FilmUnreadableError, match="a pipe, socket or device"):
            load_film(path)
    with pytest.raises(FilmUnreadableError):
        looks_like_film(pipe)


def test_name_that_no_file_can_have_is_a_clear_error():
    with pytest.raises(ImagingError, match="name"):
        load_film("film\0.dcm")


@pytest.mark.parametrize("frames", [b"1e400 ", b"-1    ", b"x     ", b"nan   "])
def test_absurd_number_of_frames_is_no_surprise(frames, dicom):
    data = dicom(NumberOfFrames="100001")
    assert data.count(b"100001") == 1
    with contextlib.suppress(FilmUnreadableError):
        assert load_film(data.replace(b"100001", frames)).format == "DICOM"
