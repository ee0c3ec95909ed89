"""Files of this user that belong to the logbook, readable by their owner alone."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from annotate.writing import sync_folder


def data_folder() -> Path:
    """The user's data folder for lipmark, made if missing."""
    from platformdirs import user_data_path

    folder = user_data_path("lipmark", appauthor=False)
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    return folder


def put_private(path: Path, content: bytes) -> None:
    """Put a whole file in place, mode 0600: a reader sees the old one or the new one."""
    _written_beside(path, content).replace(path)
    sync_folder(path.parent)


def make_private(path: Path, content: bytes) -> None:
    """Make a file, mode 0600, on the disk; where another process was first, its file stays."""
    new = _written_beside(path, content)
    try:
        os.link(new, path)
        sync_folder(path.parent)
    except FileExistsError:
        return
    finally:
        new.unlink()


def _written_beside(path: Path, content: bytes) -> Path:
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    # A name of its own, mode 0600: threads of one process may write the same file at once.
    handle, new = tempfile.mkstemp(prefix=f"{path.name}.", suffix=".new", dir=path.parent)
    with os.fdopen(handle, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    return Path(new)
