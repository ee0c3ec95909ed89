"""Files, folders and patterns on the command line become a list of films."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from glob import glob
from pathlib import Path

from imaging.errors import FilmUnreadableError
from imaging.load import looks_like_film


def find_films(words: Iterable[str]) -> list[Path]:
    """Paths in the order given; a folder gives the films below it, sorted by name.

    A file that is named is always taken, whatever it holds: it gets an answer. In a folder only files that begin
    like a film are taken, and those that cannot be opened: their answer says so.
    """
    return [path for word in words for path in _films_of(word)]


def _films_of(word: str) -> Iterator[Path]:
    path = Path(word)
    if path.is_dir():
        yield from (file for file in sorted(path.rglob("*")) if _is_film(file))
    elif path.exists() or not any(sign in word for sign in "*?["):
        yield path
    else:  # Path.glob takes no absolute pattern
        yield from (Path(match) for match in sorted(glob(word, recursive=True)) if Path(match).is_file())  # noqa: PTH207


def _is_film(path: Path) -> bool:
    hidden = any(part.startswith(".") for part in path.parts[-1:])
    if not path.is_file() or hidden:
        return False
    try:
        return looks_like_film(path)
    except FilmUnreadableError:
        return True
