"""Files, folders and patterns on the command line become a list of films."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from glob import glob
from pathlib import Path

from annotate.messages import LOG
from imaging.errors import ImagingError
from imaging.load import looks_like_film

MOST_NAMED = 10
"""Files that are no films are all counted, and so many named (ours)."""


def find_films(words: Iterable[str]) -> list[Path]:
    """Paths in the order given; a folder gives the films below it, sorted by name.

    A file that is named is always taken, whatever it holds: it gets an answer. In a folder only files that begin
    like a film are taken, and those that cannot be opened: their answer says so. The others are told, but for
    hidden ones.
    """
    films, left_out = films_and_others(words)
    if left_out:
        LOG.warning("%s", left_out_in_words(left_out))
    return films


def films_and_others(words: Iterable[str]) -> tuple[list[Path], list[Path]]:
    """The same, and the files that were left out instead of a warning."""
    left_out: list[Path] = []
    return [path for word in words for path in _films_of(word, left_out)], left_out


def left_out_in_words(files: Sequence[Path]) -> str:
    """How many files were left out, and which; of many the first."""
    count = "1 file is no film and was" if len(files) == 1 else f"{len(files)} files are no films and were"
    more = f" and {len(files) - MOST_NAMED} more" if len(files) > MOST_NAMED else ""
    return f"{count} left out: {', '.join(path.name for path in files[:MOST_NAMED])}{more}"


def _films_of(word: str, left_out: list[Path]) -> Iterator[Path]:
    path = Path(word)
    if path.is_dir():
        for file in sorted(path.rglob("*")):
            if file.is_dir() or file.name.startswith("."):
                continue
            if _is_film(file):
                yield file
            else:
                left_out.append(file)
    elif os.path.lexists(path) or not any(sign in word for sign in "*?["):
        yield path
    else:  # Path.glob takes no absolute pattern
        yield from (Path(match) for match in sorted(glob(word, recursive=True)) if Path(match).is_file())  # noqa: PTH207


def _is_film(path: Path) -> bool:
    try:
        return looks_like_film(path)
    except ImagingError:  # What cannot be opened is answered with that.
        return True
