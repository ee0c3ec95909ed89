"""A folder tree as an audit's source."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from annotate.audit.entry import Entry, SourceDigest
from annotate.audit.errors import AuditError
from annotate.films.find import films_and_others
from imaging.case import Request
from measure.case import Bedside


class Folder:
    """Every film below a folder, in the order of their paths.

    Raises
    ------
    AuditError
        Where there is none.
    """

    kind = "folder"

    def __init__(self, path: Path, known: Bedside, *, believe_resolution: bool = False):
        self._path = path
        self.left_out: Sequence[Path]
        self._films, self.left_out = films_and_others([str(path)])
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
