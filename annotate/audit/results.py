"""The folder of results, wherever fsspec reaches: settings.json, and a Parquet file for each finished part."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from annotate.audit.errors import AuditError

if TYPE_CHECKING:
    import pyarrow

FORMAT = 2
"""Version of the results' columns and settings; a new one adds or changes some."""

SETTINGS, FILMS = "settings.json", "films"
PART = re.compile(r"part-(\d+)\.parquet")
UNFINISHED = ".unfinished"

Settings = Mapping[str, Mapping[str, object]]


class Results:
    """A run's results; every file appears whole or not at all.

    Parameters
    ----------
    url : str
        A path or an fsspec URL.

    Raises
    ------
    AuditError
        Where no such place can be reached.
    """

    def __init__(self, url: str):
        from fsspec.core import url_to_fs

        try:
            self._files, self._root = url_to_fs(url)
        except (ValueError, ImportError) as error:
            raise AuditError(f"{url}: {error}; give a folder, or a URL that fsspec knows.") from error
        self.url = url

    def begin(self, settings: Settings) -> frozenset[int]:
        """Start a run, or go on with one of the same settings.

        Returns
        -------
        frozenset of int
            Numbers of the parts that are finished.

        Raises
        ------
        AuditError
            Where the folder holds something else, or a run with another source, settings or software.
        """
        text = json.dumps(settings, indent=1) + "\n"
        try:
            self._files.makedirs(f"{self._root}/{FILMS}", exist_ok=True)
            if self._files.exists(f"{self._root}/{SETTINGS}"):
                self._refuse_other(json.loads(self._files.cat_file(f"{self._root}/{SETTINGS}")), json.loads(text))
            elif self._parts():
                raise AuditError(f"{self.url}: results without {SETTINGS} found; give an empty folder.")
            else:
                self._write(SETTINGS, text.encode())
        except (OSError, ValueError) as error:
            raise AuditError(f"{self.url}: {error}; a folder that can be written is expected.") from error
        return frozenset(self._parts())

    def write(self, number: int, table: pyarrow.Table) -> None:
        """Add a finished part.

        Raises
        ------
        AuditError
            Where it cannot be written.
        """
        import pyarrow
        import pyarrow.parquet

        sink = pyarrow.BufferOutputStream()
        pyarrow.parquet.write_table(table, sink)
        self._write(self._name(number), sink.getvalue().to_pybytes())

    def read(self, number: int) -> pyarrow.Table:
        """A finished part."""
        import pyarrow
        import pyarrow.parquet

        data = self._files.cat_file(f"{self._root}/{self._name(number)}")
        try:
            return pyarrow.parquet.read_table(pyarrow.BufferReader(data))
        except pyarrow.ArrowException as error:
            raise AuditError(
                f"{self.url}: {self._name(number)} is damaged ({error}); delete it and run the same command again."
            ) from error

    def _write(self, name: str, data: bytes) -> None:
        """Write beside it first: whoever is killed in between leaves nothing that looks finished."""
        folder, _, file = f"{self._root}/{name}".rpartition("/")
        unfinished = f"{folder}/{file}{UNFINISHED}"
        try:
            self._files.pipe_file(unfinished, data)
            self._files.mv(unfinished, f"{folder}/{file}")
        except OSError as error:
            raise AuditError(
                f"{self.url}: {name} cannot be written ({error}); make room or see to your rights, then run the "
                "same command again."
            ) from error

    def _name(self, number: int) -> str:
        return f"{FILMS}/part-{number:06d}.parquet"

    def _parts(self) -> list[int]:
        names = (path.rpartition("/")[2] for path in self._files.ls(f"{self._root}/{FILMS}", detail=False))
        return [int(found.group(1)) for name in names if (found := PART.fullmatch(name))]

    def _refuse_other(self, held: object, wanted: Settings) -> None:
        if held == wanted:
            return
        told = held if isinstance(held, dict) else {}
        differing = "\n  ".join(_differences(told, wanted)) or "something unknown"
        raise AuditError(
            f"{self.url}: holds a run that was started differently:\n  {differing}\n"
            "Go on with what it was started with, or give another --out."
        )


def _differences(held: Mapping[str, object], wanted: Settings) -> Iterator[str]:
    """Every value that differs, by its name."""
    for chapter in sorted(set(held) | set(wanted)):
        old, new = held.get(chapter), wanted.get(chapter)
        before, now = (side if isinstance(side, Mapping) else {"": side} for side in (old, new))
        for name in sorted(set(before) | set(now)):
            if before.get(name) != now.get(name):
                yield f"{chapter} {name}: then {before.get(name)}, now {now.get(name)}"
