"""The bytes of a PNG, JPEG or TIFF file become planes of values; runs in the process that decodes.

Pillow does nearly all of it. Planes are handed out as they lie in memory: their meaning is for
`imaging.raster`, so that this process need not load numpy for a common picture.
"""

from __future__ import annotations

import io
import math
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

from imaging.errors import FilmRefusedError
from imaging.limits import LARGEST_PIXEL_COUNT, refuse_too_many_pixels

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
    from PIL import Image

MM_PER_INCH = 25.4

EXIF_ORIENTATION = 0x0112

TIFF_BITS, TIFF_PHOTOMETRIC, TIFF_WHITE_IS_ZERO = 258, 262, 0

PNG_ANIMATION, PNG_PIXELS = b"acTL", b"IDAT"
"""The animation's chunk comes before the pixels' first (PNG specification, third edition, 5.6)."""

DEEP_GREY = {"I;16": "<u2", "I;16L": "<u2", "I;16B": ">u2", "I": "=i4", "F": "=f4"}
"""Pillow's modes of one channel with more than 8 bits, and their types."""

COLOURED_ABOVE = 0.03
"""A picture is coloured where its channels differ by more than 3 % of full scale (ours)."""


@dataclass(frozen=True, slots=True)
class Plane:
    """Values as they lie in memory, and their numpy type."""

    values: bytes
    dtype: str


def decode_raster(data: bytes) -> tuple[dict[str, object], list[bytes | memoryview]]:
    """Return what a picture file says of itself, and its planes: grey, and opacity where it has one.

    Raises
    ------
    FilmRefusedError
        Where it holds several pictures, or one too large for a film.
    Exception
        Whatever Pillow and OpenCV raise at damaged bytes.
    """
    from PIL import Image

    _refuse_second_picture(data)
    try:
        picture = Image.open(io.BytesIO(data), formats=("PNG", "JPEG", "TIFF"))
    except Image.DecompressionBombError as bomb:
        raise FilmRefusedError(
            f"far too many pixels were found, a film has {LARGEST_PIXEL_COUNT} at most. Export it smaller."
        ) from bomb
    refuse_too_many_pixels(picture.height, picture.width)
    told: dict[str, object] = {
        "format": str(picture.format).replace("MPO", "JPEG"),
        "orientation": _exif_orientation(picture),
        "resolution": read_resolution(picture.info),
        "white_is_zero": getattr(picture, "tag_v2", {}).get(TIFF_PHOTOMETRIC) == TIFF_WHITE_IS_ZERO,
    }
    deep = _has_deep_colour(picture, data)
    shape, coloured, planes = _deep_colour(data) if deep else _planes(picture)
    dtypes = [plane.dtype for plane in planes]
    told |= {"shape": shape, "coloured": coloured, "deep_colour": deep, "dtypes": dtypes}
    return told, [plane.values for plane in planes]


def _refuse_second_picture(data: bytes) -> None:
    """Refuse a file of several pictures without following the way to the second.

    A JPEG may carry a second one behind the first (a camera's preview); it is never looked at.
    """
    if data[:2] in (b"II", b"MM"):
        several = _has_second_directory(data)
    else:
        several = data.startswith(b"\x89PNG") and data.find(PNG_ANIMATION, 0, max(data.find(PNG_PIXELS), 0)) >= 0
    if several:
        raise FilmRefusedError(
            "more than one picture was found in the file, a single chest film is expected. "
            "Export the one that shows tube and carina."
        )


def _has_second_directory(data: bytes) -> bool:
    """Tell whether a TIFF's first directory names another (TIFF 6.0, section 2; BigTIFF has wider fields)."""
    order = "<" if data[:2] == b"II" else ">"
    big = data[2:4] in (b"+\0", b"\0+")
    start, count, entry = (8, "Q", 20) if big else (4, "H", 12)
    offset = "Q" if big else "I"
    (first,) = struct.unpack_from(f"{order}{offset}", data, start)
    (entries,) = struct.unpack_from(f"{order}{count}", data, first)
    (second,) = struct.unpack_from(f"{order}{offset}", data, first + struct.calcsize(count) + entries * entry)
    return bool(second)


def _exif_orientation(picture: Image.Image) -> int:
    """Return the orientation tag, 1 where there is none or it cannot be read."""
    try:
        value = picture.getexif().get(EXIF_ORIENTATION, 1)
    except Exception:  # Pillow raises whatever it likes at damaged tags; without them the picture is as it lies.
        return 1
    return value if isinstance(value, int) else 1


def read_resolution(info: dict[Any, Any]) -> dict[str, float]:
    """Return the resolution tag of a picture: PNG pHYs, JFIF density, or TIFF X- and YResolution.

    All three count pixels per length along x (columns), then y (rows).
    """
    per_inch = info.get("dpi") if info.get("jfif_unit", 1) != 0 else None
    pair = per_inch or info.get("aspect") or info.get("resolution") or info.get("jfif_density")
    try:
        x, y = (float(value) for value in pair or ())
        aspect = x / y
    except (ValueError, TypeError, ArithmeticError):
        return {}
    if not all(math.isfinite(value) and value > 0.0 for value in (x, y, aspect)):
        return {}
    return {"aspect": aspect, **({"row_mm": MM_PER_INCH / y, "column_mm": MM_PER_INCH / x} if per_inch else {})}


def _planes(picture: Image.Image) -> tuple[tuple[int, int], bool, list[Plane]]:
    """Return shape, whether there are real colours in it, and the planes of a picture that Pillow decodes."""
    shape = (picture.height, picture.width)
    picture.load()
    if picture.mode in DEEP_GREY:
        return shape, False, [Plane(picture.tobytes(), DEEP_GREY[picture.mode])]
    opacity = []
    if picture.has_transparency_data:
        picture = picture.convert("RGBA")
        opacity = [Plane(picture.getchannel("A").tobytes(), "u1")]
    coloured = False
    if picture.mode not in ("1", "L"):
        picture = picture.convert("RGB")
        coloured = _has_colour(picture)
    return shape, coloured, [Plane(picture.convert("L").tobytes(), "u1"), *opacity]


def _has_colour(picture: Image.Image) -> bool:
    from PIL import ImageChops

    small = picture.reduce(max(1, max(picture.size) // 256))
    red, green, blue = small.split()
    least = int(COLOURED_ABOVE * 255) + 1
    pairs = ((red, green), (green, blue), (red, blue))
    return any(any(ImageChops.difference(*pair).histogram()[least:]) for pair in pairs)


def _has_deep_colour(picture: Image.Image, data: bytes) -> bool:
    """Tell whether it has several channels of 16 bits, which Pillow would cut to 8."""
    if picture.format == "PNG":
        # IHDR (PNG specification, 11.2.2): bit depth, then colour type; 2, 4 and 6 have several channels.
        return data[24] == 16 and data[25] in (2, 4, 6)
    if picture.format == "TIFF":
        bits = getattr(picture, "tag_v2", {}).get(TIFF_BITS, ())
        return len(bits) > 1 and max(bits) == 16
    return False


def _deep_colour(data: bytes) -> tuple[tuple[int, int], bool, list[Plane]]:
    """Return shape, whether there are real colours in it, and the planes of 16-bit colour, by OpenCV."""
    import cv2
    import numpy as np

    from imaging.luminance import brightness

    whole = not data.startswith(b"\x89PNG") or b"IEND" in data[-64:]
    decoded = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED) if whole else None
    if decoded is None or decoded.dtype != np.uint16:
        raise ValueError("not decoded")
    decoded = cast("NDArray[np.uint16]", decoded)
    shape = (decoded.shape[0], decoded.shape[1])
    if decoded.ndim == 2:
        return shape, False, [Plane(decoded.tobytes(), decoded.dtype.str)]
    sample = decoded[::8, ::8, :3].astype(np.int64)
    coloured = bool(np.ptp(sample, axis=-1).max() > COLOURED_ABOVE * 65535)
    grey = brightness(decoded[..., 2::-1])  # OpenCV's order is blue, green, red.
    opacity = [Plane(decoded[..., 3].tobytes(), decoded.dtype.str)] if decoded.shape[-1] == 4 else []
    return shape, coloured, [Plane(grey.tobytes(), grey.dtype.str), *opacity]
