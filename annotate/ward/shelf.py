"""Where what belongs to a film lies: whole, encrypted, synced, until its days are over."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from annotate.ward.errors import NoRoomError, WardError
from annotate.ward.vault import Vault

FILM, CASE, LARGE, CROP = "film", "case", "large", "crop"
"""Parts of a film: as received; what was known and proposed; its picture; the part round the marks."""

LEAST_ROOM_BYTES = 500_000_000
"""With less room on the disk nothing more is received (ours): some tens of films."""


class Shelf:
    """A folder for each film.

    Parameters
    ----------
    folder : Path
        Made if missing.
    vault : Vault
        Locks what is put down.
    """

    def __init__(self, folder: Path, vault: Vault) -> None:
        self._folder, self._vault = folder, vault
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)

    def put(self, film: str, part: str, content: bytes) -> None:
        """Keep a part; when this returns, it is on the disk.

        Raises
        ------
        NoRoomError
            Where the disk is full or cannot be written.
        """
        try:
            place = self._place(film)
            place.mkdir(mode=0o700, parents=True, exist_ok=True)
            new = place / f"{part}.new"
            with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file:
                file.write(self._vault.locked(content))
                file.flush()
                os.fsync(file.fileno())
            new.replace(place / part)
            for folder in (place, place.parent):
                _sync_folder(folder)
        except OSError as error:
            raise NoRoomError(
                f"ward: the disk takes nothing ({error.strerror}); free room or check rights."
            ) from error

    def get(self, film: str, part: str) -> bytes | None:
        """A part as it was put down; None where there is none.

        Raises
        ------
        WardError
            Where it was altered or cannot be read.
        """
        try:
            return self._vault.opened((self._place(film) / part).read_bytes())
        except FileNotFoundError:
            return None
        except OSError as error:
            raise WardError(
                f"ward: a kept film cannot be read ({error.strerror}); check disk and rights."
            ) from error

    def clear(self, film: str) -> None:
        """Remove all that belongs to a film."""
        shutil.rmtree(self._place(film), ignore_errors=True)

    def refuse_without_room(self) -> None:
        """Stop receiving while the disk can still hold what was received.

        Raises
        ------
        NoRoomError
            Where too little is left.
        """
        left = shutil.disk_usage(self._folder).free
        if left < LEAST_ROOM_BYTES:
            raise NoRoomError(
                f"ward: {left // 1_000_000} MB left on the disk, {LEAST_ROOM_BYTES // 1_000_000} MB expected; "
                "free room, or shorten --keep-days."
            )

    def _place(self, film: str) -> Path:
        return self._folder / film[:2] / film


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
