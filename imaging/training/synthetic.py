"""Synthetic films with a known truth, made by the tool's own command and read from its files.

This floor may not import the one above it, so it uses what anybody can: `lipmark synthesise`, its PNG files and
its truth file.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from imaging.training.config import Config
from imaging.training.pack import Entry

NEVER_TESTED = -2
"""The fold of a film that every network may learn from."""

Path2D = NDArray[np.float64]
"""Points of a line, x and y in pixels, shape (points, 2)."""

OTHER_KINDS = {
    "child": (250, ["--age-group", "child"]), "neonate": (120, ["--age-group", "neonate"]),
    "lateral": (300, ["--lateral"]),
}  # fmt: skip
"""Films that are no upright frontal ones of adults: how many, and the command's words for them."""
_OTHER_DIFFICULTY, _SMALL_PX = 0.5, 256

NAMED_LINES = {
    "endotracheal tube": "tube line", "stomach tube": "gullet line", "temperature probe": "gullet line",
    "central line": "vein line",
}  # fmt: skip
"""Name of a line in the truth file, and the map that is to show it."""


@dataclass(frozen=True, slots=True)
class SyntheticFilm:
    """A film, its marks and its windpipe.

    Parameters
    ----------
    entry : Entry
    pixels : ndarray of uint8, shape (side, side)
    airway : ndarray, shape (points, 2)
        Midline of the windpipe from the cords to the carina, top down.
    lines : mapping of str to tuple of ndarray
        Long lines by the map that is to show them.
    vertebrae : ndarray, shape (points, 2)
        Middles of the vertebral bodies C3 to L1.
    first_thoracic, mandible : ndarray, shape (2,)
        Middle of T1's body and lowest point of the mandible; they may lie beyond the film.
    """

    entry: Entry
    pixels: NDArray[np.uint8]
    airway: Path2D
    lines: Mapping[str, tuple[Path2D, ...]]
    vertebrae: Path2D
    first_thoracic: NDArray[np.float64]
    mandible: NDArray[np.float64]


def make_synthetic(out: Path, config: Config) -> None:
    """Have the films of the recipe made, one folder for each difficulty and for each other kind of film.

    Raises
    ------
    FileNotFoundError
        Where the command `lipmark` is not installed.
    """
    command = shutil.which("lipmark")
    if command is None:
        raise FileNotFoundError("training: the command lipmark is not on the path; install the project first.")
    folders: dict[str, tuple[int, float, list[str]]] = {
        str(number): (config.synthetic.films, difficulty, ["--size", str(config.pack.side_px)])
        for number, difficulty in enumerate(config.synthetic.difficulties)
    }
    for name, (films, words) in OTHER_KINDS.items():
        folders[name] = (films, _OTHER_DIFFICULTY, [*words, "--size", str(_SMALL_PX)])
    for number, (name, (films, difficulty, words)) in enumerate(folders.items()):
        line = [command, "synthesise", str(films), "--out", str(out / name), "--difficulty", str(difficulty)]
        line += ["--seed", str(config.synthetic.seed + number), "--tube", "mixed", "--format", "png", *words]
        subprocess.run(line, check=True)


def _at(point: dict[str, float]) -> tuple[float, float]:
    return point["column"], point["row"]


def _tip(truth: dict[str, Any]) -> tuple[float, float] | None:
    """As a reader marks it: at the level of the tube's end, between its point and the end of its line."""
    if truth["oesophageal"] or "tip" not in truth["points"]:
        return None
    x, y = _at(truth["points"]["tip"])
    return (x + _at(truth["points"].get("line end", truth["points"]["tip"]))[0]) / 2.0, y


def _kind(record: dict[str, Any]) -> str:
    truth = record["truth"]
    if "tip" not in truth["points"]:
        return "synthetic tracheostomy" if record["recipe"]["devices"]["tracheostomy_tube"] else "synthetic plain"
    return "synthetic unclear" if truth["oesophageal"] else "synthetic tube"


def read_synthetic(folder: Path) -> Sequence[SyntheticFilm]:
    """Every film of `make_synthetic`; none where the folder is missing."""
    import cv2

    films = []
    for truth_file in sorted(folder.glob("[0-9]*/truth.jsonl")):
        for line in truth_file.read_text(encoding="utf-8").splitlines():
            record = json.loads(line)
            path = truth_file.parent / record["film"]
            image = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
            if image is None:
                raise ValueError(f"training: {path} is no picture; make the synthetic films again.")
            films.append(SyntheticFilm(*_known(record, f"{truth_file.parent.name}/{record['film']}", image)))
    return films


def _known(record: dict[str, Any], name: str, image: Any) -> tuple[Any, ...]:
    """The fields of a SyntheticFilm."""
    truth = record["truth"]
    points = truth["points"]
    tip = _tip(truth)
    entry = Entry(
        file=name, patient="", origin="synthetic", kind=_kind(record), fold=NEVER_TESTED,
        tip=tip, carina=_at(points["carina"]), tip_confidence=3 if tip else 0,
        carina_confidence=3, start=0, size=0,
    )  # fmt: skip
    airway = np.array([_at(point) for point in truth["airway_path"]])
    lines: dict[str, tuple[Path2D, ...]] = {}
    for line, channel in NAMED_LINES.items():
        paths = tuple(np.array(path)[:, ::-1] for path in record["lines"].get(line, []))
        lines[channel] = lines.get(channel, ()) + paths
    vertebrae = np.array([_at(point) for key, point in points.items() if key.startswith("vertebra ")])
    first_thoracic, mandible = (np.array(_at(points[key])) for key in ("vertebra T1", "mandible"))
    return entry, image.astype(np.uint8, copy=False), airway, lines, vertebrae, first_thoracic, mandible
