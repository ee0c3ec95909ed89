"""The training films in one folder: one file of JPEG bytes, one table of marks and folds."""

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


@dataclass(frozen=True, slots=True)
class Entry:
    """One packed film.

    Parameters
    ----------
    file, patient : str
        As in the collection's lists.
    kind : str
        "tube", "plain", "tracheostomy" or "unmarked".
    fold : int
        Test fold of its patient.
    tip, carina : (x, y) or None
        In pixels of the packed film; marks of confidence 1 are left out.
    tip_confidence, carina_confidence : int
        2 or 3; 0 where there is no mark.
    start, size : int
        Where its bytes lie.
    """

    file: str
    patient: str
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


def _mark(row: dict[str, str], name: str, scale: float) -> tuple[tuple[float, float] | None, int]:
    confidence = int(row.get(f"{name}_conf") or 0)
    if confidence < 2 or not row[f"{name}_x"]:
        return None, 0
    # Pixel centres: the middle of the first small pixel lies at the middle of the first large ones.
    x, y = ((float(row[f"{name}_{axis}"]) + 0.5) * scale - 0.5 for axis in "xy")
    return (x, y), confidence


def _kind(row: dict[str, str]) -> str:
    if row["file"].startswith("unmarked/"):
        return "unmarked"
    if row["file"].startswith("tracheostomy/"):
        return "tracheostomy"
    return "tube" if row["has_ett"] == "yes" else "plain"


def _decode(data: bytes) -> NDArray[np.uint8]:
    import cv2

    image = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    if image is None:
        raise ValueError(f"training film: {len(data)} bytes that are no picture found; a JPEG file expected.")
    return image.astype(np.uint8, copy=False)


def _jpeg(path: Path, config: Config) -> tuple[bytes, int]:
    import cv2

    raw = path.read_bytes()
    image = _decode(raw)
    side = config.pack.side_px
    if image.shape == (side, side):
        return raw, side
    small = cv2.resize(image, (side, side), interpolation=cv2.INTER_AREA)
    _, encoded = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, config.pack.jpeg_quality])
    return bytes(encoded), int(image.shape[1])


def pack(films: Path, out: Path, config: Config) -> list[Entry]:
    """Pack every film of `films` (its two lists and what they name) into `out`."""
    rows = [
        row for name in ("marks.csv", "unmarked.csv") for row in csv.DictReader((films / name).open(newline=""))
    ]
    ours = {row["file"]: row for row in csv.DictReader(CARINAS.open(newline=""))}
    rows = [row | ours.get(row["file"], {}) for row in rows]
    counts: dict[str, Counter[str]] = {k: Counter() for k in ("tube", "plain", "tracheostomy", "unmarked")}
    for row in rows:
        counts[_kind(row)][row["patient"]] += 1
    folds = assign_folds(counts, config.train.folds)
    out.mkdir(parents=True, exist_ok=True)
    entries = []
    start = 0
    with (out / BLOB).open("wb") as blob:
        for row in rows:
            data, width = _jpeg(films / row["file"], config)
            scale = config.pack.side_px / width
            tip, tip_confidence = _mark(row, "tip", scale) if "tip_x" in row else (None, 0)
            carina, carina_confidence = _mark(row, "carina", scale) if "carina_x" in row else (None, 0)
            entries.append(
                Entry(
                    row["file"], row["patient"], _kind(row), folds[row["patient"]],
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


def unpack(folder: Path) -> tuple[list[Entry], NDArray[np.uint8]]:
    """Packed films back: their table and their pixels, shape (films, side, side)."""
    entries = read_table(folder)
    blob = (folder / BLOB).read_bytes()
    images = [_decode(blob[e.start : e.start + e.size]) for e in entries]
    return entries, np.stack(images)
