"""Stored pixel values out of a DICOM object, whatever its transfer syntax."""

from __future__ import annotations

from typing import cast

import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.encaps import get_frame
from pydicom.pixels.processing import apply_color_lut
from pydicom.pixels.utils import pixel_array
from pydicom.uid import UID

from imaging.decoding.decoder import DECODER, DamagedPictureError
from imaging.decoding.handover import CODECS_OF, PLUGIN, Picture, handed_over
from imaging.errors import FilmRefusedError, FilmUnreadableError, ImagingError
from imaging.frame_header import read_frame_header
from imaging.header import integer, text
from imaging.limits import refuse_too_many_pixels
from imaging.luminance import ROWS_AT_A_TIME, brightness

GREY = ("MONOCHROME1", "MONOCHROME2")

SAMPLES = (1, 3, 4)
"""Values a pixel: grey, colour, colour and something (PS3.3 C.7.6.3.1.1)."""

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
    samples = integer(dataset, "SamplesPerPixel", 1)
    if samples not in SAMPLES:
        raise FilmRefusedError(f"{samples} values a pixel were found, 1 or 3 are expected of a film.")
    refuse_too_many_pixels(integer(dataset, "Rows", 0) * samples, integer(dataset, "Columns", 0))
    if text(dataset, "PhotometricInterpretation").upper() in GREY and samples == 1:
        return _grey(dataset), ()
    return _from_colour(dataset), ("A coloured picture was found; its brightness is used.",)


def _grey(dataset: Dataset) -> Stored:
    syntax = _syntax(dataset)
    if not syntax.is_compressed or syntax.is_deflated:
        plain = _view_of_plain(dataset, syntax)
        if plain is not None:
            return plain
    return _single(_decoded(dataset, syntax, raw=True))


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


def _decoded(dataset: Dataset, syntax: UID, *, raw: bool) -> NDArray[np.integer]:
    """Return pydicom's decoding of the pixel data; what is compressed is decoded by the process for that."""
    try:
        if not syntax.is_encapsulated:
            return cast("NDArray[np.integer]", pixel_array(dataset, raw=raw, index=0))
        with handed_over(syntax, _picture(dataset, syntax)):
            return cast("NDArray[np.integer]", pixel_array(dataset, raw=raw, index=0, decoding_plugin=PLUGIN))
    except DamagedPictureError as damage:
        raise _undecodable(syntax) from damage
    except ImagingError:
        raise
    except Exception as damage:  # At damaged pixel data pydicom raises whatever it likes; the cause is kept.
        raise _undecodable(syntax) from damage


def _undecodable(syntax: UID) -> FilmUnreadableError:
    return FilmUnreadableError(
        f"pixel data ({_name_of(syntax)}) were found that cannot be decoded, a complete picture of the "
        "encoding that the header names is expected. Export or send the film again, uncompressed if you can."
    )


def _picture(dataset: Dataset, syntax: UID) -> Picture:
    """Return the first picture of the pixel data, as the process that decodes gives it."""
    encoded = get_frame(dataset.get_item("PixelData").value, 0, number_of_frames=1)
    _refuse_other_size(dataset, encoded)
    rows, columns = integer(dataset, "Rows", 0), integer(dataset, "Columns", 0)
    per_sample = integer(dataset, "BitsAllocated", 0) // 8
    job = {
        "kind": "dicom",
        "codecs": CODECS_OF[syntax],
        "pixels": rows * columns,
        "bytes_per_sample": per_sample,
        "segments": per_sample * integer(dataset, "SamplesPerPixel", 1),
    }
    told, (values,) = DECODER.ask(job, encoded)
    return Picture(told, values)


def _name_of(syntax: UID) -> str:
    """Return a transfer syntax's name in PS3.6 Annex A."""
    return syntax.name if syntax.is_transfer_syntax and syntax.name != syntax else "an unknown encoding"


def _refuse_other_size(dataset: Dataset, encoded: bytes) -> None:
    """Refuse an encoded picture of another size than the header's, before a decoder makes room for it."""
    told = read_frame_header(encoded)
    if told is None:
        return
    rows, columns = integer(dataset, "Rows", 0), integer(dataset, "Columns", 0)
    samples = integer(dataset, "SamplesPerPixel", 1)
    if (told.rows, told.columns, told.samples) != (rows, columns, samples):
        raise FilmUnreadableError(
            f"an encoded picture of {told.rows} x {told.columns} pixels, {told.samples} values each, was found, "
            f"{rows} x {columns} with {samples} are expected by the header. Export or send the film again."
        )


def _single(stored: NDArray[np.integer]) -> Stored:
    """Return the one plane of greys.

    Raises
    ------
    FilmUnreadableError
        Where the decoder returned anything else.
    """
    plane = stored[..., 0] if stored.ndim == 3 and stored.shape[-1] == 1 else stored
    if plane.ndim != 2 or plane.dtype.itemsize > 2:
        raise FilmUnreadableError(
            f"an array of shape {stored.shape} and {8 * stored.dtype.itemsize} bits was decoded, one plane of "
            "8 or 16 bits is expected."
        )
    return plane


def _from_colour(dataset: Dataset) -> Stored:
    """Return the brightness of a colour or palette picture in its own bit depth."""
    decoded = _decoded(dataset, _syntax(dataset), raw=False)
    if text(dataset, "PhotometricInterpretation").upper() == "PALETTE COLOR":
        blocks = (decoded[start : start + ROWS_AT_A_TIME] for start in range(0, decoded.shape[0], ROWS_AT_A_TIME))
        return np.concatenate([brightness(cast(Stored, apply_color_lut(block, dataset))) for block in blocks])
    if decoded.ndim != 3 or decoded.shape[-1] not in (3, 4):
        return _single(decoded)
    return _single(brightness(decoded))
