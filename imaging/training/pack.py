"""The training films in one folder: one file of compressed pictures, one table of marks and folds."""

from __future__ import annotations

import csv
import hashlib
import json
from collections import Counter
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from imaging.training.config import Config

CARINAS = Path(__file__).with_name("carinas.csv")
"""Carinas read on films of the collection that came without marks (docs/training.md)."""

BLOB = "films.bin"
TABLE = "films.json"

NIH, HANNOVER = "nih", "hannover"
"""Where films come from: the collections of docs/model-card.md."""
COLLECTIONS = (
    (NIH, "", ("marks.csv", "unmarked.csv")),
    (HANNOVER, "hannover/", ("marks.csv",)),
)
"""Origin, folder below that of the films, lists in it."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One packed film.

    Parameters
    ----------
    file, patient : str
        As in the collection's lists; the file with its collection's folder before it.
    origin : str
        Of `COLLECTIONS`.
    kind : str
        "tube", "plain", "tracheostomy" or "unmarked".
    fold : int
        Test fold of its patient.
    tip, carina : (x, y) or None
        In pixels of the film as `unpack` gives it; marks of confidence 1 are left out.
    tip_confidence, carina_confidence : int
        2 or 3; 0 where there is no mark.
    start, size : int
        Where its bytes lie.
    """

    file: str
    patient: str
    origin: str
    kind: str
    fold: int
    tip: tuple[float, float] | None
    carina: tuple[float, float] | None
    tip_confidence: int
    carina_confidence: int
    start: int
    size: int


def assign_folds(patients_by_kind: dict[str, Counter[str]], folds: int) -> dict[str, int]:
    """Every patient's test fold, balanced over the kinds of film.

    Patients go, those with most tubes first and in the order of a hash of their number where equal, to the
    fold that has fewest films of their rarest kind so far: the same answer on every machine.
    """
    kinds = ("tube", "tracheostomy", "plain", "unmarked")
    patients = sorted(set().union(*patients_by_kind.values()))

    def order(patient: str) -> tuple[list[int], str]:
        counts = [-patients_by_kind[kind][patient] for kind in kinds]
        return counts, hashlib.sha256(patient.encode()).hexdigest()

    load = {kind: [0] * folds for kind in kinds}
    result = {}
    for patient in sorted(patients, key=order):
        rarest = next(kind for kind in kinds if patients_by_kind[kind][patient])
        fold = min(range(folds), key=lambda f: (load[rarest][f], sum(load[kind][f] for kind in kinds)))
        result[patient] = fold
        for kind in kinds:
            load[kind][fold] += patients_by_kind[kind][patient]
    return result


def _mark(row: dict[str, str], name: str, fit: Fit) -> tuple[tuple[float, float] | None, int]:
    confidence = int(row.get(f"{name}_conf") or 0)
    if confidence < 2 or not row[f"{name}_x"]:
        return None, 0
    return fit.move(float(row[f"{name}_x"]), float(row[f"{name}_y"])), confidence


def _kind(row: dict[str, str]) -> str:
    if row["file"].startswith("unmarked/"):
        return "unmarked"
    if row["file"].startswith("tracheostomy/") or row.get("tracheostomy") == "yes":
        return "tracheostomy"
    return "tube" if row["has_ett"] == "yes" else "plain"


@dataclass(frozen=True, slots=True)
class Fit:
    """How a film lies in the middle of a square of `side` pixels, its longer side fitted to it."""

    rows: int
    columns: int
    side: int

    @property
    def scale(self) -> float:
        """Pixels of the square per pixel of the film."""
        return self.side / max(self.rows, self.columns)

    @property
    def size(self) -> tuple[int, int]:
        """Rows and columns of the film in the square."""
        return round(self.rows * self.scale), round(self.columns * self.scale)

    @property
    def corner(self) -> tuple[int, int]:
        """First row and column of the film in the square."""
        rows, columns = self.size
        return (self.side - rows) // 2, (self.side - columns) // 2

    def move(self, x: float, y: float) -> tuple[float, float]:
        """A point of the film in the square; the middle of the first pixels stays the middle."""
        top, left = self.corner
        return (x + 0.5) * self.scale - 0.5 + left, (y + 0.5) * self.scale - 0.5 + top


def _decode(data: bytes) -> NDArray[np.uint8]:
    import cv2

    image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    if image is None:
        raise ValueError(f"training film: {len(data)} bytes that are no picture found; a JPEG file expected.")
    return image.astype(np.uint8, copy=False)


def _picture(path: Path, config: Config) -> tuple[bytes, tuple[int, int]]:
    """The film compressed anew, no larger than wanted, and its shape before."""
    import cv2

    image = _decode(path.read_bytes())
    side = config.pack.side_px
    rows, columns = image.shape
    if max(image.shape) > side:
        size = Fit(rows, columns, side).size
        image = cv2.resize(image, size[::-1], interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)
    _, encoded = cv2.imencode(".webp", image, [cv2.IMWRITE_WEBP_QUALITY, config.pack.webp_quality])
    return bytes(encoded), (rows, columns)


def _rows(films: Path) -> list[dict[str, str]]:
    """Every film of the lists, with its origin and our own carinas."""
    ours = {row["file"]: row for row in csv.DictReader(CARINAS.open(newline=""))}
    rows = []
    for origin, folder, lists in COLLECTIONS:
        for name in lists:
            for row in csv.DictReader((films / folder / name).open(newline="")):
                read_again = ours.get(row["file"], {}) if origin == NIH else {}
                rows.append(row | read_again | {"origin": origin, "path": folder + row["file"]})
    return rows


def pack(films: Path, out: Path, config: Config) -> list[Entry]:
    """Pack every film of `films` (its lists and what they name) into `out`."""
    rows = _rows(films)
    folds: dict[str, int] = {}
    for origin, _, _ in COLLECTIONS:
        counts: dict[str, Counter[str]] = {k: Counter() for k in ("tube", "plain", "tracheostomy", "unmarked")}
        for row in rows:
            if row["origin"] == origin:
                counts[_kind(row)][row["patient"]] += 1
        folds |= assign_folds(counts, config.train.folds)
    out.mkdir(parents=True, exist_ok=True)
    entries = []
    start = 0
    with (out / BLOB).open("wb") as blob:
        for row in rows:
            data, shape = _picture(films / row["path"], config)
            fit = Fit(*shape, config.pack.side_px)
            tip, tip_confidence = _mark(row, "tip", fit) if "tip_x" in row else (None, 0)
            carina, carina_confidence = _mark(row, "carina", fit) if "carina_x" in row else (None, 0)
            entries.append(
                Entry(
                    row["path"], row["patient"], row["origin"], _kind(row), folds[row["patient"]],
                    tip, carina, tip_confidence, carina_confidence, start, len(data),
                )
            )  # fmt: skip
            blob.write(data)
            start += len(data)
    (out / TABLE).write_text(json.dumps([asdict(entry) for entry in entries], indent=0))
    return entries


def read_table(folder: Path) -> list[Entry]:
    """The table of packed films."""
    rows: list[dict[str, Any]] = json.loads((folder / TABLE).read_text())
    points = ("tip", "carina")
    return [Entry(**(row | {k: tuple(row[k]) if row[k] else None for k in points})) for row in rows]


def fitted(image: NDArray[np.uint8], side: int) -> tuple[NDArray[np.uint8], tuple[int, int, int, int]]:
    """A film in the middle of a black square, and where it lies there: top, left, bottom, right."""
    import cv2

    rows, columns = image.shape
    fit = Fit(rows, columns, side)
    (height, width), (top, left) = fit.size, fit.corner
    square = np.zeros((side, side), np.uint8)
    square[top : top + height, left : left + width] = (
        image if image.shape == fit.size else cv2.resize(image, (width, height), interpolation=cv2.INTER_CUBIC)
    )
    return square, (top, left, top + height, left + width)


def unpack(folder: Path, side: int) -> tuple[list[Entry], NDArray[np.uint8], NDArray[np.int64]]:
    """Packed films back: their table, their pixels, shape (films, side, side), and where they lie in them."""
    entries = read_table(folder)
    blob = (folder / BLOB).read_bytes()
    pairs = [fitted(_decode(blob[e.start : e.start + e.size]), side) for e in entries]
    return entries, np.stack([square for square, _ in pairs]), np.array([box for _, box in pairs], np.int64)
