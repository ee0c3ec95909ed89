"""What this user last saw at the logbook's end, kept outside it: entries cut off there are then missed."""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import asdict, dataclass
from pathlib import Path

from annotate.logbook.errors import LogbookError
from annotate.logbook.folder import data_folder, put_private


@dataclass(frozen=True, slots=True)
class Seen:
    """An entry that was there: its number and hash."""

    number: int
    hash: str

    @classmethod
    def parse(cls, text: str) -> Seen:
        """From "NUMBER:HASH", as `lipmark log verify` prints it.

        Raises
        ------
        LogbookError
            Where the text is not of that form.
        """
        number, _, digits = text.partition(":")
        try:
            return cls(int(number), f"{int(digits, 16):064x}")
        except ValueError:
            raise LogbookError(f"{text!r} found, NUMBER:HASH expected, as lipmark log verify printed it") from None

    def __str__(self) -> str:
        return f"{self.number}:{self.hash}"


class Anchor:
    """The files with the last entry that was seen: one by the logbook's id, one by its place.

    A logbook that is moved or copied is known by its id; one whose id was changed, or that was put in another's
    place, by the place.

    Parameters
    ----------
    logbook_id : str
        Which logbook.
    place : str
        Its URL, without a password.
    """

    def __init__(self, logbook_id: str, place: str) -> None:
        folder = data_folder() / "anchors"
        self._id = logbook_id
        self._by_id = folder / f"{logbook_id if _is_plain(logbook_id) else _digits_of(logbook_id)}.json"
        self._by_place = folder / f"place-{_digits_of(place)}.json"

    def read(self) -> Seen | None:
        """What was seen of this logbook; None where nothing was, or the file is damaged."""
        kept = _kept(self._by_id)
        return None if kept is None else kept[1]

    def read_place(self) -> Seen | None:
        """What was seen at this place, of whichever logbook."""
        kept = _kept(self._by_place)
        return None if kept is None else kept[1]

    def other_logbook(self) -> str | None:
        """Why what is here now is not the logbook that was here; None where it is, or nothing is known."""
        kept = _kept(self._by_place)
        if kept is None or kept[0] == self._id:
            return None
        return (
            "Another logbook is here than the one that was seen at this place, which had "
            f"{kept[1].number} entries: it was replaced, or its id was changed. If you put it here yourself, "
            f"remove {self._by_place}."
        )

    def write(self, seen: Seen) -> None:
        """Keep it; another logbook's memory of this place stays."""
        put_private(self._by_id, json.dumps(asdict(seen)).encode())
        if self.other_logbook() is None:
            put_private(self._by_place, json.dumps({**asdict(seen), "logbook": self._id}).encode())


def _kept(path: Path) -> tuple[str, Seen] | None:
    try:
        kept = json.loads(path.read_bytes())
        return str(kept.pop("logbook", "")), Seen(int(kept.pop("number")), str(kept.pop("hash")), **kept)
    except (FileNotFoundError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None


def _is_plain(logbook_id: str) -> bool:
    """An id that was changed could name a file elsewhere."""
    return re.fullmatch(r"[0-9a-f-]{36}", logbook_id) is not None


def _digits_of(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()[:32]
