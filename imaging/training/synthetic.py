"""Synthetic films with a known truth, made by the tool's own command and read from its files.

This floor may not import the one above it, so it uses what anybody can: `lipmark synthesise`, its PNG files and
its truth file.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Sequence
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
"""Points of a line, x and y in pixels, shape (points, 2), top down."""


@dataclass(frozen=True, slots=True)
class SyntheticFilm:
    """A film, its marks and its windpipe.

    Parameters
    ----------
    entry : Entry
    pixels : ndarray of uint8, shape (side, side)
    airway : ndarray, shape (points, 2)
        Midline of the windpipe from the cords to the carina.
    """

    entry: Entry
    pixels: NDArray[np.uint8]
    airway: Path2D


def make_synthetic(out: Path, config: Config) -> None:
    """Have the films of the recipe made, one folder for each difficulty, with and without a tube.

    Raises
    ------
    FileNotFoundError
        Where the command `lipmark` is not installed.
    """
    command = shutil.which("lipmark")
    if command is None:
        raise FileNotFoundError("training: the command lipmark is not on the path; install the project first.")
    for number, difficulty in enumerate(config.synthetic.difficulties):
        words = [command, "synthesise", str(config.synthetic.films), "--out", str(out / f"{number}")]
        words += ["--difficulty", str(difficulty), "--seed", str(config.synthetic.seed + number)]
        words += ["--tube", "mixed", "--format", "png", "--size", str(config.pack.side_px)]
        subprocess.run(words, check=True)


def _at(point: dict[str, float]) -> tuple[float, float]:
    return point["column"], point["row"]


def _tip(truth: dict[str, Any]) -> tuple[float, float] | None:
    """As a reader marks it: at the level of the tube's end, between its point and the end of its line."""
    if truth["oesophageal"] or "tip" not in truth["points"]:
        return None
    x, y = _at(truth["points"]["tip"])
    return (x + _at(truth["points"].get("line end", truth["points"]["tip"]))[0]) / 2.0, y


def _kind(truth: dict[str, Any]) -> str:
    if "tip" not in truth["points"]:
        return "synthetic plain"
    return "synthetic unclear" if truth["oesophageal"] else "synthetic tube"


def read_synthetic(folder: Path) -> Sequence[SyntheticFilm]:
    """Every film of `make_synthetic`; none where the folder is missing."""
    import cv2

    films = []
    for truth_file in sorted(folder.glob("*/truth.jsonl")):
        for line in truth_file.read_text(encoding="utf-8").splitlines():
            record = json.loads(line)
            truth = record["truth"]
            path = truth_file.parent / record["film"]
            image = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
            if image is None:
                raise ValueError(f"training: {path} is no picture; make the synthetic films again.")
            tip = _tip(truth)
            name = f"{truth_file.parent.name}/{record['film']}"
            entry = Entry(
                file=name, patient="", kind=_kind(truth), fold=NEVER_TESTED,
                tip=tip, carina=_at(truth["points"]["carina"]), tip_confidence=3 if tip else 0,
                carina_confidence=3, start=0, size=0,
            )  # fmt: skip
            airway = np.array([_at(point) for point in truth["airway_path"]])
            films.append(SyntheticFilm(entry, image.astype(np.uint8, copy=False), airway))
    return films
