"""Stored pixel values out of a DICOM object, whatever its transfer syntax."""

from __future__ import annotations

from typing import cast

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.pixels.processing import apply_color_lut
from pydicom.pixels.utils import pixel_array
from pydicom.uid import UID

from imaging.errors import FilmRefusedError, FilmUnreadableError
from imaging.header import integer, quoted, text

LUMINANCE = (0.299, 0.587, 0.114)
"""Grey from red, green, blue: ITU-R BT.601, as PS3.3 C.7.6.3.1.2 has it for YBR_FULL."""

LONGEST_UID_NAME = 100
"""Characters of a transfer syntax's name in PS3.6 Annex A."""

GREY = ("MONOCHROME1", "MONOCHROME2")

Stored = NDArray[np.integer]


def decode(dataset: Dataset) -> tuple[Stored, tuple[str, ...]]:
    """Return stored values as an array of 8 or 16 bits, shape (rows, columns), and notes.

    Raises
    ------
    FilmUnreadableError
        Where the pixel data are damaged, cut short, or of an encoding that cannot be decoded.
    FilmRefusedError
        Where an uncommon bit depth shows that this is no film.
    """
    bits = integer(dataset, "BitsAllocated", 0)
    if bits not in (8, 16):
        raise FilmRefusedError(
            f"{bits} bits allocated were found, 8 or 16 are expected of a film (PS3.3 C.8.11.3)."
        )
    if text(dataset, "PhotometricInterpretation").upper() in GREY and integer(dataset, "SamplesPerPixel", 1) == 1:
        return _grey(dataset), ()
    return _from_colour(dataset), ("A coloured picture was found; its brightness is used.",)


def _grey(dataset: Dataset) -> Stored:
    syntax = _syntax(dataset)
    if not syntax.is_compressed or syntax.is_deflated:
        plain = _view_of_plain(dataset, syntax)
        if plain is not None:
            return plain
    return _single(_decoded(dataset, raw=True))


def _syntax(dataset: Dataset) -> UID:
    """Return the transfer syntax; where the meta header is missing, the one it was read with."""
    meta = getattr(dataset, "file_meta", None)
    stated = text(meta, "TransferSyntaxUID") if meta is not None else ""
    if stated:
        return UID(stated)
    implicit, little = dataset.original_encoding
    return UID(
        "1.2.840.10008.1.2.2" if little is False else "1.2.840.10008.1.2" if implicit else "1.2.840.10008.1.2.1"
    )


def _view_of_plain(dataset: Dataset, syntax: UID) -> Stored | None:
    """Return a view of uncompressed pixel data, without a copy; None where pydicom must sort it out."""
    rows, columns = integer(dataset, "Rows", 0), integer(dataset, "Columns", 0)
    width = integer(dataset, "BitsAllocated", 0) // 8
    data = dataset.get_item("PixelData").value
    big = syntax.is_transfer_syntax and not syntax.is_little_endian
    if not isinstance(data, bytes) or (big and width == 1):
        return None
    expected = rows * columns * width
    if len(data) < expected:
        raise FilmUnreadableError(
            f"{len(data)} bytes of pixel data were found, {expected} are expected for {rows} x {columns} "
            "pixels; the file was cut short. Export or send it again."
        )
    kind = "i" if integer(dataset, "PixelRepresentation", 0) == 1 else "u"
    flat = np.frombuffer(data, f"{'>' if big else '<'}{kind}{width}", count=rows * columns)
    return _used_bits(flat.reshape(rows, columns), dataset)


def _used_bits(stored: Stored, dataset: Dataset) -> Stored:
    """Return the values of the bits stored alone (PS3.5 8.1.1): the others may hold overlays or rubbish."""
    allocated = stored.dtype.itemsize * 8
    bits = integer(dataset, "BitsStored", allocated)
    unused_above = allocated - 1 - integer(dataset, "HighBit", bits - 1)
    unused_below = allocated - bits - unused_above
    if not (0 < bits < allocated and unused_above >= 0 and unused_below >= 0):
        return stored
    smallest, largest = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if stored.dtype.kind == "i" else (0, 2**bits - 1)
    if unused_below == 0 and stored.min() >= smallest and stored.max() <= largest:
        return stored
    # Up to drop what lies above, down again, arithmetically where signed, to drop what lies below.
    shifted = np.left_shift(stored, unused_above)
    return cast(Stored, np.right_shift(shifted, allocated - bits, out=shifted))


def _decoded(dataset: Dataset, *, raw: bool) -> NDArray[np.integer]:
    """Return pydicom's decoding of the pixel data."""
    try:
        return cast("NDArray[np.integer]", pixel_array(dataset, raw=raw))
    except Exception as damage:  # Decoders written in C raise whatever they like; the cause is kept.
        syntax = quoted(_syntax(dataset).name, LONGEST_UID_NAME)
        raise FilmUnreadableError(
            f"pixel data ({syntax}) were found that cannot be decoded, a complete picture of the "
            "encoding that the header names is expected. Export or send the film again, uncompressed if you can."
        ) from damage


def _single(stored: NDArray[np.integer]) -> Stored:
    """Return the one plane of greys.

    Raises
    ------
    FilmUnreadableError
        Where the decoder returned anything else.
    """
    plane = stored[..., 0] if stored.ndim == 3 and stored.shape[-1] == 1 else stored
    if plane.ndim != 2:
        raise FilmUnreadableError(f"an array of shape {stored.shape} was decoded, one plane is expected.")
    return plane


def _from_colour(dataset: Dataset) -> Stored:
    """Return the brightness of a colour or palette picture in its own bit depth."""
    decoded = _decoded(dataset, raw=False)
    if text(dataset, "PhotometricInterpretation").upper() == "PALETTE COLOR":
        decoded = cast("NDArray[np.integer]", apply_color_lut(decoded, dataset))
    if decoded.ndim != 3 or decoded.shape[-1] not in (3, 4):
        return _single(decoded)
    grey = np.rint(decoded[..., :3].astype(np.float32) @ np.array(LUMINANCE, np.float32))
    return cast(Stored, grey.astype(decoded.dtype))
