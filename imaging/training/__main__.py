"""`python -m imaging.training STEP`: pack, synthesise, kinds, train, export, calibrate, score, or all in order."""

from __future__ import annotations

import argparse
import hashlib
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

from imaging.network.members import CARD, WEIGHTS
from imaging.training.config import PATH, Config, load
from imaging.training.pack import HANNOVER, NIH

ROOT = Path(__file__).resolve().parents[2]
FILMS = ROOT.parent / "shared" / "films"
PACKED = ROOT / "training_data"
SYNTHETIC = ROOT / "build" / "synthetic"
RUNS = ROOT / "build" / "training"


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m imaging.training", description=__doc__)
    parser.add_argument(
        "step", choices=["pack", "synthesise", "kinds", "train", "room", "export", "calibrate", "score", "all"]
    )
    parser.add_argument("--config", type=Path, default=PATH, help="the recipe")
    parser.add_argument("--films", type=Path, default=FILMS, help="folder of films and lists")
    parser.add_argument("--packed", type=Path, default=PACKED, help="folder of packed films")
    parser.add_argument("--synthetic", type=Path, default=SYNTHETIC, help="folder of synthetic films")
    parser.add_argument("--runs", type=Path, default=RUNS, help="where trained weights go")
    parser.add_argument(
        "--members", nargs="+", default=[], help="fold0a ... fold3a, nih-a, nih-b, hannover-a ..., all-a, all-b"
    )
    parser.add_argument("--device", default="cuda", help="for the steps 'room' and 'kinds'")
    parser.add_argument("--minutes", type=float, help="shorter or longer than the recipe says")
    parser.add_argument("--steps", type=int, help="fewer or more than the recipe says")
    parser.add_argument("--processes", type=int, default=2, help="for calibration")
    return parser.parse_args()


def _train_room(members: list[str], arguments: argparse.Namespace, config: Config) -> None:
    from imaging.training.train import Pupil, train

    pupils = [Pupil(member) for member in members]
    train(arguments.packed, arguments.synthetic, arguments.runs, config, pupils, arguments.device)


def _train_all(members: list[str], arguments: argparse.Namespace) -> None:
    """Spread over the GPUs, a process each, in which networks learn side by side."""
    import torch

    kind = "cuda" if torch.cuda.is_available() else "cpu"
    gpus = max(torch.cuda.device_count(), 1)
    runs = []
    for number in range(min(gpus, len(members))):
        device = f"cuda:{number}" if kind == "cuda" else "cpu"
        command = [sys.executable, "-m", "imaging.training", "room", "--device", device]
        command += ["--members", *members[number::gpus]]
        command += ["--config", str(arguments.config), "--packed", str(arguments.packed)]
        command += ["--synthetic", str(arguments.synthetic), "--runs", str(arguments.runs)]
        for name in ("minutes", "steps"):
            if getattr(arguments, name) is not None:
                command += [f"--{name}", str(getattr(arguments, name))]
        runs.append(subprocess.Popen(command, cwd=ROOT))
    codes = [run.wait() for run in runs]
    if any(codes):
        raise SystemExit(f"training: exit codes {codes} of {members}; all must be 0, see the output above.")


def _train_kinds(arguments: argparse.Namespace, config: Config) -> None:
    """The small network that tells kinds of film apart, asked of each collection and for use."""
    from imaging.training.kinds import PICTURES, train_kinds

    for name, (origins, pictures) in {
        "kind_nih": ((NIH,), PICTURES[::2]),
        "kind_hannover": ((HANNOVER,), PICTURES[1::2]),
        "kind_all": ((NIH, HANNOVER), PICTURES),
    }.items():
        train_kinds(
            arguments.packed, arguments.synthetic, arguments.runs, name, origins, pictures, config.pack.side_px,
            config.train.kind_steps, arguments.device,
        )  # fmt: skip


def _export(members: list[str], arguments: argparse.Namespace, config: Config) -> None:
    """Networks for scoring; those trained on everything for use, and that of the kinds where it was trained."""
    from imaging.training.export import calibration_films, export, export_kinds

    films = calibration_films(arguments.synthetic)
    if not films:
        raise SystemExit(
            f"export: no synthetic film found in {arguments.synthetic}; run the step synthesise first."
        )
    shipped = [member for member in members if member.startswith("all")]
    for member in members:
        weights = arguments.runs / f"{member}.pt"
        export(weights, arguments.runs / f"{member}.onnx", config, films)
        if member in shipped:
            export(weights, WEIGHTS / f"finder_{shipped.index(member)}.onnx", config, films)
    if shipped:
        if (arguments.runs / "kind_all.pt").exists():
            export_kinds(arguments.runs / "kind_all.pt", WEIGHTS / "film_kind.onnx")
        _note("made of", _origin(shipped, arguments, config))
        _say_what_they_tell()


def _origin(shipped: list[str], arguments: argparse.Namespace, config: Config) -> dict[str, object]:
    """What the shipped weights come from."""
    return {
        "recipe": "imaging/training/config.toml",
        "recipe sha256": hashlib.sha256(arguments.config.read_bytes()).hexdigest(),
        "networks": shipped,
        "seed": config.train.seed,
        "weights sha256": {
            path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(WEIGHTS.glob("*.onnx"))
        },
        "data": "965 adult frontal films of the ChestX-ray8/14 collection of the NIH Clinical Center "
        "(Wang X. et al., CVPR 2017), 242 of them marked; 146 of the COVID-19 Image Repository of Hannover "
        "Medical School (Winther H. B. et al., CC BY 3.0), all marked; synthetic films of `lipmark synthesise`; "
        "docs/model-card.md",
    }


def _say_what_they_tell() -> None:
    """Names of the maps, the scores and the kinds of film, in the order of the outputs."""
    from imaging.training.kinds import KINDS
    from imaging.training.model import MAPS, SCORES

    card = json.loads(CARD.read_text(encoding="utf-8"))
    _note("network", card["network"] | {"maps": list(MAPS), "scores": list(SCORES)})
    _note("film kind", card["film kind"] | {"kinds": [kind.name for kind in KINDS]})


def _note(key: str, value: object) -> None:
    """Write one entry of the card beside the weights."""
    card = json.loads(CARD.read_text(encoding="utf-8")) if CARD.exists() else {}
    CARD.write_text(json.dumps(card | {key: value}, indent=1) + "\n", encoding="utf-8")


def _calibrate(arguments: argparse.Namespace) -> None:
    """Look at every marked film with networks that did not see its patient, and fit the confidences."""
    from imaging.training.calibrate import calibrate, collect, for_use
    from imaging.training.pack import read_table

    answers = collect(read_table(arguments.packed), arguments.films, arguments.runs, arguments.processes)
    _note("calibration", calibrate(for_use(answers)))


def _everyone(folds: int) -> list[str]:
    """Two networks that learn from NIH alone, two for use, and two for each fold that leave it out.

    In an order in which four GPUs, or two, or one, have those of NIH alone first: see `train`.
    """
    halves = [f"fold{fold}{letter}" for letter in "ab" for fold in range(folds)]
    return ["nih-a", "nih-b", *halves[:2], "all-a", "all-b", *halves[2:]]


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
    if arguments.step in ("kinds", "all"):
        _train_kinds(arguments, config)
    if arguments.step == "room":
        _train_room(members, arguments, config)
    if arguments.step in ("train", "all"):
        _train_all(members, arguments)
    if arguments.step in ("export", "all"):
        _export(members, arguments, config)
    if arguments.step in ("calibrate", "all"):
        _calibrate(arguments)
    if arguments.step in ("score", "all"):
        from imaging.training.score import reliabilities, report, scores

        _note("scores", scores(arguments.runs))
        _note("reliability", reliabilities(arguments.runs))
        print(report(arguments.runs))


if __name__ == "__main__":
    main()
