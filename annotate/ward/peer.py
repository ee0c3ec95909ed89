"""Who may send by DICOM."""

from __future__ import annotations

from dataclasses import dataclass

from annotate.ward.errors import WardError


@dataclass(frozen=True, slots=True)
class Peer:
    """A sender or archive: its AE title, and its host where that is held to.

    Parameters
    ----------
    ae_title : str
        1 to 16 characters.
    host : str
        Empty where any will do.
    """

    ae_title: str
    host: str = ""

    @classmethod
    def parse(cls, words: str) -> Peer:
        """From "TITLE" or "TITLE@HOST".

        Raises
        ------
        WardError
            Where the title is none (PS3.5 6.2, AE).
        """
        title, _, host = words.partition("@")
        if not (0 < len(title.strip()) <= 16) or "\\" in title or not title.isprintable():
            raise WardError(
                f"peer: {words!r} found; an AE title of 1 to 16 characters expected, TITLE or TITLE@HOST."
            )
        return cls(title.strip(), host)
