"""One audit: what is finished stays, the rest is measured and written part by part."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from annotate.audit.errors import AuditError
from annotate.audit.parts import Measured, Part, cut
from annotate.audit.results import FORMAT, Results, Settings
from annotate.audit.sources import Source
from annotate.audit.versions import versions
from annotate.audit.workers import Workers
from measure.reading import SCHEMA_VERSION

if TYPE_CHECKING:
    import pyarrow

Option = str | int | bool


@dataclass(frozen=True, slots=True)
class BadFilm:
    """A film without an answer, for the eyes of whoever runs the audit: its place may tell whose it is."""

    entry: int
    place: str
    error: str


@dataclass(slots=True)
class Tally:
    """What a run has come to, so far.

    Parameters
    ----------
    entries, kept : int
        All that are finished, and those of them that an earlier run had finished.
    readings : int
        Rows of the results.
    verdicts : counter of str
    bad : int
        Entries that could not be read.
    """

    entries: int = 0
    kept: int = 0
    readings: int = 0
    verdicts: Counter[str] = field(default_factory=Counter)
    bad: int = 0

    def add(self, part: Part, table: pyarrow.Table) -> list[BadFilm]:
        """Count a finished part, and return its bad films."""
        self.entries += len(part.entries)
        self.readings += table.num_rows
        self.verdicts.update(table.column("verdict").to_pylist())
        errors = dict(zip(table.column("entry").to_pylist(), table.column("error").to_pylist(), strict=True))
        bad = [BadFilm(n, entry.place, error) for n, entry in part.entries if (error := errors.get(n)) is not None]
        self.bad += len(bad)
        return bad


def settings_of(source: Source, options: dict[str, Option]) -> Settings:
    """What settings.json holds: all that the results depend on, and no path."""
    return {
        "format": {"version": FORMAT, "reading": SCHEMA_VERSION},
        "source": {"kind": source.kind, "sha256": source.digest, "entries": source.count},
        "settings": options,
        "software": versions(),
    }


def run_audit(
    source: Source,
    results: Results,
    options: dict[str, Option],
    films_per_part: int,
    workers: Callable[[], AbstractContextManager[Workers]],
    *,
    verbose: bool = False,
) -> Iterator[tuple[Tally, list[BadFilm]]]:
    """Measure what is not finished yet; after each part the tally and that part's bad films.

    Parameters
    ----------
    source : Source
    results : Results
    options : dict
        Settings that the results depend on.
    films_per_part : int
        Films with pixels in one file of the results.
    workers : callable
        Opens the workers; called only where something is left to measure.
    verbose : bool

    Raises
    ------
    AuditError
        Where the results belong to another run, or the workers have other software.
    """
    finished = results.begin(settings_of(source, options | {"films_per_part": films_per_part}))
    tally = Tally()
    if finished:
        for part in cut(source.entries(), films_per_part):
            if part.number in finished:
                tally.kept += len(part.entries)
                yield tally, tally.add(part, results.read(part.number))
    if tally.entries == source.count:
        return
    left = (part for part in cut(source.entries(), films_per_part) if part.number not in finished)
    with workers() as measuring:
        for part, measured in measuring.measured(left, verbose=verbose):
            _refuse_other_software(measured)
            results.write(part.number, measured.table)
            yield tally, tally.add(part, measured.table)


def _refuse_other_software(measured: Measured) -> None:
    own = versions()
    differing = [
        f"{name} {measured.versions.get(name)} there, {own[name]} here"
        for name in own
        if measured.versions.get(name) != own[name]
    ]
    if differing:
        raise AuditError(f"workers with other software found: {'; '.join(differing)}. Install the same there.")
