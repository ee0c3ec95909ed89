"""What a film has at most: the same for every kind of file, so that none can fill the memory or the day."""

from __future__ import annotations

import io
import os
import stat
import zlib
from pathlib import Path
from typing import BinaryIO

from imaging.errors import FilmRefusedError, FilmUnreadableError

LARGEST_PIXEL_COUNT = 80_000_000
"""More is no film, and would fill the memory (ours): 35 x 43 cm at 0.05 mm are 60 million."""

LONGEST_SIDE_PX = 40_000
"""A longer side is no film's (ours): 130 cm at 0.05 mm are 26,000. Forged pictures are as often long as large."""

LARGEST_FILE_BYTES = 500_000_000
"""The largest picture in three colours of 16 bits has 480 million (ours)."""

LARGEST_INFLATED_BYTES = 256_000_000
"""The largest picture in three colours of 8 bits, and its header (ours)."""

MOST_READS = 200_000
"""Steps in which a header is read (ours): two or three an attribute, of which a film has a few hundred."""


def refuse_too_many_pixels(rows: int, columns: int) -> None:
    """Let a picture of a film's size pass.

    Raises
    ------
    FilmRefusedError
        Where it has more pixels than any film.
    """
    if rows * columns > LARGEST_PIXEL_COUNT or max(rows, columns) > LONGEST_SIDE_PX:
        raise FilmRefusedError(
            f"{rows} x {columns} pixels were found; {LARGEST_PIXEL_COUNT} pixels at most expected, and no side of "
            f"more than {LONGEST_SIDE_PX}. Export it smaller."
        )


def open_film(path: Path) -> BinaryIO:
    """Open a film file of believable size for reading.

    Raises
    ------
    FilmUnreadableError
        Where it cannot be opened, or is no file: a folder, a pipe, a device.
    FilmRefusedError
        Where it is larger than any film.
    """
    try:
        # Without waiting: opening a pipe that nobody writes to would take forever.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0))
    except OSError as reason:
        raise FilmUnreadableError(
            f"cannot be opened ({reason.strerror}); a readable DICOM, PNG, JPEG or TIFF file is "
            "expected. Check the path and your rights."
        ) from reason
    except ValueError as reason:  # a NUL in the name
        raise FilmUnreadableError("no file can have this name; check the path.") from reason
    try:
        _refuse_unless_file(os.fstat(handle))
    except BaseException:
        os.close(handle)
        raise
    return os.fdopen(handle, "rb")


def _refuse_unless_file(found: os.stat_result) -> None:
    if stat.S_ISDIR(found.st_mode):
        raise FilmUnreadableError("a folder was found, one film file is expected. Name the file in it.")
    if not stat.S_ISREG(found.st_mode):
        raise FilmUnreadableError(
            "a pipe, socket or device was found, a file is expected. Write the film to a file first."
        )
    refuse_too_many_bytes(found.st_size)


def refuse_too_many_bytes(size: int) -> None:
    """Let a file of a film's size pass.

    Raises
    ------
    FilmRefusedError
        Where it is larger.
    """
    if size > LARGEST_FILE_BYTES:
        raise FilmRefusedError(
            f"{size} bytes were found, a film file has {LARGEST_FILE_BYTES} at most. Export the film alone."
        )


def inflate(deflated: bytes) -> bytes:
    """Return deflated bytes (RFC 1951) at their full length, which is never beyond what a film needs.

    Raises
    ------
    FilmRefusedError
        Where they would become larger.
    zlib.error
        Where they are damaged.
    """
    inflater = zlib.decompressobj(-zlib.MAX_WBITS)
    inflated = inflater.decompress(deflated, LARGEST_INFLATED_BYTES)
    if inflater.unconsumed_tail:
        raise FilmRefusedError(
            f"{len(deflated)} deflated bytes were found that become more than {LARGEST_INFLATED_BYTES}, which "
            "no film has. Export it uncompressed."
        )
    if not inflater.eof:
        raise zlib.error("cut short")
    return inflated


class RationedReader(io.RawIOBase):
    """A file that is read in a limited number of steps: a header of millions of empty items ends here.

    Raises `FilmRefusedError` when the ration is used up.
    """

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._left = MOST_READS

    def read(self, size: int = -1) -> bytes:
        """Return up to so many bytes, all by default."""
        self._left -= 1
        if self._left < 0:
            raise FilmRefusedError(
                f"a header of more than {MOST_READS} parts was found, a film's has a few hundred. "
                "Export the film without its private parts."
            )
        return self._file.read(size)

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Move to another place."""
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        """Return the place."""
        return self._file.tell()

    def readable(self) -> bool:
        """It can be read."""
        return True

    def seekable(self) -> bool:
        """It can be sought."""
        return True
