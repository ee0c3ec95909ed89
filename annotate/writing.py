"""The one way in which files are written: whole or not at all, never onto an input, for their owner alone."""

from __future__ import annotations

import io
import os
import secrets
import stat
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, TextIO


class OutputError(Exception):
    """A file that cannot be written; the message says what was found, what was expected and what to do."""


@contextmanager
def whole_file(path: Path, *, overwrite: bool = False, inputs: Iterable[Path] = ()) -> Iterator[BinaryIO]:
    """A file to write into, which takes its place when it is whole and on the disk; mode 0600.

    Parameters
    ----------
    path : Path
        Its folder is made if missing.
    overwrite : bool
        Whether it may take the place of a file that is there.
    inputs : iterable of Path
        Files that are read: it never takes the place of one, whatever name it goes by.

    Raises
    ------
    OutputError
        Where it may not, or cannot, be written.
    """
    new = path.with_name(f".{path.name[:100]}.{secrets.token_hex(8)}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _refuse_what_is_there(path, overwrite, inputs)
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)
        with os.fdopen(os.open(new, flags, 0o600), "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        _put_in_place(new, path, overwrite)
    except FileExistsError as error:
        raise _there_already(path) from error
    except OSError as error:
        raise OutputError(
            f"{path}: cannot be written ({error.strerror or type(error).__name__}); a place with room where you "
            "may write is expected. Nothing was changed there."
        ) from error
    finally:
        new.unlink(missing_ok=True)


def write_text(path: Path, text: str, *, overwrite: bool = False, inputs: Iterable[Path] = ()) -> None:
    """Write a text as UTF-8; see `whole_file`."""
    with whole_file(path, overwrite=overwrite, inputs=inputs) as file:
        file.write(text.encode())


@contextmanager
def text_in(file: BinaryIO) -> Iterator[TextIO]:
    """The file as one of text, UTF-8 without changes to line ends; it stays open."""
    lines = io.TextIOWrapper(file, encoding="utf-8", newline="", write_through=True)
    try:
        yield lines
        lines.flush()
    finally:
        lines.detach()


def sync_folder(folder: Path) -> None:
    """Bring a folder's names to the disk: a file that is there, but under no name, is lost."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _refuse_what_is_there(path: Path, overwrite: bool, inputs: Iterable[Path]) -> None:
    try:
        found = path.lstat()
    except FileNotFoundError:
        return
    if any(_is_same(path, other) for other in inputs):
        raise OutputError(f"{path}: this is a film that is read; it is never written onto. Give another name.")
    if not stat.S_ISREG(found.st_mode):
        raise OutputError(
            f"{path}: a folder, link, pipe or device was found, the name of a new file is expected. Give another."
        )
    if not overwrite:
        raise _there_already(path)


def _there_already(path: Path) -> OutputError:
    return OutputError(f"{path}: there is such a file already; give another name, or --overwrite.")


def _is_same(path: Path, other: Path) -> bool:
    try:
        return path.samefile(other)
    except OSError:
        return False


def _put_in_place(new: Path, path: Path, overwrite: bool) -> None:
    """Give a whole file its name; without `overwrite` it fails where another process was first."""
    if overwrite or not hasattr(os, "link"):
        new.replace(path)
    else:
        os.link(new, path)
    sync_folder(path.parent)
