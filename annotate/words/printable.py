"""Text from files and headers on its way to a terminal: what is not printable is shown as what it is."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import TextIO

KEPT = frozenset("\n\t")
OWN_STYLE = re.compile("(\x1b\\[[01]m)")
"""Bold and not bold: the only sequences that we write ourselves."""


def printable(text: str) -> str:
    """Return a text whose control characters, invisible ones and halves of characters are escaped."""
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() or letter in KEPT else _escaped(letter) for letter in text)


def _escaped(letter: str) -> str:
    return letter.encode("unicode_escape", "surrogatepass").decode("ascii")


def name_of(path: Path) -> str:
    """Return a file's path as text that can be printed and stored: bytes that are no UTF-8 are escaped."""
    return os.fsencode(path).decode("utf-8", "backslashreplace")


class PrintableStream:
    """A text stream through which only printable text passes; all else is the stream's own."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write a text, escaped but for our own style."""
        parts = OWN_STYLE.split(text)
        self._stream.write("".join(part if place % 2 else printable(part) for place, part in enumerate(parts)))
        return len(text)

    def __getattr__(self, name: str) -> object:
        return getattr(self._stream, name)
