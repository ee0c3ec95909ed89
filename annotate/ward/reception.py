"""The one door by which films come in, whatever brought them."""

from __future__ import annotations

import hashlib
import io
import warnings
from collections.abc import Callable
from enum import StrEnum

from annotate.reports.marks_of_ours import is_ours
from annotate.ward.errors import NoRoomError, NotAnObjectError
from annotate.ward.register import Register, new_film
from annotate.ward.shelf import FILM, Shelf
from annotate.ward.vault import Vault

MOST_WAITING = 5000
"""With more films waiting, senders are asked to wait (ours): some hours of reading."""

PICTURES = (b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"II*\0", b"MM\0*")
"""A picture has no identifier: its content is one."""

HEADER = ("SOPClassUID", "SOPInstanceUID", "Manufacturer", "ManufacturerModelName")


class Received(StrEnum):
    """What became of an object."""

    NEW = "new"
    DUPLICATE = "duplicate"
    OURS = "our own"


class Reception:
    """Takes films in; when `receive` returns, the film is on the disk and will be read.

    Parameters
    ----------
    register, shelf, vault
        Where they are kept.
    enqueue : callable
        Told the film's name.
    most_waiting : int
        Beyond so many unanswered films nothing is taken.
    """

    def __init__(
        self,
        register: Register,
        shelf: Shelf,
        vault: Vault,
        enqueue: Callable[[str], None],
        most_waiting: int = MOST_WAITING,
    ) -> None:
        self._register, self._shelf, self._vault = register, shelf, vault
        self._enqueue, self._most_waiting = enqueue, most_waiting

    def receive(self, content: bytes, source: str) -> Received:
        """Take a DICOM object or a picture.

        Parameters
        ----------
        content : bytes
            The file.
        source : str
            How it came: a sender's AE title, "STOW-RS", "folder".

        Raises
        ------
        NotAnObjectError
            Where it has no identifier.
        NoRoomError
            Where it must be sent again later.
        """
        uid, ours = _identity(content)
        if ours:
            return Received.OURS
        key = self._vault.object_key(uid)
        if self._register.knows(key):
            return Received.DUPLICATE
        self._refuse_while_busy()
        film = new_film()
        self._shelf.put(film, FILM, content)
        try:
            added = self._register.add(film, key, source)
        except NoRoomError:
            self._shelf.clear(film)
            raise
        if not added:
            self._shelf.clear(film)
            return Received.DUPLICATE
        self._enqueue(film)
        return Received.NEW

    def _refuse_while_busy(self) -> None:
        self._shelf.refuse_without_room()
        waiting = self._register.counts_waiting()
        if waiting >= self._most_waiting:
            raise NoRoomError(f"ward: {waiting} films wait for an answer; send again later.")


def _identity(content: bytes) -> tuple[str, bool]:
    """What names the object, and whether we made it."""
    if content.startswith(PICTURES):
        return f"sha256 {hashlib.sha256(content).hexdigest()}", False
    import pydicom

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            header = pydicom.dcmread(
                io.BytesIO(content), stop_before_pixels=True, specific_tags=list(HEADER), force=True
            )
            uid = str(header.get("SOPInstanceUID", "") or "").strip()
            ours = is_ours(header)
    except (
        Exception
    ) as damage:  # At damaged bytes pydicom raises whatever it likes; its words may name the patient.
        raise NotAnObjectError(
            f"ward: damaged DICOM was found ({type(damage).__name__}); a whole object is expected. Send it again."
        ) from None
    if not uid:
        raise NotAnObjectError("ward: no SOP Instance UID was found; a DICOM object with one is expected.")
    return uid, ours
