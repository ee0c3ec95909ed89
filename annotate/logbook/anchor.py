"""What this user last saw at the logbook's end, kept outside it: entries cut off there are then missed."""

from __future__ import annotations

import json
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
    """The file with the last entry that was seen.

    Parameters
    ----------
    logbook_id : str
        Which logbook.
    """

    def __init__(self, logbook_id: str) -> None:
        self._path: Path = data_folder() / "anchors" / f"{logbook_id}.json"

    def read(self) -> Seen | None:
        """What was seen; None where nothing was, or the file is damaged."""
        try:
            return Seen(**json.loads(self._path.read_bytes()))
        except (FileNotFoundError, ValueError, TypeError):
            return None

    def write(self, seen: Seen) -> None:
        """Keep it."""
        put_private(self._path, json.dumps(asdict(seen)).encode())
