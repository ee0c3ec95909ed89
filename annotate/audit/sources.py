"""Where an audit's films come from: a folder, a manifest or the logbook."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Protocol

from annotate.audit.entry import Entry, SourceDigest
from annotate.audit.errors import AuditError
from annotate.audit.manifest import SUFFIXES, Manifest
from annotate.find_films import find_films
from annotate.request import Request
from measure.assess import Case


class Source(Protocol):
    """Entries in a fixed order, any number of times.

    Attributes
    ----------
    kind : str
        "folder", "manifest" or "logbook".
    digest : str
        Changes where the source changes.
    count : int
        Entries.
    """

    kind: str
    digest: str
    count: int

    def entries(self) -> Iterator[Entry]:
        """A fresh stream of all of them."""
        ...


class Folder:
    """Every film below a folder, in the order of their paths.

    Raises
    ------
    AuditError
        Where there is none.
    """

    kind = "folder"

    def __init__(self, path: Path, known: Case, *, believe_resolution: bool = False):
        self._path = path
        self._films = find_films([str(path)])
        self._request = Request(known=known, believe_resolution=believe_resolution)
        if not self._films:
            raise AuditError(f"{path}: no film found; give a folder of films, a manifest or the logbook.")
        self._listing = SourceDigest()
        for film in self._films:
            line = f"{film.relative_to(path)}\0{film.stat().st_size}\0"
            self._listing.update(line.encode("utf-8", "surrogateescape"))
        self.digest = self._listing.told
        self.count = len(self._films)

    def entries(self) -> Iterator[Entry]:
        """One film after the other; nothing is known beside its header."""
        for film in self._films:
            name = str(film.relative_to(self._path))
            yield Entry(name, self._listing.key_of(name), film, self._request, proposed=True)


def open_source(
    text: str,
    known: Case,
    *,
    believe_resolution: bool = False,
    hand_only: bool = False,
    skip_bad_rows: bool = False,
) -> Source:
    """The source that a word of the command line names.

    Parameters
    ----------
    text : str
        A folder, or a manifest by its ending.
    known : Case
        What holds for every film: the accepted range.
    believe_resolution, hand_only, skip_bad_rows : bool
        As the command's options.

    Raises
    ------
    AuditError
        Where there is no such thing, or a manifest has rows that cannot be used.
    """
    path = Path(text)
    if path.is_dir():
        return Folder(path, known, believe_resolution=believe_resolution)
    if path.is_file() and path.suffix.lower() in SUFFIXES:
        manifest = Manifest(path, known, believe_resolution=believe_resolution, hand_only=hand_only)
        if not skip_bad_rows:
            manifest.refuse_problems()
        return manifest
    found = f"a file that ends in {path.suffix!r}" if path.exists() else "nothing"
    raise AuditError(f"{text}: {found} found; a folder of films or a manifest ({' or '.join(SUFFIXES)}) expected.")
