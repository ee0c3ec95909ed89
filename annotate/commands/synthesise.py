"""`lipmark synthesise`: films with a known truth."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from annotate.commands.arguments import add_choice, count, share, whole
from measure.magnification import View
from measure.patient import AgeGroup

if TYPE_CHECKING:
    from synthetic_images.batch import Progress

EXAMPLES = """\
examples:
  lipmark synthesise 20 --out films
      twenty adult DICOM films with a tube, their truth in films/truth.jsonl, a card in films/CARD.md
  lipmark synthesise 200 --out hard --difficulty 0.9 --tube mixed --format png --seed 7
      two hundred difficult ones as PNG, seven of ten with a tube

The same options give the same bytes. Stopped, the same command goes on where it was.
Nobody's films: bodies, tubes, names, dates and numbers are made up. For training, testing and teaching only.
"""

MIXED = "mixed"
TUBE = {"yes": True, "no": False, MIXED: None}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark synthesise`."""
    from synthetic_images.batch import FileFormat
    from synthetic_images.recipe import HeaderGeometry

    parser.add_argument("count", type=count, metavar="COUNT", help="films wanted in all")
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder, made if missing")
    parser.add_argument("--seed", type=whole, default=0, help="other films; default 0")
    parser.add_argument(
        "--difficulty",
        type=share,
        default=0.3,
        metavar="0..1",
        help="0 clean, 1 rotated, wet and crowded; default 0.3",
    )
    parser.add_argument("--age-group", choices=[*AgeGroup, MIXED], default=AgeGroup.ADULT, help="default adult")
    add_choice(parser, "--view", View, only=(View.AP, View.PA), explain="default mixed, AP for most with a tube")
    parser.add_argument("--lateral", action="store_true", help="seen from the side instead of frontally")
    parser.add_argument("--tube", choices=list(TUBE), default="yes", help="endotracheal tube; default yes")
    add_choice(
        parser,
        "--header",
        HeaderGeometry,
        default=HeaderGeometry.RIGHT,
        explain="what DICOM says of the geometry; default right",
    )
    add_choice(parser, "--format", FileFormat, default=FileFormat.DICOM, explain="default dicom")
    parser.add_argument("--size", type=count, default=1024, metavar="PX", help="rows and columns; default 1024")
    parser.add_argument("--workers", type=count, default=os.cpu_count() or 1, help="processes; default one a core")


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Make the films that are missing and say where they lie."""
    from synthetic_images.batch import BatchSettings, make_batch
    from synthetic_images.errors import SyntheticError

    try:
        settings = BatchSettings(
            seed=args.seed,
            difficulty=args.difficulty,
            age_group=None if args.age_group == MIXED else AgeGroup(args.age_group),
            view=args.view,
            with_tube=TUBE[args.tube],
            header=args.header,
            file_format=args.format,
            size_px=args.size,
            lateral=args.lateral,
        )
        with _progress_bar() as progress:
            result = make_batch(args.count, args.out, settings, workers=args.workers, progress=progress)
    except (SyntheticError, OSError) as error:
        parser.error(str(error))
    print(f"{result.made} films made, {result.kept} were there: {result.folder}")
    print(f"Truth: {result.truth}. What they are: {result.card}")
    return 0


@contextmanager
def _progress_bar() -> Iterator[Progress | None]:
    """A bar on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    from tqdm import tqdm

    with tqdm(desc="making films", unit="film", file=sys.stderr) as bar:

        def show(done: int, wanted: int) -> None:
            bar.total = wanted
            bar.update(done - bar.n)

        yield show
