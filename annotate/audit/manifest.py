"""A manifest, CSV or Parquet: one line a film or a reading of it, its columns named in docs/audit.md."""

from __future__ import annotations

import csv
import math
from array import array
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from difflib import get_close_matches
from enum import StrEnum
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar

from annotate.audit.entry import Circumstances, Entry, SourceDigest
from annotate.audit.errors import AuditError
from imaging.case import Request
from measure.case import Bedside
from measure.errors import MeasureError
from measure.magnification import View
from measure.patient import Patient, Sex
from measure.posture import NeckPosture
from measure.tube import Tube

ROWS_AT_A_TIME = 2000
PROBLEMS_SHOWN = 20
HASH_CHUNK_BYTES = 2**20

Value = str | int | float | bool | datetime | date | None
Row = Mapping[str, Value]
E = TypeVar("E", bound=StrEnum)
T = TypeVar("T")


def _text(value: Value) -> str:
    return str(value).strip()


def _number(value: Value) -> float:
    try:
        number = float(_text(value))
    except ValueError:
        number = math.nan
    if isinstance(value, bool) or not math.isfinite(number):
        raise MeasureError(f"{_text(value)!r} found, a number with a decimal point expected.")
    return number


def _time(value: Value) -> datetime:
    if isinstance(value, date) and not isinstance(value, datetime):
        value = datetime(value.year, value.month, value.day)
    try:
        time = value if isinstance(value, datetime) else datetime.fromisoformat(_text(value))
    except ValueError:
        raise MeasureError(
            f"{_text(value)!r} found, a date or time as in ISO 8601 expected: 2026-03-01 or 2026-03-01T14:30."
        ) from None
    return time.replace(tzinfo=None)


def _one_of(kind: type[E], short: Mapping[str, E] = MappingProxyType({})) -> Callable[[Value], E]:
    words = {member.value.lower(): member for member in kind} | dict(short)

    def parse(value: Value) -> E:
        word = _text(value).lower()
        if word not in words:
            raise MeasureError(f"{_text(value)!r} found, one of {', '.join(kind)} expected.")
        return words[word]

    return parse


COLUMNS: Mapping[str, Callable[[Value], object]] = MappingProxyType(
    {
        "film": _text,
        "film_label": _text,
        "time": _time,
        "unit": _text,
        "shift": _text,
        "operator_grade": _text,
        "patient": _text,
        "tube_size_mm": _number,
        "lip_mark_cm": _number,
        "sex": _one_of(Sex, {"f": Sex.FEMALE, "m": Sex.MALE}),
        "height_cm": _number,
        "age_years": _number,
        "neck": _one_of(NeckPosture),
        "view": _one_of(View),
        "mm_per_pixel": _number,
        "tip_row": _number,
        "tip_column": _number,
        "carina_row": _number,
        "carina_column": _number,
        "reader": _text,
    }
)
"""What a manifest may say, and how each value is read; docs/audit.md tells the meaning and unit of each."""


@dataclass(frozen=True, slots=True)
class Survey:
    """What one pass over the manifest found.

    Parameters
    ----------
    count : int
        Lines.
    readers : mapping of str to str
        Name in the manifest to name in the results.
    repeated : frozenset of str
        Keys of the films that have more than one line.
    problems : tuple of str
        The first `PROBLEMS_SHOWN` lines that cannot be used, and why.
    problem_count : int
        All of them.
    """

    count: int
    readers: Mapping[str, str]
    repeated: frozenset[str]
    problems: tuple[str, ...]
    problem_count: int


class Manifest:
    """The entries of a manifest, streamed.

    Parameters
    ----------
    path : Path
    known : Bedside
        What holds for every film.
    believe_resolution : bool
        As in `lipmark read`.
    hand_only : bool
        No proposals where a hand has placed both points.

    Raises
    ------
    AuditError
        Where it cannot be read or has unknown columns.
    """

    kind = "manifest"
    left_out: Sequence[Path] = ()

    def __init__(self, path: Path, known: Bedside, *, believe_resolution: bool = False, hand_only: bool = False):
        self._path = path
        self._known = known
        self._believe_resolution = believe_resolution
        self._hand_only = hand_only
        self._digest = _digest(path)
        self.digest = self._digest.told
        self.survey = self._look_through()
        self.count = self.survey.count

    def entries(self) -> Iterator[Entry]:
        """Every line in order, also those that cannot be used."""
        seen: set[str] = set()
        for number, row in read_rows(self._path):
            entry = self._entry(number, row, self.survey.readers)
            if entry.key in self.survey.repeated and not entry.problem:
                if entry.key in seen:
                    entry = _again(entry)
                seen.add(entry.key)
            yield entry

    def refuse_problems(self) -> None:
        """Stop before anything is measured where lines cannot be used.

        Raises
        ------
        AuditError
            It lists the first of them.
        """
        count = self.survey.problem_count
        if count:
            shown = "\n  ".join(self.survey.problems)
            more = f"\n  ... and {count - PROBLEMS_SHOWN} more" if count > PROBLEMS_SHOWN else ""
            raise AuditError(
                f"{self._path.name}: {count} of {self.count} rows cannot be used:\n  {shown}{more}\n"
                "Correct them, or count them as bad films with --skip-bad-rows."
            )

    def _look_through(self) -> Survey:
        count, problems, problem_count = 0, list[str](), 0
        readers: dict[str, str] = {}
        keys = array("Q")
        for number, row in read_rows(self._path):
            count += 1
            if name := _text(row.get("reader") or ""):
                readers.setdefault(name, f"reader {len(readers) + 1}")
            entry = self._entry(number, row, readers)
            if entry.problem:
                problem_count += 1
                problems.append(f"{entry.place}: {entry.problem}")
                del problems[PROBLEMS_SHOWN:]
            keys.append(_short(entry.key))
        repeated = self._repeated(keys)
        return Survey(count, readers, repeated, tuple(problems), problem_count)

    def _repeated(self, keys: array[int]) -> frozenset[str]:
        """Keys that occur more than once; eight bytes a line are kept, whatever their number."""
        import numpy as np

        ordered = np.frombuffer(keys, np.uint64)
        ordered.sort()
        short = frozenset(ordered[1:][ordered[1:] == ordered[:-1]].tolist())
        if not short:
            return frozenset()
        rows = read_rows(self._path)
        return frozenset(key for number, row in rows if _short(key := self._key(number, row)) in short)

    def _key(self, number: int, row: Row) -> str:
        name = _text(row.get("film") or "") or _text(row.get("film_label") or "")
        return self._digest.key_of(name or f"row {number}")

    def _entry(self, number: int, row: Row, readers: Mapping[str, str]) -> Entry:
        bare = Entry(place=f"row {number}", key=self._key(number, row))
        try:
            said = {name: _parsed(name, value) for name, value in row.items() if not _empty(value)}
            return self._usable(bare, said, readers)
        except MeasureError as error:
            return replace(bare, problem=str(error))

    def _usable(self, bare: Entry, said: dict[str, object], readers: Mapping[str, str]) -> Entry:
        get = _Said(said)
        asked = Request(
            tip=get.point("tip"),
            carina=get.point("carina"),
            mm_per_pixel=get.number("mm_per_pixel"),
            believe_resolution=self._believe_resolution,
            known=replace(
                self._known,
                patient=Patient(get.number("age_years"), get.of("sex", Sex), get.number("height_cm")),
                tube=Tube(get.number("tube_size_mm")),
                lip_mark_cm=get.number("lip_mark_cm"),
                posture=get.of("neck", NeckPosture) or self._known.posture,
                view=get.of("view", View) or View.UNKNOWN,
            ),
        )
        film = get.of("film", str)
        both = asked.tip is not None and asked.carina is not None
        _check_measurable(film, both, asked)
        reader, patient = get.of("reader", str), get.of("patient", str)
        return replace(
            bare,
            place=film or bare.place,
            film=None if film is None else self._path.parent / film,
            asked=asked,
            proposed=film is not None and not (both and self._hand_only),
            circumstances=Circumstances(
                get.of("time", datetime),
                get.of("unit", str),
                get.of("shift", str),
                get.of("operator_grade", str),
                None if patient is None else self._digest.key_of(f"patient {patient}"),
                None if reader is None else readers[reader],
            ),
        )


@dataclass(frozen=True, slots=True)
class _Said:
    """The values of one line, by name and kind."""

    values: Mapping[str, object]

    def of(self, name: str, kind: type[T]) -> T | None:
        value = self.values.get(name)
        return value if isinstance(value, kind) else None

    def number(self, name: str) -> float | None:
        return self.of(name, float)

    def point(self, name: str) -> tuple[float, float] | None:
        row, column = self.number(f"{name}_row"), self.number(f"{name}_column")
        if row is None and column is None:
            return None
        if row is None or column is None:
            missing = "row" if row is None else "column"
            raise MeasureError(f"{name}_{missing}: nothing found beside the other one, both expected or neither.")
        return row, column


def _check_measurable(film: str | None, both: bool, asked: Request) -> None:
    if film is None and not both:
        raise MeasureError("neither a film nor both marks found; give film, or tip and carina with mm_per_pixel.")
    if film is None and asked.mm_per_pixel is None:
        raise MeasureError("mm_per_pixel: nothing found beside marks without a film, the pixel's size expected.")


def _again(entry: Entry) -> Entry:
    """A later line of a film that had one: another hand's reading, its proposal is already made."""
    if entry.film is not None and not entry.marked:
        return replace(
            entry, problem="this film has an earlier row; give it once, or with another reader's marks."
        )
    return replace(entry, proposed=False)


def _parsed(name: str, value: Value) -> object:
    try:
        return COLUMNS[name](value)
    except MeasureError as error:
        raise MeasureError(f"{name}: {error}") from None


def _empty(value: Value) -> bool:
    return value is None or (isinstance(value, str) and not value.strip()) or value != value


def _short(key: str) -> int:
    return int(key[:16], 16)


def _digest(path: Path) -> SourceDigest:
    digest = SourceDigest()
    try:
        with path.open("rb") as file:
            while chunk := file.read(HASH_CHUNK_BYTES):
                digest.update(chunk)
    except OSError as error:
        raise AuditError(f"{path}: cannot be opened ({error.strerror}); a manifest is expected.") from error
    return digest


def read_rows(path: Path) -> Iterator[tuple[int, Row]]:
    """Number and values of every line; the header of a CSV file is row 1.

    Raises
    ------
    AuditError
        Where the file is damaged or a column is not known.
    """
    return _parquet_rows(path) if path.suffix.lower() == ".parquet" else _csv_rows(path)


def _csv_rows(path: Path) -> Iterator[tuple[int, Row]]:
    with path.open(newline="", encoding="utf-8-sig") as file:
        try:
            header = file.readline()
            names = next(csv.reader([header], delimiter=_delimiter(header)), [])
            names = _known_columns(path, [name.strip() for name in names])
            lines = csv.reader(file, delimiter=_delimiter(header))
            for values in lines:
                if any(value.strip() for value in values):
                    yield lines.line_num + 1, _named(names, values, path, lines.line_num + 1)
        except UnicodeDecodeError as error:
            raise AuditError(f"{path.name}: not UTF-8 text; save it as CSV in UTF-8.") from error
        except csv.Error as error:
            raise AuditError(f"{path.name}: a damaged CSV file ({error}); save it again as CSV.") from error


def _delimiter(header: str) -> str:
    return ";" if header.count(";") > header.count(",") else ","


def _named(names: list[str], values: list[str], path: Path, number: int) -> Row:
    if len(values) != len(names):
        raise AuditError(
            f"{path.name}: row {number} has {len(values)} values, {len(names)} expected as in the header; "
            "put quotes around values with a separator in them."
        )
    return dict(zip(names, values, strict=True))


def _parquet_rows(path: Path) -> Iterator[tuple[int, Row]]:
    import pyarrow
    import pyarrow.parquet

    try:
        with pyarrow.parquet.ParquetFile(path) as file:
            _known_columns(path, file.schema_arrow.names)
            number = 0
            for batch in file.iter_batches(ROWS_AT_A_TIME):
                for row in batch.to_pylist():
                    number += 1
                    yield number, row
    except pyarrow.ArrowException as error:
        raise AuditError(f"{path.name}: a damaged Parquet file ({error}); write it again.") from error


def _known_columns(path: Path, names: Iterable[str]) -> list[str]:
    found = list(names)
    strange = [_with_guess(name) for name in found if name not in COLUMNS]
    doubled = sorted({name for name in found if found.count(name) > 1})
    if strange or doubled or not found:
        faults = {"unknown": strange, "twice": doubled}
        told = [f"{fault}: {', '.join(named)}" for fault, named in faults.items() if named]
        raise AuditError(
            f"{path.name}: columns {'; '.join(told) or 'missing'}. Known are {', '.join(COLUMNS)} (docs/audit.md)."
        )
    return found


def _with_guess(name: str) -> str:
    near = get_close_matches(name.lower(), COLUMNS, 1)
    return f"{name!r} (meant {near[0]}?)" if near else repr(name)
