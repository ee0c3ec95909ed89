"""What the network says about films it has not seen, and the confidences and intervals that fit it."""

from __future__ import annotations

import csv
import hashlib
import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from functools import partial
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from imaging.load import load_film
from imaging.network.looking import Sight, Spot, look, own_sd_mm
from imaging.network.members import load_members, load_shape
from imaging.network.places import NEAR_MM
from imaging.training.pack import COLLECTIONS, HANNOVER, NIH, Entry
from imaging.training.spoil import spoil
from measure.rough_scale import NOMINAL_SIDE_MM

_SHRINK = 1.0
"""Weight of the penalty on the logistic model's coefficients; ours."""
_SD_FLOOR_MM = {"tip": 1.4, "carina": 2.4}
"""No proposal is surer than a hand: measure.landmarks.HAND_SD_MM."""


class Asked(StrEnum):
    """Which networks are asked of a film, none of which saw its patient."""

    FOLD = "both collections, the film's fold left out"
    OTHER = "the other collection only"


@dataclass(frozen=True, slots=True)
class Answer:
    """The networks' view of one film and the truth.

    Parameters
    ----------
    file, origin, kind : str
    fold : int
    spoiled : bool
    asked : Asked
    tip, carina : (x, y) or None
        Reference marks in pixels of what was looked at.
    px_per_mm : float
    sight : Sight
    """

    file: str
    origin: str
    kind: str
    fold: int
    spoiled: bool
    asked: Asked
    tip: tuple[float, float] | None
    carina: tuple[float, float] | None
    px_per_mm: float
    sight: Sight


def members_asked(runs: Path, entry: Entry, asked: Asked) -> tuple[Path, Path] | None:
    """Two networks that saw no film of this patient, as many as in use; one of them twice where there is one.

    None where no such network was trained.
    """
    other = {NIH: HANNOVER, HANNOVER: NIH}[entry.origin]
    stem = f"fold{entry.fold}" if asked is Asked.FOLD else f"{other}-"
    there = [path for letter in "ab" if (path := runs / f"{stem}{letter}.onnx").exists()]
    return (there[0], there[-1]) if there else None


def _mark(row: dict[str, str], name: str) -> tuple[float, float] | None:
    if not row[f"{name}_x"] or int(row[f"{name}_conf"] or 0) < 2:
        return None
    return float(row[f"{name}_x"]), float(row[f"{name}_y"])


Job = tuple[Entry, dict[str, str], bool, Asked, tuple[Path, Path]]


def _answer(job: Job, films: Path) -> Answer:
    entry, row, spoiled, asked, members = job
    film = load_film(films / entry.file)
    marks = {name: _mark(row, name) for name in ("tip", "carina")}
    if spoiled:
        seed = int.from_bytes(hashlib.sha256(entry.file.encode()).digest()[:8])
        names = [name for name, mark in marks.items() if mark is not None]
        known = [mark for mark in marks.values() if mark is not None]
        film, moved = spoil(film, known, np.random.default_rng(seed))
        marks |= dict(zip(names, moved, strict=True))
    sight = replace(look(film, load_members(members), load_shape()), bones=None)
    return Answer(
        entry.file, entry.origin, entry.kind, entry.fold, spoiled, asked, marks["tip"], marks["carina"],
        max(film.shape) / NOMINAL_SIDE_MM, sight,
    )  # fmt: skip


def collect(entries: Sequence[Entry], films: Path, runs: Path, processes: int) -> list[Answer]:
    """Look at every marked film, as it is and spoiled, with networks that did not see its patient."""
    rows = {
        folder + row["file"]: row
        for _, folder, _ in COLLECTIONS
        for row in csv.DictReader((films / folder / "marks.csv").open(newline=""))
    }
    marked = [entry for entry in entries if entry.kind != "unmarked"]
    jobs = [
        (e, rows[e.file], spoiled, asked, members)
        for asked in Asked
        for spoiled in (False, True)
        for e in marked
        if (members := members_asked(runs, e, asked))
    ]
    # What one collection says of the other is asked first: it is what decides.
    jobs.sort(key=lambda job: (job[3] is not Asked.OTHER, job[0].origin == NIH, job[2]))
    with Pool(processes) as pool:
        answers = pool.map(partial(_answer, films=films), jobs, chunksize=8)
    (runs / "answers.json").write_text(json.dumps([asdict(answer) for answer in answers]))
    return answers


def read_answers(runs: Path) -> list[Answer]:
    """What `collect` found."""
    answers = []
    for row in json.loads((runs / "answers.json").read_text()):
        spots = {name: row["sight"][name] for name in ("tip", "carina")}
        seen = row["sight"] | {name: Spot(**(at | {"other": tuple(at["other"])})) for name, at in spots.items()}
        seen |= {name: tuple(map(tuple, row["sight"][name])) for name in ("airway", "tube_line")}
        marks = {name: tuple(row[name]) if row[name] else None for name in ("tip", "carina")}
        answers.append(Answer(**(row | marks | {"sight": Sight(**seen), "asked": Asked(row["asked"])})))
    return answers


def error_mm(answer: Answer, name: str) -> tuple[float, float]:
    """Sideways and downward error of a landmark whose reference is known, in nominal mm."""
    spot = getattr(answer.sight, name)
    x, y = getattr(answer, name)
    return (spot.x - x) / answer.px_per_mm, (spot.y - y) / answer.px_per_mm


def _logistic(
    features: NDArray[np.float64], right: NDArray[np.bool_], weight: NDArray[np.float64]
) -> dict[str, list[float]]:
    """Penalised logistic regression; `weight` says how much each film counts."""
    from scipy.optimize import minimize

    mean, scale = features.mean(0), features.std(0) + 1e-6
    scaled = (features - mean) / scale
    sign = np.where(right, 1.0, -1.0)

    def loss(parameters: NDArray[np.float64]) -> float:
        logit = scaled @ parameters[:-1] + parameters[-1]
        return float((weight * np.logaddexp(0.0, -sign * logit)).sum() + _SHRINK * (parameters[:-1] ** 2).sum())

    best = minimize(loss, np.zeros(features.shape[1] + 1), method="BFGS").x
    return {
        "mean": mean.tolist(), "scale": scale.tolist(), "weights": best[:-1].tolist(), "bias": [float(best[-1])]
    }  # fmt: skip


def _sd_factor(answers: Sequence[Answer], name: str) -> float:
    """Factor with which 95 % of the answers lie inside the interval up and down.

    That is where they err most, and along which the distance is measured.
    """
    floor = _SD_FLOOR_MM[name]
    errors = np.array([abs(error_mm(a, name)[1]) for a in answers])
    own = np.array([own_sd_mm(getattr(a.sight, name)) for a in answers])
    factors = np.linspace(0.2, 8.0, 400)
    covered = np.array([(errors <= 1.96 * np.maximum(floor, f * own)).mean() for f in factors])
    enough = np.flatnonzero(covered >= 0.95)
    return float(factors[enough[0]] if len(enough) else factors[-1])


def calibrate(answers: Sequence[Answer]) -> dict[str, dict[str, list[float]]]:
    """Models of the confidence (P within 10 mm) and of the standard deviation, for tip and carina.

    The tip's model also learns from films without a tube, where any tip is wrong. Together they count as much as
    those with one: whoever asks for a tip has mostly a patient with a tube before them, more often than the
    collections have.
    """
    card = {}
    for name in ("tip", "carina"):
        known = [a for a in answers if getattr(a, name) is not None]
        bare = [a for a in answers if a.kind in ("plain", "tracheostomy")] if name == "tip" else []
        used = known + bare
        weight = np.repeat([1.0, len(known) / max(len(bare), 1)], [len(known), len(bare)])
        features = np.array([getattr(a.sight, f"{name}_features")() for a in used])
        right = np.array(
            [getattr(a, name) is not None and math.hypot(*error_mm(a, name)) <= NEAR_MM for a in used]
        )
        card[name] = _logistic(features, right, weight)
        card[name] |= {"sd_floor_mm": [_SD_FLOOR_MM[name]], "sd_factor": [_sd_factor(known, name)]}
    return card


def for_use(answers: Sequence[Answer]) -> list[Answer]:
    """What the calibration in use is fitted on: each collection as the networks find one that is new to them.

    Films of the smaller collection are answered by networks that never saw it; those of the larger one, whose
    films most of the training are, by networks that saw none of their patients.
    """
    return [a for a in answers if a.asked is (Asked.OTHER if a.origin == HANNOVER else Asked.FOLD)]


def judges_of(answer: Answer, answers: Sequence[Answer]) -> list[Answer]:
    """Those of `answers` that may calibrate what is said about this film, so that it is judged by strangers.

    The other collection; and, where the networks asked knew this film's own collection, its other folds.
    """
    return [
        a for a in answers if a.origin != answer.origin or (answer.asked is Asked.FOLD and a.fold != answer.fold)
    ]
