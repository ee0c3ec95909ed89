"""A PNG, JPEG or TIFF file becomes a film.

Such files say nothing of view, orientation or patient, and their resolution is most often that of a screen
or a printer: it is shown, but not believed unless asked.
"""

from __future__ import annotations

import io
import math
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from imaging.errors import FilmRefusedError, FilmUnreadableError
from imaging.film import Film, Turn
from imaging.header import quiet
from imaging.header_spacing import LARGEST_ASPECT, RELATIVE_SD
from imaging.orientation import describe_turn, swaps_axes, turned
from measure.errors import MeasureError
from measure.spacing import Plane, Spacing, SpacingSource

if TYPE_CHECKING:
    from PIL import Image

LUMINANCE = (0.299, 0.587, 0.114)
"""Grey from red, green, blue: ITU-R BT.601, as Pillow and OpenCV have it."""

LARGEST_PIXEL_COUNT = 80_000_000
"""More is no film, and would fill the memory (ours): 35 x 43 cm at 0.05 mm are 60 million."""

MM_PER_INCH = 25.4

EXIF_ORIENTATION = 0x0112
EXIF_TURNS = {
    2: Turn(mirrored=True),
    3: Turn(quarter_turns=2),
    4: Turn(mirrored=True, quarter_turns=2),
    5: Turn(mirrored=True, quarter_turns=1),
    6: Turn(quarter_turns=3),
    7: Turn(mirrored=True, quarter_turns=3),
    8: Turn(quarter_turns=1),
}
"""Exif 2.3 tag 0x0112 (TIFF 6.0 tag 274): what brings the stored picture to how it is to be seen."""

UNREADABLE = (OSError, SyntaxError, ValueError, TypeError, KeyError, IndexError, EOFError, struct.error)
"""What Pillow raises at damaged files."""

TIFF_BITS, TIFF_PHOTOMETRIC, TIFF_WHITE_IS_ZERO = 258, 262, 0


@dataclass(frozen=True, slots=True)
class Resolution:
    """What a file says of its resolution.

    Parameters
    ----------
    row_mm, column_mm : float or None
        Spacing, where the unit is known.
    aspect : float
        Row spacing over column spacing.
    """

    row_mm: float | None = None
    column_mm: float | None = None
    aspect: float = 1.0


def film_from_raster(source: Path | bytes, name: str, *, believe_resolution: bool = False) -> Film:
    """Return the film in a PNG, JPEG or TIFF file.

    Parameters
    ----------
    source : Path or bytes
        The file, or what it holds.
    name : str
        The film's name, for messages.
    believe_resolution : bool
        Take the file's resolution tag for the spacing.

    Raises
    ------
    FilmUnreadableError
        Where the file is damaged.
    FilmRefusedError
        Where it holds several pictures, or one too large for a film.
    """
    data = source if isinstance(source, bytes) else source.read_bytes()
    with quiet():
        return _film(data, name, believe_resolution)


def _film(data: bytes, name: str, believe_resolution: bool) -> Film:
    """Return the film in a picture's bytes."""
    picture = _open(data, name)
    _refuse_unless_single(picture, name)
    turn = EXIF_TURNS.get(_exif_orientation(picture), Turn())
    resolution = read_resolution(picture)
    notes = ["The file has no header: view, left and right, and patient are not known."]
    notes += describe_turn(turn, "The file's orientation tag says so")
    spacing, aspect = _size(resolution, swaps_axes(turn), believe_resolution, notes)
    deep_colour = _has_deep_colour(picture, data)
    grey = _deep_colour(data, name, notes) if deep_colour else _decode(picture, name, notes)
    if picture.format != "TIFF":  # Pillow and OpenCV turn TIFF themselves when they read the pixels.
        grey = np.ascontiguousarray(turned(grey, turn))
    return Film(
        pixels=grey,
        name=name,
        format=str(picture.format).replace("MPO", "JPEG"),
        spacing=spacing,
        pixel_aspect=aspect,
        turn=turn,
        notes=tuple(notes),
    )


def _open(data: bytes, name: str) -> Image.Image:
    """Return the picture, its header read, its pixels not yet."""
    from PIL import Image

    try:
        return Image.open(io.BytesIO(data), formats=("PNG", "JPEG", "TIFF"))
    except Image.DecompressionBombError as bomb:
        raise _too_large(name, "far too many") from bomb
    except UNREADABLE as damage:
        raise _damaged(name) from damage


def _damaged(name: str) -> FilmUnreadableError:
    return FilmUnreadableError(
        f"{name}: a damaged, cut short or uncommonly encoded picture was found, a complete PNG, JPEG or "
        "TIFF is expected. "
        "Export or send it again."
    )


def _too_large(name: str, count: str) -> FilmRefusedError:
    return FilmRefusedError(
        f"{name}: {count} pixels were found, a film has {LARGEST_PIXEL_COUNT} at most. Export it smaller."
    )


def _refuse_unless_single(picture: Image.Image, name: str) -> None:
    frames = int(getattr(picture, "n_frames", 1))
    if frames > 1 and picture.format != "MPO":
        raise FilmRefusedError(
            f"{name}: {frames} pictures were found in one file, a single chest film is expected. "
            "Export the one that shows tube and carina."
        )
    pixels = picture.width * picture.height
    if pixels > LARGEST_PIXEL_COUNT:
        raise _too_large(name, str(pixels))


def _exif_orientation(picture: Image.Image) -> int:
    """Return the orientation tag, 1 where there is none or it cannot be read."""
    try:
        value = picture.getexif().get(EXIF_ORIENTATION, 1)
    except UNREADABLE:
        return 1
    return value if isinstance(value, int) else 1


def read_resolution(picture: Image.Image) -> Resolution:
    """Return the resolution tag of a picture: PNG pHYs, JFIF density, or TIFF X- and YResolution.

    All three count pixels per length along x (columns), then y (rows).
    """
    info = picture.info
    per_inch = info.get("dpi")
    bare = info.get("aspect") or info.get("resolution") or info.get("jfif_density")
    if per_inch and int(info.get("jfif_unit", 1)) != 0:
        x, y = float(per_inch[0]), float(per_inch[1])
        if _positive(x, y):
            return Resolution(MM_PER_INCH / y, MM_PER_INCH / x, x / y)
    elif bare:
        x, y = float(bare[0]), float(bare[1])
        if _positive(x, y):
            return Resolution(aspect=x / y)
    return Resolution()


def _positive(x: float, y: float) -> bool:
    return math.isfinite(x) and math.isfinite(y) and x > 0.0 and y > 0.0


def _size(
    resolution: Resolution, on_its_side: bool, believed: bool, notes: list[str]
) -> tuple[Spacing | None, float]:
    """Return spacing and pixel aspect of the upright film."""
    aspect = 1.0 / resolution.aspect if on_its_side else resolution.aspect
    if not 1.0 / LARGEST_ASPECT <= aspect <= LARGEST_ASPECT:
        notes.append(f"The resolution tag's pixel aspect of {aspect:.3g} is absurd; square pixels are taken.")
        return None, 1.0
    if aspect != 1.0:
        notes.append(f"The resolution tag says that pixels are not square: height {aspect:.4g} times width.")
    if resolution.row_mm is None or resolution.column_mm is None:
        return None, aspect
    row_mm, column_mm = resolution.row_mm, resolution.column_mm
    if on_its_side:
        row_mm, column_mm = column_mm, row_mm
    shown = f"The file's resolution tag would make pixels of {row_mm:.4g} x {column_mm:.4g} mm"
    if not believed:
        notes.append(f"{shown}; it is not believed, since such tags are mostly a screen's or a printer's.")
        return None, aspect
    try:
        spacing = Spacing(
            row_mm,
            column_mm,
            Plane.UNKNOWN,
            SpacingSource.FILE_RESOLUTION,
            RELATIVE_SD["resolution"],
            "believed because asked to",
        )
    except MeasureError as absurd:
        notes.append(str(absurd))
        return None, aspect
    notes.append(f"{shown}; it is believed because you asked for it.")
    return spacing, aspect


def _decode(picture: Image.Image, name: str, notes: list[str]) -> NDArray[np.float32]:
    """Return grey values, 0 to 1; what is transparent is black."""
    try:
        picture.load()
    except UNREADABLE as damage:
        raise _damaged(name) from damage
    if picture.mode in ("I;16", "I;16B", "I;16L", "I", "F"):
        return _deep_grey(picture)
    alpha = None
    if picture.has_transparency_data:
        picture = picture.convert("RGBA")
        alpha = np.asarray(picture.getchannel("A"))
    if picture.mode not in ("1", "L"):
        picture = _brightness(picture, notes)
    grey = np.asarray(picture.convert("L"), np.float32)
    grey *= np.float32(1.0 / 255.0)
    if alpha is not None:
        grey *= alpha.astype(np.float32) / np.float32(255.0)
    return grey


def _brightness(picture: Image.Image, notes: list[str]) -> Image.Image:
    """Return a colour picture's grey, with a note where there are real colours in it."""
    colour = picture.convert("RGB")
    small = np.asarray(colour.reduce(max(1, max(colour.size) // 256)), np.int16)
    _note_colour(small, 255, notes)
    return colour.convert("L")


def _note_colour(channels: NDArray[np.integer], full_scale: int, notes: list[str]) -> None:
    """Say that a picture is coloured where its channels differ by more than 3 % of full scale (ours)."""
    if float(np.ptp(channels, axis=-1).max()) > 0.03 * full_scale:
        notes.append("A coloured picture was found; its brightness is used.")


def _has_deep_colour(picture: Image.Image, data: bytes) -> bool:
    """Tell whether it has several channels of 16 bits, which Pillow would cut to 8."""
    if picture.format == "PNG":
        # IHDR (PNG specification, 11.2.2): bit depth, then colour type; 2, 4 and 6 have several channels.
        return data[24] == 16 and data[25] in (2, 4, 6)
    if picture.format == "TIFF":
        bits = getattr(picture, "tag_v2", {}).get(TIFF_BITS, ())
        return len(bits) > 1 and max(bits) == 16
    return False


def _deep_colour(data: bytes, name: str, notes: list[str]) -> NDArray[np.float32]:
    """Return the grey of a 16-bit colour picture by OpenCV."""
    import cv2

    whole = not data.startswith(b"\x89PNG") or b"IEND" in data[-64:]
    decoded = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED) if whole else None
    if decoded is None:
        raise _damaged(name)
    if decoded.ndim == 2:
        return _scaled(decoded, 65535)
    channels = decoded[..., :3]
    _note_colour(channels[::8, ::8].astype(np.int64), 65535, notes)
    weights = np.array(LUMINANCE[::-1], np.float32)  # OpenCV's order is blue, green, red.
    grey = (channels.astype(np.float32) @ weights) / np.float32(65535.0)
    if decoded.shape[-1] == 4:
        grey *= decoded[..., 3].astype(np.float32) / np.float32(65535.0)
    return np.clip(grey, 0.0, 1.0, out=grey)


def _deep_grey(picture: Image.Image) -> NDArray[np.float32]:
    """Return the grey of one channel of more than 8 bits."""
    stored = np.asarray(picture)
    if stored.dtype.kind == "f" or stored.min() < 0:
        return _stretched(stored)
    largest = int(stored.max())
    # Films of 10, 12 or 14 bits are often kept in 16: full scale is the smallest that holds all values.
    full_scale = next((2**bits - 1 for bits in (8, 10, 12, 14, 16) if largest < 2**bits), largest)
    grey = _scaled(stored, full_scale)
    tags = getattr(picture, "tag_v2", None)
    if tags is not None and tags.get(TIFF_PHOTOMETRIC) == TIFF_WHITE_IS_ZERO:
        np.subtract(np.float32(1.0), grey, out=grey)  # Pillow turns 8-bit ones itself, 16-bit ones not.
    return grey


def _scaled(stored: NDArray[np.integer | np.floating], full_scale: int) -> NDArray[np.float32]:
    grey = stored.astype(np.float32)
    grey *= np.float32(1.0 / full_scale)
    return np.minimum(grey, np.float32(1.0), out=grey)


def _stretched(stored: NDArray[np.integer | np.floating]) -> NDArray[np.float32]:
    """Return values of no fixed scale, their own range brought to 0 to 1; what is no number is black."""
    grey = np.nan_to_num(stored.astype(np.float32), nan=0.0, posinf=0.0, neginf=0.0)
    low, high = float(grey.min()), float(grey.max())
    grey -= np.float32(low)
    if high > low:
        grey /= np.float32(high - low)
    return grey
