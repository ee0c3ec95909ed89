"""A file becomes a film, by what it holds and not by its ending."""

from __future__ import annotations

import codecs
from pathlib import Path
from types import MappingProxyType

from imaging.decoding.decoder import DECODER
from imaging.errors import FilmRefusedError, FilmUnreadableError, ImagingError
from imaging.film import Film
from imaging.limits import open_film

COMPRESSED = (b"\x001.2.840.10008.1.2.4", b"\x001.2.840.10008.1.2.5")
"""Transfer syntaxes of compressed pixels, but for deflated ones, begin so (PS3.6 A)."""

HEAD_BYTES = 4096
"""Enough for a DICOM preamble and meta header, which tells how the pixels are encoded."""

RASTER_SIGNATURES = (b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")

OTHER_SIGNATURES = MappingProxyType(
    {
        b"%PDF": "a PDF document",
        b"PK\x03\x04": "a ZIP archive (or an office document)",
        b"\x1f\x8b": "a gzip archive",
        b"GIF8": "a GIF picture",
        b"BM": "a BMP picture",
        b"RIFF": "a WebP picture or a video",
        b"\0\0\0\x0cjP  ": "a bare JPEG 2000 picture",
        b"\xff\x4f\xff\x51": "a bare JPEG 2000 stream",
        b"<": "a web page or XML text",
    }
)
"""Signatures of common files that are no film, to name them."""

BARE_DICOM_GROUPS = (b"\x02\0", b"\x08\0", b"\0\x08", b"\0\x02")
"""A data set without preamble starts with group 0002 or 0008, of little or big endian."""


def load_film(source: Path | str | bytes, *, believe_resolution: bool = False) -> Film:
    """Return the chest film in a file.

    DICOM (CR, DX, secondary capture; one frame), PNG, JPEG or TIFF, told apart by content.

    Parameters
    ----------
    source : Path, str or bytes
        A file's path, or what it holds.
    believe_resolution : bool
        Take the resolution tag of a PNG, JPEG or TIFF file for the spacing; by default it is only shown.

    Returns
    -------
    Film
        Upright, 0 to 1, bright = dense, with what is known of spacing, view, magnification and patient.

    Raises
    ------
    FilmUnreadableError
        Where there is no such file, or it is damaged or of no known kind.
    FilmRefusedError
        Where it is readable, but no single frontal chest film.

    Examples
    --------
    >>> film = load_film("film.dcm")
    >>> film.shape, film.view
    ((1024, 1024), <View.AP: 'AP'>)
    >>> film.spacing.row_mm
    0.3923
    """
    held: Path | bytes = Path(source) if isinstance(source, str) else source
    name = "film" if isinstance(held, bytes) else held.name
    head = held[:HEAD_BYTES] if isinstance(held, bytes) else _head(held)
    if head.startswith(RASTER_SIGNATURES) or any(syntax in head for syntax in COMPRESSED):
        DECODER.start()
    if _may_be_dicom(head):
        # Reading DICOM is imported where it is needed: a PNG shall not wait for it, nor the reverse.
        from imaging.dicom import film_from_dicom

        return film_from_dicom(held, name)
    if head.startswith(RASTER_SIGNATURES):
        from imaging.raster import film_from_raster

        return film_from_raster(held, name, believe_resolution=believe_resolution)
    raise _not_a_film(head, name)


def looks_like_film(path: Path) -> bool:
    """Tell whether a file begins like one that `load_film` reads.

    Raises
    ------
    FilmUnreadableError
        Where it cannot be opened.
    """
    head = _head(path)
    return _may_be_dicom(head) or head.startswith(RASTER_SIGNATURES)


def _head(path: Path) -> bytes:
    """Return the first bytes of a file.

    Raises
    ------
    FilmUnreadableError
        Where it cannot be read.
    FilmRefusedError
        Where it is larger than any film.
    """
    try:
        with open_film(path) as file:
            return file.read(HEAD_BYTES)
    except ImagingError as reason:
        raise type(reason)(f"{path.name}: {reason}") from reason.__cause__
    except OSError as reason:
        raise FilmUnreadableError(
            f"{path.name}: cannot be read ({reason.strerror}); the disk or the network may be at fault."
        ) from reason


def _may_be_dicom(head: bytes) -> bool:
    """Tell whether this may be DICOM: by its prefix, or by a first element of group 2 or 8 without preamble."""
    if head[128:132] == b"DICM":
        return True
    if len(head) < 8 or head[:2] not in BARE_DICOM_GROUPS:
        return False
    element = head[2:4] if head[1:2] == b"\0" else head[3:1:-1]
    return int.from_bytes(element, "little") < 0x0100


def _not_a_film(head: bytes, name: str) -> FilmUnreadableError | FilmRefusedError:
    expected = "a DICOM, PNG, JPEG or TIFF file is expected. Export the film as one of these."
    if not head:
        return FilmUnreadableError(f"{name}: an empty file was found, {expected}")
    if head[4:8] == b"ftyp" or head[8:12] == b"AVI " or head[:4] in (b"\x1aE\xdf\xa3", b"\0\0\x01\xba"):
        return FilmRefusedError(f"{name}: a video was found, {expected}")
    for signature, kind in OTHER_SIGNATURES.items():
        if head.startswith(signature):
            return FilmUnreadableError(f"{name}: {kind} was found, {expected}")
    kind = "a text file" if _is_text(head) else "a file of unknown kind"
    return FilmUnreadableError(f"{name}: {kind} was found, {expected}")


def _is_text(head: bytes) -> bool:
    try:
        text = codecs.utf_8_decode(head, "strict", False)[0]  # The last character may be cut in two.
    except UnicodeDecodeError:
        return False
    return all(letter.isprintable() or letter.isspace() for letter in text)
