"""One encoded picture of a DICOM file becomes bytes; runs in the process that decodes.

Only the codec itself is here: what the bytes mean is for pydicom, on the other side.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, cast

Decoded = tuple[dict[str, object], "bytes | bytearray"]

RLE_HEADER_BYTES = 64
MOST_RLE_SEGMENTS = 15


def decode_picture(job: Mapping[str, Any], encoded: bytes) -> tuple[dict[str, object], list[bytes | memoryview]]:
    """Return what a codec tells, and the bytes that it gives.

    Parameters
    ----------
    job : mapping
        `codecs`: names of `CODECS`, the next where one fails; for RLE also `pixels` and `segments`.
    encoded : bytes
        The picture.
    """
    *others, last = job["codecs"]
    for name in others:
        try:
            told, decoded = CODECS[name](job, encoded)
            break
        except Exception:  # A codec may know less of an encoding than the next; the last one's failure counts.
            continue
    else:
        name = last
        told, decoded = CODECS[last](job, encoded)
    return {"codec": name, **told}, [memoryview(decoded)]


def _libjpeg(_job: Mapping[str, Any], encoded: bytes) -> Decoded:
    from libjpeg.utils import decode_pixel_data

    return {}, cast(bytearray, decode_pixel_data(encoded, version=2))


def _openjpeg(_job: Mapping[str, Any], encoded: bytes) -> Decoded:
    from openjpeg.utils import decode_pixel_data

    return {}, cast(bytearray, decode_pixel_data(encoded, version=2))


def _charls(_job: Mapping[str, Any], encoded: bytes) -> Decoded:
    from jpeg_ls import decode_pixel_data

    decoded, told = decode_pixel_data(encoded)
    return {"interleave_mode": told["interleave_mode"], "precision": told["bits_per_sample"]}, decoded


def _rle(job: Mapping[str, Any], encoded: bytes) -> Decoded:
    """Decode RLE (PS3.5 annex G): a byte of all pixels a segment, most significant first, sample after sample."""
    pixels, expected = int(job["pixels"]), int(job["segments"])
    count, *offsets = struct.unpack_from("<16I", encoded)
    if count != expected or count > MOST_RLE_SEGMENTS:
        raise ValueError("another number of segments than the header's")
    per_sample = int(job["bytes_per_sample"])
    decoded = bytearray(pixels * count)
    ends = [*offsets[1:count], len(encoded)]
    for number, (start, end) in enumerate(zip(offsets[:count], ends, strict=True)):
        sample, byte = divmod(number, per_sample)
        first = sample * per_sample * pixels + per_sample - 1 - byte
        decoded[first : first + per_sample * pixels : per_sample] = _segment(encoded[start:end], pixels)
    return {}, decoded


def _segment(packed: bytes, pixels: int) -> bytearray:
    """Unpack one segment (PS3.5 G.3.2); what comes after its pixels is padding."""
    unpacked = bytearray()
    extend = unpacked.extend
    place, end = 0, len(packed)
    while place < end:
        count = packed[place]
        if count < 128:
            extend(packed[place + 1 : place + count + 2])
            place += count + 2
        elif count > 128:
            extend(packed[place + 1 : place + 2] * (257 - count))
            place += 2
        else:
            place += 1
    if len(unpacked) < pixels:
        raise ValueError("a segment of too few pixels")
    del unpacked[pixels:]
    return unpacked


CODECS: Mapping[str, Callable[[Mapping[str, Any], bytes], Decoded]] = MappingProxyType(
    {"libjpeg": _libjpeg, "openjpeg": _openjpeg, "charls": _charls, "rle": _rle}
)
