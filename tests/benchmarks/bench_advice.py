"""What the advice achieves in invented cohorts whose bodies, necks, readers and moves are not those of the rule.

    python tests/benchmarks/bench_advice.py [--films 2000] [--seed 1] [--chain 0]

Each film is measured by `assess` as the commands do: a tip and a carina with a reader's error, pixels,
magnification. Then the advised move is made, with the share that the cohort's hand realises, and a second film is
taken with the neck as it then lies. Printed as the tables of docs/advice.md."""

from __future__ import annotations

import argparse
import json
import math
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, fields, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from annotate.command_line import main as main_command
from annotate.films.answers import answer_all
from imaging.case import Request
from measure.advice import WEIGHTS, Action, Adjustment, Weights, advise
from measure.assess import Case, assess
from measure.landmarks import HAND_SD_MM, Landmark, Landmarks, Source
from measure.magnification import View, plausible
from measure.neck import neck_of
from measure.patient import Patient, Sex
from measure.posture import NeckPosture
from measure.reading import Reading
from measure.spacing import Plane, Spacing, SpacingSource
from measure.standing import place_of, situation_of
from measure.verdict import Verdict
from synthetic_images.truth import Truth

Random = np.random.Generator
Shown = tuple[str, float, bool]
"""Which chance, what it was said to be, and whether it came true."""
NECKS = (NeckPosture.NEUTRAL, NeckPosture.FLEXED, NeckPosture.EXTENDED)
PIXEL_MM = 0.14
CARINA_ROW = 1700.0
SIGN = {Action.WITHDRAW: 1.0, Action.ADVANCE: -1.0, Action.LEAVE: 0.0}


@dataclass(frozen=True)
class Cohort:
    """How an invented unit differs from what the rule believes.

    Parameters
    ----------
    name : str
    height_cm : from a generator to the tip's height above the carina on the film, neck neutral
    necks : shares of neutral, flexed, extended
    shift_cm : from a generator and a posture to what the neck does to the tip
    share : from a generator to how much of a move is realised
    reader_sd_mm : from a generator to one reader's error of the distance
    """

    name: str
    height_cm: Callable[[Random], float]
    necks: tuple[float, float, float]
    shift_cm: Callable[[Random, NeckPosture], float]
    share: Callable[[Random], float]
    reader_sd_mm: Callable[[Random], float] = field(default=lambda random: random.uniform(2.0, 5.0))


def _signed(posture: NeckPosture) -> float:
    return {NeckPosture.NEUTRAL: 0.0, NeckPosture.FLEXED: -1.0, NeckPosture.EXTENDED: 1.0}[posture]


def _icu_neck(random: Random, posture: NeckPosture) -> float:
    """1.9 cm either way (Conrardy 1976), patients differing by 0.9 cm."""
    sign = _signed(posture)
    return sign * 1.9 + (random.normal(0.0, 0.9) if sign else 0.0)


def _anaesthetised_neck(random: Random, posture: NeckPosture) -> float:
    """0.55 and 0.63 cm (the study of 50 anaesthetised adults), patients differing by 0.95 cm."""
    sign = _signed(posture)
    return sign * 0.6 + (random.normal(0.0, 0.95) if sign else 0.0)


def _any_neck(random: Random, posture: NeckPosture) -> float:
    return _signed(posture) * random.uniform(0.2, 2.0)


def _usual_share(random: Random) -> float:
    return float(np.clip(random.normal(0.65, 0.25), 0.0, 1.3))


def _emergency_height(random: Random) -> float:
    """Seven of ten well placed, two deep, a few high."""
    means, sds = ((4.5, 1.2), (1.2, 1.5), (8.0, 1.0))[random.choice(3, p=(0.70, 0.22, 0.08))]
    return random.normal(means, sds)


COHORTS = (
    Cohort("intensive care, necks moved much", lambda r: r.normal(4.6, 2.2), (0.55, 0.30, 0.15), _icu_neck,
           _usual_share),
    Cohort("emergency, necks mostly neutral", _emergency_height, (0.85, 0.10, 0.05), _anaesthetised_neck,
           lambda r: r.uniform(0.5, 1.0)),
    Cohort("wide spread, necks of every degree", lambda r: r.normal(4.8, 2.6), (0.40, 0.35, 0.25), _any_neck,
           _usual_share),
    Cohort("careless readers, full moves", lambda r: r.normal(4.2, 1.9), (0.60, 0.30, 0.10), _any_neck,
           lambda r: 1.0, lambda r: 5.0),
)  # fmt: skip


@dataclass(frozen=True)
class Reader:
    """Who marks: the error that is made, and the one that the tool is told."""

    name: str
    error_mm: Callable[[Cohort, Random], float]
    tip_sd_mm: float
    carina_sd_mm: float
    source: Source


READERS = (
    Reader("hand marks", lambda c, r: c.reader_sd_mm(r), HAND_SD_MM["tip"], HAND_SD_MM["carina"], Source.HAND),
    Reader("proposals", lambda c, r: math.hypot(3.0, 8.0), 3.0, 8.0, Source.PROPOSED),
)


class Tally:
    """Shares of films for which something is true."""

    def __init__(self) -> None:
        self.counts: dict[str, list[int]] = {}

    def add(self, name: str, true: bool) -> None:
        """Count one film."""
        held = self.counts.setdefault(name, [0, 0])
        held[0] += bool(true)
        held[1] += 1

    def share(self, name: str) -> float:
        """Share of the counted films; not a number where there were none."""
        true, all_of_them = self.counts.get(name, (0, 0))
        return true / all_of_them if all_of_them else math.nan


@dataclass(frozen=True)
class Tube:
    """One tube in one body."""

    neutral_cm: float
    film_per_patient: float
    patient: Patient


def read(
    tube: Tube, height_cm: float, posture: NeckPosture, reader: Reader, error_mm: float, random: Random
) -> Reading:
    """One film's Reading: the true height with the reader's error, laid to the tip."""
    drawn_cm = height_cm + random.normal(0.0, error_mm) / 10.0
    carina = Landmark(CARINA_ROW, 1000.0, reader.carina_sd_mm / PIXEL_MM, reader.source, 0.9)
    tip = Landmark(
        CARINA_ROW - 10.0 * drawn_cm / PIXEL_MM, 1000.0, reader.tip_sd_mm / PIXEL_MM, reader.source, 0.9
    )
    return assess(
        Case(
            "invented",
            Landmarks(tip=tip, carina=carina),
            Spacing(PIXEL_MM, PIXEL_MM, Plane.DETECTOR, SpacingSource.IMAGER_PIXEL_SPACING),
            plausible(View.AP),
            view=View.AP,
            patient=tube.patient,
            posture=posture,
        )
    )


def simulate(cohort: Cohort, reader: Reader, told: bool, films: int, seed: int) -> tuple[Tally, list[Shown]]:
    """Two films of every tube; what came of the advice, and every chance that was shown with what was true."""
    random = np.random.default_rng(seed)
    tally, shown = Tally(), []
    for _ in range(films):
        tube = Tube(
            cohort.height_cm(random),
            random.uniform(1.08, 1.27) * float(np.clip(random.normal(0.93, 0.045), 0.8, 1.05)),
            Patient(60.0, (Sex.MALE, Sex.FEMALE)[random.integers(2)]),
        )
        posture = NECKS[random.choice(3, p=cohort.necks)]
        shift = cohort.shift_cm(random, posture)
        height = tube.neutral_cm + shift
        told_as = posture if told else NeckPosture.UNKNOWN
        reading = read(tube, height, told_as, reader, reader.error_mm(cohort, random), random)
        move = reading.adjustment
        tally.add("films with an action", move is not None)
        if move is None:
            continue
        risen = SIGN[move.action] * move.by_cm * cohort.share(random) * tube.film_per_patient
        _count_first(tally, tube, height, risen, move, reading)
        shown += list(_shown(move, height, height + risen, tube.neutral_cm, tube.neutral_cm + risen))
        _count_second(tally, cohort, reader, told, replace(tube, neutral_cm=tube.neutral_cm + risen), random)
    return tally, shown


def _count_first(
    tally: Tally, tube: Tube, height: float, risen: float, move: Adjustment, reading: Reading
) -> None:
    in_range = 3.0 <= tube.neutral_cm <= 7.0
    after = 3.0 <= tube.neutral_cm + risen <= 7.0
    tally.add("in range before", in_range)
    tally.add("under 1 cm before", height < 1.0)
    tally.add("in range after one move", after)
    if height < 1.0:
        tally.add("tubes under 1 cm told to withdraw", move.action is Action.WITHDRAW)
    if height <= -0.5:
        tally.add("0.5 cm or more below the carina called so", reading.verdict is Verdict.IN_A_MAIN_BRONCHUS)
    if in_range:
        tally.add("tubes in range told to leave", move.action is Action.LEAVE)
        tally.add("tubes in range moved out of it", not after)
    if move.action is Action.ADVANCE:
        tally.add("advances that end under 1 cm", height + risen < 1.0)


def _count_second(tally: Tally, cohort: Cohort, reader: Reader, told: bool, tube: Tube, random: Random) -> None:
    posture = NECKS[random.choice(3, p=cohort.necks)]
    height = tube.neutral_cm + cohort.shift_cm(random, posture)
    told_as = posture if told else NeckPosture.UNKNOWN
    move = read(tube, height, told_as, reader, reader.error_mm(cohort, random), random).adjustment
    risen = 0.0 if move is None else SIGN[move.action] * move.by_cm * cohort.share(random) * tube.film_per_patient
    tally.add("in range after a second film", 3.0 <= tube.neutral_cm + risen <= 7.0)
    tally.add("under 1 cm after the second film", height + risen < 1.0)


def _shown(
    move: Adjustment, height: float, height_after: float, neutral: float, neutral_after: float
) -> Iterator[Shown]:
    for name, chances, at, held in (
        ("now", move.chances_now, height, neutral),
        ("after", move.chances_after, height_after, neutral_after),
    ):
        yield f"main bronchus, {name}", chances.in_a_main_bronchus, at < 0.0
        yield f"under 1 cm, {name}", chances.near_carina, at < 1.0
        yield f"within range, {name}", chances.within_range, 3.0 <= held <= 7.0
        yield f"too high, {name}", chances.too_high, held > 7.0


ROWS = (
    "films with an action", "tubes under 1 cm told to withdraw", "0.5 cm or more below the carina called so",
    "tubes in range told to leave", "tubes in range moved out of it", "advances that end under 1 cm",
    "in range before", "in range after one move", "in range after a second film",
    "under 1 cm before", "under 1 cm after the second film",
)  # fmt: skip


def print_outcomes(films: int, seed: int) -> list[Shown]:
    """One table a reader and a knowledge of the neck, a column a cohort."""
    everything: list[Shown] = []
    for reader in READERS:
        for told in (False, True):
            found = [simulate(cohort, reader, told, films, seed) for cohort in COHORTS]
            print(f"\n{reader.name}, neck {'told' if told else 'not told'}\n")
            print(f"| figure | {' | '.join(cohort.name for cohort in COHORTS)} |")
            print(f"| --- |{' --- |' * len(COHORTS)}")
            for row in ROWS:
                print(f"| {row} | {' | '.join(f'{100 * tally.share(row):.1f} %' for tally, _ in found)} |")
            everything += [item for _, shown in found for item in shown]
    return everything


def print_reliability(shown: list[Shown]) -> None:
    """Chances as shown against what was true, over all cohorts."""
    edges = [0.0, 0.02, 0.1, 0.3, 0.5, 0.7, 0.9, 0.98, 1.0]
    bins = list(pairwise(edges))
    print("\n| chance | " + " | ".join(f"{low:.0%} to {high:.0%}" for low, high in bins) + " |")
    print("| --- |" + " --- |" * (len(edges) - 1))
    for name in dict.fromkeys(name for name, _, _ in shown):
        said = np.array([share for which, share, _ in shown if which == name])
        true = np.array([was for which, _, was in shown if which == name])
        cells = []
        for low, high in bins:
            here = (said >= low) & ((said < high) | (high == 1.0))
            cells.append(f"{true[here].mean():.1%} of {here.sum()}" if here.sum() >= 30 else "")
        print(f"| {name} | {' | '.join(cells)} |")


def print_weights() -> None:
    """What halving and doubling each weight does to the advice for a hand-marked adult, the neck not told."""
    heights = [-1.0, 0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0, 6.0, 7.0, 8.0, 10.0]
    print("\n| weight | " + " | ".join(f"{height:g}" for height in heights) + " |")
    print("| --- |" + " --- |" * len(heights))
    print("| as it is | " + " | ".join(_moves(heights, WEIGHTS)) + " |")
    usual = _moves(heights, WEIGHTS)
    for item in fields(WEIGHTS):
        for factor in (0.5, 2.0):
            moves = _moves(heights, replace(WEIGHTS, **{item.name: factor * getattr(WEIGHTS, item.name)}))
            cells = ["" if move == before else move for move, before in zip(moves, usual, strict=True)]
            print(f"| {item.name} x {factor:g} | {' | '.join(cells)} |")


def _moves(heights: list[float], weights: Weights) -> list[str]:
    return [_move(height, weights) for height in heights]


def _move(height_cm: float, weights: Weights) -> str:
    carina = Landmark(CARINA_ROW, 1000.0, HAND_SD_MM["carina"] / PIXEL_MM)
    tip = Landmark(CARINA_ROW - 10.0 * height_cm / PIXEL_MM, 1000.0, HAND_SD_MM["tip"] / PIXEL_MM)
    spacing = Spacing(PIXEL_MM, PIXEL_MM, Plane.DETECTOR, SpacingSource.IMAGER_PIXEL_SPACING)
    case = Case(
        "film", Landmarks(tip=tip, carina=carina), spacing, plausible(View.AP), view=View.AP, patient=Patient(60.0)
    )
    reading = assess(case)
    assert reading.inputs is not None
    place = place_of(case, reading.inputs, neck_of(case), reading.distance)
    move = advise(situation_of(case, reading.inputs, place), weights)
    return f"{SIGN[move.action] * move.by_cm:+g}" if move.by_cm else "0"


def print_chain(films: int, seed: int) -> None:
    """The figures of the first move on synthetic films, proposed and measured as `lipmark read` does."""
    random = np.random.default_rng(seed)
    tally = Tally()
    with tempfile.TemporaryDirectory() as folder:
        words = ["--seed", str(seed), "--difficulty", "0.3", "--tube", "yes"]
        main_command(["synthesise", str(films), "--out", folder, *words])
        truths = [json.loads(line) for line in (Path(folder) / "truth.jsonl").read_text().splitlines()]
        paths = [Path(folder) / each["film"] for each in truths]
        for each, answer in zip(truths, answer_all(paths, Request(), None, workers=2), strict=True):
            _count_chain(tally, Truth.from_dict(each["truth"]), answer.reading, random)
    print("\n| figure | synthetic films, proposals, neck not told | of films |\n| --- | --- | --- |")
    for row, (_, counted) in tally.counts.items():
        print(f"| {row} | {100 * tally.share(row):.1f} % | {counted} |")


def _count_chain(tally: Tally, truth: Truth, reading: Reading, random: Random) -> None:
    if truth.oesophageal:
        return
    move = reading.adjustment
    tally.add("films with an action", move is not None)
    if move is None or reading.inputs is None or reading.inputs.spacing is None:
        return
    carina, tip = truth.points["carina"], truth.points["tip"]
    height = (carina.row - tip.row) * reading.inputs.spacing.row_mm / 10.0
    scale = truth.carina_magnification * math.cos(math.radians(truth.lean_deg))
    tube = Tube(height - truth.neck_shift_mm / 10.0 * scale, scale, Patient())
    risen = SIGN[move.action] * move.by_cm * _usual_share(random) * scale
    _count_first(tally, tube, height, risen, move, reading)


def main() -> None:
    """Print all tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--films", type=int, default=2000, help="tubes a cohort, reader and knowledge of the neck")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--chain", type=int, default=0, help="synthetic films through the whole way")
    args = parser.parse_args()
    print_reliability(print_outcomes(args.films, args.seed))
    print_weights()
    if args.chain:
        print_chain(args.chain, args.seed)


if __name__ == "__main__":
    main()
