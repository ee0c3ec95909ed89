"""`python -m imaging.training STEP`: pack, synthesise, train, export, calibrate, score, or all in this order."""

from __future__ import annotations

import argparse
import hashlib
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

from imaging.network import CARD, WEIGHTS
from imaging.training.config import PATH, Config, load

ROOT = Path(__file__).resolve().parents[2]
FILMS = ROOT.parent / "shared" / "films"
PACKED = ROOT / "training_data"
SYNTHETIC = ROOT / "build" / "synthetic"
RUNS = ROOT / "build" / "training"


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m imaging.training", description=__doc__)
    parser.add_argument(
        "step", choices=["pack", "synthesise", "train", "one", "export", "calibrate", "score", "all"]
    )
    parser.add_argument("--config", type=Path, default=PATH, help="the recipe")
    parser.add_argument("--films", type=Path, default=FILMS, help="folder of films and lists")
    parser.add_argument("--packed", type=Path, default=PACKED, help="folder of packed films")
    parser.add_argument("--synthetic", type=Path, default=SYNTHETIC, help="folder of synthetic films")
    parser.add_argument("--runs", type=Path, default=RUNS, help="where trained weights go")
    parser.add_argument(
        "--members", nargs="+", default=[], help="fold0a ... fold4b, nih-a, nih-b, hannover-a ..., all-a, all-b"
    )
    parser.add_argument("--device", default="cuda", help="for the step 'one'")
    parser.add_argument("--minutes", type=float, help="shorter or longer than the recipe says")
    parser.add_argument("--steps", type=int, help="fewer or more than the recipe says")
    parser.add_argument("--processes", type=int, default=2, help="for calibration")
    return parser.parse_args()


def _train_one(member: str, arguments: argparse.Namespace, config: Config) -> None:
    from imaging.training.train import Pupil, train

    train(arguments.packed, arguments.synthetic, arguments.runs, config, Pupil(member), arguments.device)


def _train_all(members: list[str], arguments: argparse.Namespace, side_by_side: int) -> None:
    """As many at a time as the recipe says, each in its own process."""
    import torch

    gpus = max(torch.cuda.device_count(), 1)
    for first in range(0, len(members), gpus * side_by_side):
        _train_together(members[first : first + gpus * side_by_side], arguments, gpus)


def _train_together(members: list[str], arguments: argparse.Namespace, gpus: int) -> None:
    """Every member in its own process, spread over the GPUs."""
    import torch

    kind = "cuda" if torch.cuda.is_available() else "cpu"
    runs = []
    for number, member in enumerate(members):
        device = f"cuda:{number % gpus}" if kind == "cuda" else "cpu"
        command = [sys.executable, "-m", "imaging.training", "one", "--members", member, "--device", device]
        command += ["--config", str(arguments.config), "--packed", str(arguments.packed)]
        command += ["--synthetic", str(arguments.synthetic), "--runs", str(arguments.runs)]
        for name in ("minutes", "steps"):
            if getattr(arguments, name) is not None:
                command += [f"--{name}", str(getattr(arguments, name))]
        runs.append(subprocess.Popen(command, cwd=ROOT))
    codes = [run.wait() for run in runs]
    if any(codes):
        raise SystemExit(f"training: exit codes {codes} of {members}; all must be 0, see the output above.")


def _export(members: list[str], arguments: argparse.Namespace, config: Config) -> None:
    """Networks of folds for scoring; those trained on everything for use."""
    from imaging.training.export import export

    shipped = [member for member in members if member.startswith("all")]
    for member in members:
        weights = arguments.runs / f"{member}.pt"
        export(weights, arguments.runs / f"{member}.onnx", config)
        if member in shipped:
            export(weights, WEIGHTS / f"finder_{shipped.index(member)}.onnx", config)
    if shipped:
        _note("made of", _origin(shipped, arguments, config))


def _origin(shipped: list[str], arguments: argparse.Namespace, config: Config) -> dict[str, object]:
    """What the shipped weights come from."""
    files = [WEIGHTS / f"finder_{number}.onnx" for number in range(len(shipped))]
    return {
        "recipe": "imaging/training/config.toml",
        "recipe sha256": hashlib.sha256(arguments.config.read_bytes()).hexdigest(),
        "seeds": [config.train.seed + int(member.removeprefix("all")) for member in shipped],
        "weights sha256": {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files},
        "data": "965 adult frontal films of the ChestX-ray8/14 collection of the NIH Clinical Center "
        "(Wang X. et al., CVPR 2017); 242 of them marked; synthetic films of `lipmark synthesise`; "
        "docs/model-card.md",
    }


def _note(key: str, value: object) -> None:
    """Write one entry of the card beside the weights."""
    card = json.loads(CARD.read_text(encoding="utf-8")) if CARD.exists() else {}
    CARD.write_text(json.dumps(card | {key: value}, indent=1) + "\n", encoding="utf-8")


def _calibrate(arguments: argparse.Namespace, config: Config) -> None:
    """Fit the confidences on out-of-fold answers; one card for use, one a fold for honest scores."""
    from imaging.training.calibrate import calibrate, collect
    from imaging.training.pack import read_table

    answers = collect(read_table(arguments.packed), arguments.films, arguments.runs, arguments.processes)
    for fold in range(config.train.folds):
        card = {"calibration": calibrate([a for a in answers if a.fold != fold])}
        (arguments.runs / f"card{fold}.json").write_text(json.dumps(card, indent=1))
    _note("calibration", calibrate(answers))


def _everyone(folds: int) -> list[str]:
    """Two networks for each question: one collection asked of the other, a fold left out, and the two for use."""
    groups = [f"{name}-" for name in ("nih", "hannover", "all")] + [f"fold{fold}" for fold in range(folds)]
    return [f"{group}{letter}" for group in groups for letter in "ab"]


def main() -> None:
    """Run one step, or all."""
    arguments = _arguments()
    config = load(arguments.config)
    changes = {n: getattr(arguments, n) for n in ("minutes", "steps") if getattr(arguments, n) is not None}
    config = replace(config, train=replace(config.train, **changes))
    members = arguments.members or _everyone(config.train.folds)
    if arguments.step in ("pack", "all"):
        from imaging.training.pack import pack

        print(len(pack(arguments.films, arguments.packed, config)), "films packed in", arguments.packed)
    if arguments.step in ("synthesise", "all"):
        from imaging.training.synthetic import make_synthetic

        make_synthetic(arguments.synthetic, config)
    if arguments.step == "one":
        _train_one(members[0], arguments, config)
    if arguments.step in ("train", "all"):
        _train_all(members, arguments, config.train.side_by_side)
    if arguments.step in ("export", "all"):
        _export(members, arguments, config)
    if arguments.step in ("calibrate", "all"):
        _calibrate(arguments, config)
    if arguments.step in ("score", "all"):
        from imaging.training.score import reliabilities, report, scores

        _note("out-of-fold scores", scores(arguments.runs))
        _note("out-of-fold reliability", reliabilities(arguments.runs))
        print(report(arguments.runs))


if __name__ == "__main__":
    main()
