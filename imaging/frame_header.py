"""What an encoded picture says of its own size, read before any decoder is let near it."""

from __future__ import annotations

from dataclasses import dataclass

SOI = b"\xff\xd8"
J2K_START = b"\xff\x4f\xff\x51"
"""Start of a JPEG 2000 codestream, then SIZ, which must come first (ISO/IEC 15444-1, A.5.1)."""

JP2_SIGNATURE = b"\0\0\0\x0cjP  \r\n\x87\n"

JPEG_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC} | {0xF7}
"""SOF markers of ITU-T T.81 table B.1, without DHT, JPG and DAC; 0xF7 is JPEG-LS (ITU-T T.87, C.1.2)."""

STANDALONE = frozenset(range(0xD0, 0xD9)) | {0x01}
"""Markers without a length (T.81, B.1.1.3)."""


@dataclass(frozen=True, slots=True)
class FrameHeader:
    """Size of an encoded picture, as its own header has it."""

    rows: int
    columns: int
    samples: int


def read_frame_header(encoded: bytes) -> FrameHeader | None:
    """Return the size that a JPEG, JPEG-LS or JPEG 2000 picture tells, or None where it tells none.

    Parameters
    ----------
    encoded : bytes
        One picture, whatever a header outside says of its encoding: decoders look at the bytes too.
    """
    if encoded.startswith(SOI):
        return _jpeg(encoded)
    if encoded.startswith(J2K_START):
        return _siz(encoded)
    if encoded.startswith(JP2_SIGNATURE):
        start = encoded.find(J2K_START)
        return None if start < 0 else _siz(encoded[start : start + 64])
    return None


def _jpeg(encoded: bytes) -> FrameHeader | None:
    """Walk the marker segments (T.81, B.1.1.4) to the frame header (B.2.2)."""
    place = 2
    while place + 4 <= len(encoded) and encoded[place] == 0xFF:
        marker = encoded[place + 1]
        if marker == 0xFF or marker in STANDALONE:  # Fill bytes may come before any marker.
            place += 1 if marker == 0xFF else 2
            continue
        if marker in JPEG_FRAMES:
            body = encoded[place + 4 : place + 10]
            if len(body) < 6:
                return None
            return FrameHeader(int.from_bytes(body[1:3], "big"), int.from_bytes(body[3:5], "big"), body[5])
        place += 2 + int.from_bytes(encoded[place + 2 : place + 4], "big")
    return None


def _siz(encoded: bytes) -> FrameHeader | None:
    """Read SIZ: the reference grid's far corner less the picture's near one (15444-1, A.5.1)."""
    if len(encoded) < 42:
        return None
    x_far, y_far, x_near, y_near = (int.from_bytes(encoded[8 + at : 12 + at], "big") for at in (0, 4, 8, 12))
    return FrameHeader(y_far - y_near, x_far - x_near, int.from_bytes(encoded[40:42], "big"))
