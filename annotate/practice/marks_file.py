"""Films in a folder with the true points in a file beside them."""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from annotate.practice.task import Key, Task
from imaging.case import Request, film_for
from imaging.errors import ImagingError
from imaging.film import Film
from measure.assess import Case
from measure.errors import MeasureError
from measure.landmarks import Landmark
from measure.posture import NeckPosture
from synthetic_images.truth import Truth

COLUMNS = ("film", "tip_row", "tip_column", "carina_row", "carina_column")


class MarksFileError(Exception):
    """The marks file cannot be used; the message says what was found, expected and to do."""


@dataclass(frozen=True, slots=True)
class MarkedFilm:
    """A row of a marks file.

    Parameters
    ----------
    path : Path
    key : Key
    posture : NeckPosture
    mm_per_pixel : float or None
    """

    path: Path
    key: Key
    posture: NeckPosture = NeckPosture.UNKNOWN
    mm_per_pixel: float | None = None

    def __hash__(self) -> int:
        return hash(self.path)


def read_marks(path: Path) -> tuple[MarkedFilm, ...]:
    """Films with their true points.

    Parameters
    ----------
    path : Path
        A CSV file with columns film, tip_row, tip_column, carina_row, carina_column (tip empty: no tube) and,
        where known, mm_per_pixel and neck; or truth.jsonl as `lipmark synthesise` writes it. Films are looked for
        beside it.

    Raises
    ------
    MarksFileError
        Where it cannot be read, or a row makes no sense: with its line.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise MarksFileError(f"{path}: cannot be read ({error}); a CSV or JSON Lines file is expected.") from error
    rows = _from_json_lines if path.suffix.lower() in (".jsonl", ".json") else _from_csv
    films = tuple(rows(path, text))
    if not films:
        raise MarksFileError(f"{path}: no film found; one row a film with {', '.join(COLUMNS)} is expected.")
    return films


def usable(films: Sequence[MarkedFilm], path: Path) -> tuple[MarkedFilm, ...]:
    """Those that can be loaded; the others are told, and never stop a round.

    Raises
    ------
    MarksFileError
        Where none can.
    """
    good = tuple(film for film in films if _loads(film))
    if not good:
        raise MarksFileError(f"{path}: none of {len(films)} films can be used; see above, and correct the file.")
    return good


def _loads(film: MarkedFilm) -> bool:
    try:
        load_task(film)
    except (ImagingError, MeasureError) as error:
        print(f"left out: {error}", file=sys.stderr)
        return False
    return True


def source_name(path: Path) -> str:
    """Names a marks file by its content: names of files stay out of the logbook."""
    return f"marks {sha256(path.read_bytes()).hexdigest()[:12]}"


def load_task(marked: MarkedFilm) -> Task:
    """Load the film.

    Raises
    ------
    ImagingError, MeasureError
        Where it cannot be read, or a true point lies outside it.
    """
    film = film_for(marked.path, Request(mm_per_pixel=marked.mm_per_pixel))
    for mark in (marked.key.tip, marked.key.carina):
        _check_inside(marked.path.name, film, mark)
    ident = f"film {film.fingerprint[:12]}"
    case = Case(
        ident,
        spacing=film.spacing,
        magnification=film.magnification,
        view=film.view,
        centre_row=film.centre_row,
        patient=film.patient,
        posture=marked.posture,
        notes=film.notes,
    )
    return Task(ident, film, case, marked.key)


def _check_inside(name: str, film: Film, mark: Landmark | None) -> None:
    if mark is None:
        return
    rows, columns = film.shape
    if not (0.0 <= mark.row <= rows - 1.0 and 0.0 <= mark.column <= columns - 1.0):
        raise MeasureError(
            f"{name}: a true point at row {mark.row:g}, column {mark.column:g} found outside a film of "
            f"{rows} rows and {columns} columns; correct the marks file."
        )


def _from_csv(path: Path, text: str) -> Iterator[MarkedFilm]:
    rows = csv.DictReader(text.splitlines())
    missing = [name for name in COLUMNS if name not in (rows.fieldnames or ())]
    if missing:
        raise MarksFileError(f"{path}: no column {', '.join(missing)} found; {', '.join(COLUMNS)} are expected.")
    for row in rows:
        where = f"{path}, line {rows.line_num}"
        mm = _number(where, "mm_per_pixel", row.get("mm_per_pixel"))
        neck = (row.get("neck") or "").strip() or NeckPosture.UNKNOWN.value
        if neck not in list(NeckPosture):
            raise MarksFileError(f"{where}: neck {neck!r} found, one of {', '.join(NeckPosture)} expected.")
        tip, carina = _point(where, "tip", row), _point(where, "carina", row)
        yield MarkedFilm(_beside(where, path, row["film"]), Key(tip, carina), NeckPosture(neck), mm)


def _point(where: str, name: str, row: Mapping[str, str | None]) -> Landmark | None:
    at = [_number(where, key, row.get(key)) for key in (f"{name}_row", f"{name}_column")]
    if at == [None, None]:
        return None
    if at[0] is None or at[1] is None:
        raise MarksFileError(f"{where}: half of the {name} found; give its row and its column, or neither.")
    return Landmark(at[0], at[1], 0.0)


def _number(where: str, name: str, text: str | None) -> float | None:
    if not (text or "").strip():
        return None
    try:
        return float(str(text))
    except ValueError:
        raise MarksFileError(f"{where}: {name} {text!r} found, a number expected.") from None


def _from_json_lines(path: Path, text: str) -> Iterator[MarkedFilm]:
    for number, line in enumerate(text.splitlines(), start=1):
        where = f"{path}, line {number}"
        try:
            record = json.loads(line)
            truth, posture = Truth.from_dict(record["truth"]), NeckPosture(record["recipe"]["neck"]["posture"])
            film = str(record["film"])
        except (ValueError, KeyError, TypeError) as error:
            raise MarksFileError(
                f"{where}: {type(error).__name__}: {error}; a line as lipmark synthesise writes it is expected."
            ) from error
        yield MarkedFilm(_beside(where, path, film), Key.from_truth(truth), posture)


def _beside(where: str, path: Path, film: str | None) -> Path:
    found = path.parent / (film or "")
    if not (film and found.is_file()):
        raise MarksFileError(f"{where}: film {film!r} not found beside the marks file.")
    return found
