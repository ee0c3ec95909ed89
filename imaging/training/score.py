"""Out-of-fold scores: every marked film seen by the network that did not see its patient.

As a program it is the command that the films' scoring script runs:

    score_films.py --command "python -m imaging.training.score"
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Sequence
from functools import cache
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from imaging.film import Film
from imaging.load import load_film
from imaging.network import find_landmarks, judge, load_card, load_members, look
from imaging.training.calibrate import Answer, error_mm, fold_members, read_answers
from imaging.training.pack import read_table
from measure.landmarks import Landmark, Landmarks

ROOT = Path(__file__).resolve().parents[2]
_UNCLEAR = 0.5


def _judged(answer: Answer, runs: Path) -> Landmarks:
    """The answer through the calibration that did not see its fold."""
    side = round(answer.px_per_mm * 400.0)
    film = Film(np.zeros((side, side), np.float32))
    return judge(answer.sight, film, load_card(runs / f"card{answer.fold}.json"))[0]


def figures(answers: Sequence[Answer], runs: Path) -> dict[str, float]:
    """The figures of the scoring script and the coverage of the intervals, on cached answers."""
    result: dict[str, float] = {}
    gross = answered = 0
    for name in ("tip", "carina"):
        known = [a for a in answers if getattr(a, name) is not None]
        marks = [getattr(_judged(a, runs), name) for a in known]
        pairs = [(a, m) for a, m in zip(known, marks, strict=True) if m and m.confidence >= _UNCLEAR]
        errors = np.array([math.hypot(*error_mm(a, name)) for a, _ in pairs])
        inside = [abs(e) <= 1.96 * m.sd_px / a.px_per_mm for a, m in pairs for e in error_mm(a, name)]
        down = [abs(error_mm(a, name)[1]) <= 1.96 * m.sd_px / a.px_per_mm for a, m in pairs]
        gross += int((errors > 15.0).sum())
        answered += len(errors)
        result |= {
            f"{name}s": len(known), f"{name} answered": len(errors) / len(known),
            f"{name} median mm": _quantile(errors, 0.5), f"{name} p90 mm": _quantile(errors, 0.9),
            f"{name} within 10 mm, of all": float((errors <= 10.0).sum() / len(known)),
            f"{name} 95 % covers, both axes": float(np.mean(inside)),
            f"{name} 95 % covers, rows": float(np.mean(down)),
        }  # fmt: skip
    plain = [_judged(a, runs).tip for a in answers if a.kind in ("plain", "tracheostomy")]
    false = sum(tip is not None and tip.confidence >= _UNCLEAR for tip in plain)
    return result | {
        "gross": gross, "gross of answers": gross / max(answered, 1),
        "false tubes": false, "false tubes of plain": false / max(len(plain), 1),
    }  # fmt: skip


def _quantile(errors: NDArray[np.float64], part: float) -> float:
    """Not a number where nothing was answered."""
    return float(np.quantile(errors, part)) if len(errors) else math.nan


def reliability(answers: Sequence[Answer], runs: Path, name: str) -> list[tuple[float, float, int]]:
    """Mean confidence, share within 10 mm and count, in five bins of confidence."""
    rows = []
    for answer in answers:
        known = getattr(answer, name) is not None
        if not known and not (name == "tip" and answer.kind in ("plain", "tracheostomy")):
            continue
        mark = getattr(_judged(answer, runs), name)
        confidence = mark.confidence if mark else 0.0
        rows.append((confidence, known and math.hypot(*error_mm(answer, name)) <= 10.0))
    table = np.array(rows, float)
    bins = np.minimum((table[:, 0] * 5).astype(int), 4)
    return [
        (float(table[bins == k, 0].mean()), float(table[bins == k, 1].mean()), int((bins == k).sum()))
        for k in range(5)
        if (bins == k).any()
    ]


def scores(runs: Path) -> dict[str, dict[str, float]]:
    """The figures on films as they are and on spoiled ones."""
    answers = read_answers(runs)
    parts = {"as they are": False, "spoiled": True}
    return {
        name: {k: round(v, 4) for k, v in figures([a for a in answers if a.spoiled == spoiled], runs).items()}
        for name, spoiled in parts.items()
    }


def reliabilities(runs: Path) -> dict[str, list[tuple[float, float, int]]]:
    """The bins of `reliability` for tip and carina, on films as they are."""
    answers = [a for a in read_answers(runs) if not a.spoiled]
    return {
        name: [(round(c, 3), round(right, 3), n) for c, right, n in reliability(answers, runs, name)]
        for name in ("tip", "carina")
    }


def report(runs: Path) -> str:
    """Everything, as text: films as they are, then spoiled."""
    answers = read_answers(runs)
    lines = []
    for spoiled in (False, True):
        part = [a for a in answers if a.spoiled == spoiled]
        lines.append(
            "films spoiled (crop, squeeze, shrink, blur, flat, grain)" if spoiled else "films as they are"
        )
        lines += [f"  {key}: {value:.3f}" for key, value in figures(part, runs).items()]
        for name in ("tip", "carina"):
            bins = [f"{c:.2f} -> {r:.2f} (n {n})" for c, r, n in reliability(part, runs, name)]
            lines.append(f"  {name} confidence -> right: " + ", ".join(bins))
    return "\n".join(lines)


@cache
def _folds(packed: Path) -> dict[str, int]:
    return {entry.file: entry.fold for entry in read_table(packed)}


def _mark(landmark: Landmark | None) -> dict[str, object] | None:
    if landmark is None:
        return None
    return {
        "row": landmark.row, "column": landmark.column, "sd_px": landmark.sd_px,
        "confidence": landmark.confidence, "source": str(landmark.source),
    }  # fmt: skip


def _line(path: str) -> str:
    """One film, answered out of fold where it is one of the packed films, else by the shipped network."""
    film = load_film(Path(path))
    folds = _folds(ROOT / "training_data")
    fold = folds.get("/".join(Path(path).parts[-2:]))
    runs = ROOT / "build" / "training"
    if fold is None:
        landmarks, *_ = find_landmarks(film)
    else:
        members = load_members(fold_members(runs, fold))
        landmarks, _ = judge(look(film, members), film, load_card(runs / f"card{fold}.json"))
    return json.dumps({"film": path, "tip": _mark(landmarks.tip), "carina": _mark(landmarks.carina)})


def main() -> None:
    """Answer films, one JSON object a line."""
    parser = argparse.ArgumentParser(prog="python -m imaging.training.score", description=__doc__)
    parser.add_argument("films", nargs="+")
    with Pool(2) as pool:
        for line in pool.imap(_line, parser.parse_args().films, chunksize=4):
            print(line)


if __name__ == "__main__":
    main()
