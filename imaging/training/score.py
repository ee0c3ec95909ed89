"""Scores by collection: every marked film seen by networks and judged by a calibration that never saw its patient.

As a program it is the command that the films' scoring script runs, once `calibrate` has looked at every film:

    score_films.py --command "python -m imaging.training.score"
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from imaging.film import Film
from imaging.network.judging import judge
from imaging.network.members import Calibration, load_shape
from imaging.network.places import NEAR_MM
from imaging.training.calibrate import Answer, Asked, calibrate, error_mm, for_use, judges_of, read_answers
from imaging.training.pack import HANNOVER, NIH
from measure.landmarks import Landmark, Landmarks

RUNS = Path(__file__).resolve().parents[2] / "build" / "training"
_UNCLEAR = 0.5
_GROSS_MM = 15.0
_DOUBTFUL = (0.7, 0.85)
"""Confidences whose share of right ones is told apart: where a calibration fails first."""
GROUPS = (
    ("NIH out of fold", NIH, Asked.FOLD, False),
    ("NIH out of fold, spoiled", NIH, Asked.FOLD, True),
    ("Hannover by networks that never saw it", HANNOVER, Asked.OTHER, False),
    ("Hannover by networks that never saw it, spoiled", HANNOVER, Asked.OTHER, True),
    ("NIH by networks that never saw it", NIH, Asked.OTHER, False),
    ("Hannover out of fold", HANNOVER, Asked.FOLD, False),
)


@dataclass(frozen=True, slots=True)
class Judged:
    """An answer and what became of it."""

    answer: Answer
    landmarks: Landmarks

    def sure(self, name: str) -> Landmark | None:
        """The landmark, where it is an answer and no hint."""
        mark: Landmark | None = getattr(self.landmarks, name)
        return mark if mark is not None and mark.confidence >= _UNCLEAR else None

    def error_mm(self, name: str) -> float:
        """Nominal mm from the reference."""
        return math.hypot(*error_mm(self.answer, name))


def judged(answers: Sequence[Answer]) -> list[Judged]:
    """Every answer through a calibration that did not see its patient."""
    cards: dict[tuple[str, int, Asked], Calibration] = {}
    fitting = for_use(answers)
    result = []
    for answer in answers:
        key = (answer.origin, answer.fold if answer.asked is Asked.FOLD else -1, answer.asked)
        if key not in cards:
            cards[key] = calibrate(judges_of(answer, fitting))
        side = round(answer.px_per_mm * 400.0)
        film = Film(np.zeros((side, side), np.float32))
        result.append(Judged(answer, judge(answer.sight, film, load_shape(), cards[key])[0]))
    return result


def in_group(everyone: Sequence[Judged], group: tuple[str, str, Asked, bool]) -> list[Judged]:
    """Those of one row of `GROUPS`."""
    _, origin, asked, spoiled = group
    return [j for j in everyone if (j.answer.origin, j.answer.asked, j.answer.spoiled) == (origin, asked, spoiled)]


def figures(group: Sequence[Judged]) -> dict[str, float]:
    """The figures of the scoring script and the coverage of the intervals."""
    result: dict[str, float] = {"films": len(group)}
    gross = answered = 0
    for name in ("tip", "carina"):
        known = [j for j in group if getattr(j.answer, name) is not None]
        sure = [j for j in known if j.sure(name)]
        errors = np.array([j.error_mm(name) for j in sure])
        gross += int((errors > _GROSS_MM).sum())
        answered += len(sure)
        raw = np.array([j.error_mm(name) for j in known])
        result |= {
            f"{name}s": len(known), f"{name} answered": len(sure) / max(len(known), 1),
            f"{name} median mm": _quantile(errors, 0.5), f"{name} p90 mm": _quantile(errors, 0.9),
            f"{name} within 10 mm, of all": float((errors <= NEAR_MM).sum() / max(len(known), 1)),
            f"{name} within 10 mm before any confidence": float((raw <= NEAR_MM).mean()) if len(raw) else math.nan,
            f"{name} 95 % covers, rows": _covered(sure, name),
        }  # fmt: skip
    bare = [j for j in group if j.answer.kind in ("plain", "tracheostomy")]
    false = sum(j.sure("tip") is not None for j in bare)
    named = [j.answer.kind for j in bare if j.answer.sight.tracheostomy > load_shape().tracheostomy_logit]
    return result | {
        "gross": gross, "gross of answers": gross / max(answered, 1), "without a tube": len(bare),
        "false tubes": false,
        "tracheostomies": sum(j.answer.kind == "tracheostomy" for j in bare),
        "tracheostomies named": named.count("tracheostomy"),
        "others named so": named.count("plain"),
    }  # fmt: skip


def _covered(sure: Sequence[Judged], name: str) -> float:
    inside = [
        abs(error_mm(j.answer, name)[1]) <= 1.96 * getattr(j.landmarks, name).sd_px / j.answer.px_per_mm
        for j in sure
    ]
    return float(np.mean(inside)) if inside else math.nan


def _quantile(errors: NDArray[np.float64], part: float) -> float:
    """Not a number where nothing was answered."""
    return float(np.quantile(errors, part)) if len(errors) else math.nan


def _said(group: Sequence[Judged], name: str) -> NDArray[np.float64]:
    """Confidence, and whether it was right, a row a film; for tips also films without a tube."""
    rows = []
    for j in group:
        known = getattr(j.answer, name) is not None
        if not known and not (name == "tip" and j.answer.kind in ("plain", "tracheostomy")):
            continue
        mark = getattr(j.landmarks, name)
        rows.append((mark.confidence if mark else 0.0, known and j.error_mm(name) <= NEAR_MM))
    return np.array(rows, float).reshape(-1, 2)


def reliability(group: Sequence[Judged], name: str) -> list[tuple[float, float, int]]:
    """Mean confidence, share within 10 mm and count, in five bins of confidence."""
    table = _said(group, name)
    bins = np.minimum((table[:, 0] * 5).astype(int), 4)
    return [
        (round(float(part[:, 0].mean()), 3), round(float(part[:, 1].mean()), 3), len(part))
        for k in range(5)
        if len(part := table[bins == k])
    ]


def doubtful(group: Sequence[Judged]) -> tuple[float, int]:
    """Share of right ones among tips and carinas of a confidence of 0.7 to 0.85, and their number."""
    table = np.concatenate([_said(group, name) for name in ("tip", "carina")])
    part = table[(table[:, 0] >= _DOUBTFUL[0]) & (table[:, 0] < _DOUBTFUL[1])]
    return (float(part[:, 1].mean()) if len(part) else math.nan), len(part)


def scores(runs: Path) -> dict[str, dict[str, float]]:
    """The figures of every group that was looked at."""
    everyone = judged(read_answers(runs))
    result = {}
    for group in GROUPS:
        part = in_group(everyone, group)
        if part:
            right, count = doubtful(part)
            told = figures(part) | {"of confidence 0.7 to 0.85: right": right, "their number": count}
            result[group[0]] = {key: round(value, 4) for key, value in told.items()}
    return result


def reliabilities(runs: Path) -> dict[str, dict[str, list[tuple[float, float, int]]]]:
    """The bins of `reliability` for tip and carina, by group, on films as they are."""
    everyone = judged(read_answers(runs))
    return {
        group[0]: {name: reliability(part, name) for name in ("tip", "carina")}
        for group in GROUPS
        if not group[3] and (part := in_group(everyone, group))
    }


def report(runs: Path) -> str:
    """Everything, as text."""
    lines = []
    for name, told in scores(runs).items():
        lines += [name, *(f"  {key}: {value:g}" for key, value in told.items())]
    for name, by_landmark in reliabilities(runs).items():
        for landmark, bins in by_landmark.items():
            said = ", ".join(f"{c:.2f} -> {r:.2f} (n {n})" for c, r, n in bins)
            lines.append(f"{name}: {landmark}, confidence -> right: {said}")
    return "\n".join(lines)


def _mark(landmark: Landmark | None) -> dict[str, object] | None:
    if landmark is None:
        return None
    return {
        "row": landmark.row, "column": landmark.column, "sd_px": landmark.sd_px,
        "confidence": landmark.confidence, "source": str(landmark.source),
    }  # fmt: skip


def main() -> None:
    """Tell of each film what was found by networks that did not see its patient, one JSON object a line."""
    parser = argparse.ArgumentParser(prog="python -m imaging.training.score", description=__doc__)
    parser.add_argument("films", nargs="+")
    parser.add_argument("--runs", type=Path, default=RUNS)
    arguments = parser.parse_args()
    found = {
        (j.answer.file, j.answer.origin): j.landmarks
        for group in (GROUPS[0], GROUPS[2])
        for j in in_group(judged(read_answers(arguments.runs)), group)
    }
    by_end = {"/".join(Path(file).parts[-2:]): landmarks for (file, _), landmarks in found.items()}
    for path in arguments.films:
        landmarks = by_end["/".join(Path(path).parts[-2:])]
        print(json.dumps({"film": path, "tip": _mark(landmarks.tip), "carina": _mark(landmarks.carina)}))


if __name__ == "__main__":
    main()
