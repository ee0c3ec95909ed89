"""Draw the model card's pictures: reliability of the confidence, and error against difficulty on synthetic films.

python docs/make_model_card.py

The reliability comes from the card beside the weights. The films are made and read anew, two minutes on two cores;
the table for model-card.md is printed.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from itertools import product
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from tqdm import tqdm

from imaging.film import Film
from imaging.network import CARD, find_landmarks
from synthetic_images.detector import GREY_LEVELS
from synthetic_images.film import make_film
from synthetic_images.recipe import draw_recipe

DOCS = Path(__file__).resolve().parent
DIFFICULTIES = (0.0, 0.25, 0.5, 0.75, 1.0)
SEEDS = range(9000, 9016)
"""Of no film that was trained on: those start at the recipe's own seed."""
LOOKS = {"tip": ("o", "-", "tab:blue"), "carina": ("s", "--", "tab:orange")}
"""Marker, line and colour of each landmark."""

SHOWN = ("NIH out of fold", "Hannover by networks that never saw it")
"""Whose reliability is drawn."""


@dataclass(frozen=True)
class Result:
    """One landmark on one film: nominal mm off, and the confidence (0 where nothing was said)."""

    difficulty: float
    landmark: str
    error_mm: float
    confidence: float


def read(job: tuple[float, int]) -> list[Result]:
    """Make a film and look for its landmarks."""
    difficulty, seed = job
    made = make_film(draw_recipe(seed, difficulty=difficulty))
    film = Film((made.pixels / np.float32(GREY_LEVELS - 1)).astype(np.float32))
    landmarks, *_ = find_landmarks(film)
    results = []
    for name in LOOKS:
        mark, truth = getattr(landmarks, name), made.truth.points[name]
        off = math.hypot(mark.row - truth.row, mark.column - truth.column) if mark else math.inf
        results.append(Result(difficulty, name, off * 400.0 / max(film.shape), mark.confidence if mark else 0.0))
    return results


def draw_difficulty(axes: Axes, results: list[Result]) -> None:
    """Median error by difficulty; the table is printed."""
    print("| difficulty | landmark | median mm | within 10 mm, of all | answered | gross |")
    print("| --- | --- | --- | --- | --- | --- |")
    for name, (marker, line, colour) in LOOKS.items():
        medians = []
        for difficulty in DIFFICULTIES:
            part = [r for r in results if r.landmark == name and r.difficulty == difficulty]
            sure = [r for r in part if r.confidence >= 0.5]
            medians.append(float(np.median([r.error_mm for r in part])))
            near = sum(r.error_mm <= 10.0 for r in sure) / len(part)
            gross = sum(r.error_mm > 15.0 for r in sure)
            cells = (f"{difficulty:g}", name, f"{medians[-1]:.1f}", f"{near:.2f}", f"{len(sure) / len(part):.2f}")
            print("|", " | ".join([*cells, str(gross)]), "|")
        axes.plot(DIFFICULTIES, medians, marker=marker, linestyle=line, color=colour, label=name)
    axes.set(xlabel="difficulty of the synthetic film", ylabel="median error, nominal mm", ylim=(0.0, None))
    axes.legend()


def draw_reliability(axes: Axes, by_group: dict[str, dict[str, list[tuple[float, float, int]]]]) -> None:
    """Share within 10 mm against the confidence said, by collection; each point with its number of films."""
    axes.plot([0.0, 1.0], [0.0, 1.0], color="grey", linewidth=0.8)
    for group in SHOWN:
        bins = by_group[group]
        for name, (marker, line, colour) in LOOKS.items():
            said, right, films = zip(*bins[name], strict=True)
            face = colour if group.startswith("NIH") else "white"
            axes.plot(
                said,
                right,
                marker=marker,
                linestyle=line,
                color=colour,
                markerfacecolor=face,
                label=f"{name}, {group}",
            )
            for x, y, n in zip(said, right, films, strict=True):
                axes.annotate(
                    str(n), (x, y), textcoords="offset points", xytext=(5, -10), fontsize=7, color=colour
                )
    axes.set(xlabel="confidence said", ylabel="share within 10 mm (number: films)", xlim=(0, 1), ylim=(0, 1.05))
    axes.legend(loc="upper left", fontsize=6)


def main() -> None:
    """Write docs/reliability.svg and docs/difficulty.svg."""
    plt.rcParams |= {"svg.hashsalt": "lipmark", "svg.fonttype": "none", "figure.figsize": (5.0, 3.6)}
    jobs = list(product(DIFFICULTIES, SEEDS))
    with get_context("spawn").Pool(2) as pool:
        results = [r for part in tqdm(pool.imap(read, jobs), total=len(jobs), unit="film") for r in part]
    card = json.loads(CARD.read_text(encoding="utf-8"))
    for name, draw, data in (
        ("difficulty", draw_difficulty, results),
        ("reliability", draw_reliability, card["reliability"]),
    ):
        figure, axes = plt.subplots(layout="constrained")
        draw(axes, data)
        figure.savefig(DOCS / f"{name}.svg", metadata={"Date": None})


if __name__ == "__main__":
    main()
