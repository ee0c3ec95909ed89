"""Where an audit's films come from: a folder, a manifest or the logbook."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Protocol

from annotate.audit.entry import Entry
from annotate.audit.errors import AuditError
from measure.case import Bedside

LOGBOOK = "logbook"
"""The word that names the user's logbook."""

MANIFEST_SUFFIXES = (".csv", ".parquet")


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
    left_out : sequence of Path
        Files of a folder that are no films.
    """

    kind: str
    digest: str
    count: int
    left_out: Sequence[Path]

    def entries(self) -> Iterator[Entry]:
        """A fresh stream of all of them."""
        ...


def open_source(
    text: str,
    known: Bedside,
    *,
    believe_resolution: bool = False,
    hand_only: bool = False,
    skip_bad_rows: bool = False,
) -> Source:
    """The source that a word of the command line names.

    Parameters
    ----------
    text : str
        A folder, a manifest by its ending, "logbook" for the user's own or the URL of one.
    known : Bedside
        What holds for every film: the accepted range, and the neck's posture where nothing else is known of it.
    believe_resolution, hand_only, skip_bad_rows : bool
        As the command's options.

    Raises
    ------
    AuditError
        Where there is no such thing, or a manifest has rows that cannot be used.
    """
    # Each is imported where it is the source: the logbook needs a database's libraries.
    if text == LOGBOOK or "://" in text or text.endswith(".sqlite"):
        from annotate.audit.logbook_readings import LogbookReadings

        return LogbookReadings(None if text == LOGBOOK else text, known)
    path = Path(text)
    if path.is_dir():
        from annotate.audit.folder import Folder

        return Folder(path, known, believe_resolution=believe_resolution)
    if path.is_file() and path.suffix.lower() in MANIFEST_SUFFIXES:
        from annotate.audit.manifest import Manifest

        manifest = Manifest(path, known, believe_resolution=believe_resolution, hand_only=hand_only)
        if not skip_bad_rows:
            manifest.refuse_problems()
        return manifest
    found = f"a file that ends in {path.suffix!r}" if path.exists() else "nothing"
    raise AuditError(
        f"{text}: {found} found; a folder of films, a manifest ({' or '.join(MANIFEST_SUFFIXES)}) or the word "
        f"{LOGBOOK} expected."
    )
