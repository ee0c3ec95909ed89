"""`lipmark demo`: make a film, read it, show where the answer lies."""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
from pathlib import Path

from annotate.commands.arguments import whole
from annotate.films.answers import answer
from annotate.words.screen import screen
from imaging.case import Request
from measure.case import Bedside
from measure.posture import NeckPosture
from measure.tube import Tube

EXAMPLES = """\
example:
  lipmark demo --out demo --seed 7

Nobody's film: the chest, the tube and every attribute are made up, and the true distance is known and printed.
"""

DEMO_SEED = 73
DEMO_DIFFICULTY = 0.1
LIP_MARK_CM = 24.0
TUBE_SIZE_MM = 8.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark demo`."""
    parser.add_argument("--out", type=Path, metavar="DIR", help="where to write; default a new temporary folder")
    parser.add_argument("--seed", type=whole, default=DEMO_SEED, help=f"another film; default {DEMO_SEED}")


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Write the film, its truth, the picture and the Reading."""
    from synthetic_images.dicom_out import write_dicom
    from synthetic_images.film import make_film
    from synthetic_images.recipe import draw_recipe

    out = args.out or Path(tempfile.mkdtemp(prefix="lipmark-demo-"))
    out.mkdir(parents=True, exist_ok=True)
    made = make_film(draw_recipe(args.seed, difficulty=DEMO_DIFFICULTY, posture=NeckPosture.NEUTRAL))
    write_dicom(made, out / "film.dcm")
    known = Bedside(lip_mark_cm=LIP_MARK_CM, tube=Tube(size_mm=TUBE_SIZE_MM), posture=NeckPosture.NEUTRAL)
    answered = answer(out / "film.dcm", Request(known=known), out / "picture.png")
    (out / "reading.json").write_text(json.dumps(answered.reading.to_dict(), indent=1), encoding="utf-8")
    (out / "truth.json").write_text(json.dumps(made.truth.to_dict(), indent=1), encoding="utf-8")
    print(screen(answered.reading, shutil.get_terminal_size().columns, sys.stdout.isatty()))
    if made.truth.distance_mm is not None:
        print(
            f"\nTruth: the tip was placed {made.truth.distance_mm / 10.0:.1f} cm above the carina in the patient."
        )
    print(f"Written to {out}: film.dcm, picture.png, reading.json, truth.json")
    return 0
