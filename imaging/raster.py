"""A PNG, JPEG or TIFF file becomes a film.

Such files say nothing of view, orientation or patient, and their resolution is most often that of a screen
or a printer: it is shown, but not believed unless asked.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from imaging.decoding.decoder import DECODER, DamagedPictureError
from imaging.errors import FilmUnreadableError, ImagingError
from imaging.film import Film, Turn
from imaging.header_spacing import LARGEST_ASPECT, RELATIVE_SD
from imaging.limits import open_film, refuse_too_many_bytes
from imaging.orientation import describe_turn, swaps_axes, turned
from measure.errors import MeasureError
from measure.spacing import Plane, Spacing, SpacingSource

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
    try:
        data = _bytes(source)
        told, planes = DECODER.ask({"kind": "raster"}, data)
        return _film(told, planes, name, believe_resolution)
    except DamagedPictureError as damage:
        raise FilmUnreadableError(
            f"{name}: a damaged, cut short or uncommonly encoded picture was found, a complete PNG, JPEG or "
            "TIFF is expected. Export or send it again."
        ) from damage
    except ImagingError as reason:
        raise type(reason)(f"{name}: {reason}") from reason.__cause__


def _bytes(source: Path | bytes) -> bytes:
    if isinstance(source, bytes):
        refuse_too_many_bytes(len(source))
        return source
    with open_film(source) as file:
        return file.read()


def _film(told: Mapping[str, Any], planes: list[bytearray], name: str, believe_resolution: bool) -> Film:
    """Return the film that a picture's planes and tags make."""
    turn = EXIF_TURNS.get(told["orientation"], Turn())
    notes = ["The file has no header: view, left and right, and patient are not known."]
    notes += describe_turn(turn, "The file's orientation tag says so")
    spacing, aspect = _size(Resolution(**told["resolution"]), swaps_axes(turn), believe_resolution, notes)
    if told["coloured"]:
        notes.append("A coloured picture was found; its brightness is used.")
    grey = _grey(told, planes)
    if told["format"] != "TIFF":  # Pillow and OpenCV turn TIFF themselves when they read the pixels.
        grey = np.ascontiguousarray(turned(grey, turn))
    return Film(
        pixels=grey,
        name=name,
        format=told["format"],
        spacing=spacing,
        pixel_aspect=aspect,
        turn=turn,
        notes=tuple(notes),
    )


def _grey(told: Mapping[str, Any], planes: list[bytearray]) -> NDArray[np.float32]:
    """Return grey values, 0 to 1; what is transparent is black."""
    stored, *opacity = (
        np.frombuffer(plane, dtype).reshape(told["shape"])
        for plane, dtype in zip(planes, told["dtypes"], strict=True)
    )
    if stored.dtype == np.uint8:
        grey = _scaled(stored, 255)
    elif stored.dtype.kind == "f" or stored.min() < 0:
        return _stretched(stored)
    elif told["deep_colour"]:
        grey = _scaled(stored, 65535)
    else:
        grey = _deep_grey(stored, white_is_zero=told["white_is_zero"])
    for plane in opacity:
        grey *= _scaled(plane, np.iinfo(plane.dtype).max)
    return grey


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


def _deep_grey(stored: NDArray[np.integer], *, white_is_zero: bool) -> NDArray[np.float32]:
    """Return the grey of one channel of more than 8 bits."""
    largest = int(stored.max())
    # Films of 10, 12 or 14 bits are often kept in 16: full scale is the smallest that holds all values.
    full_scale = next((2**bits - 1 for bits in (8, 10, 12, 14, 16) if largest < 2**bits), largest)
    grey = _scaled(stored, full_scale)
    if white_is_zero:
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
