"""`lipmark audit demo`: an invented unit's year, audited and reported."""

from __future__ import annotations

import argparse
import csv
import os
import tempfile
from collections.abc import Iterable
from pathlib import Path

from annotate.commands.arguments import whole

EXAMPLES = """\
example:
  lipmark audit demo --out demo-audit

Nobody's films: unit, beds, patients and marks are drawn at random about published distributions; from 1 July on
the invented unit sets its tubes by the patient's height, which the chart over time should show. A few synthetic
films with pixels are read by the network too, so that proposals can be held against hands.
"""

ENTRIES, FILMS = 2400, 24
SEED = 7
MANIFEST, RESULTS = "unit.csv", "results"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lipmark audit demo`."""
    parser.add_argument("--out", type=Path, metavar="DIR", help="where to write; default a new temporary folder")
    parser.add_argument("--seed", type=whole, default=SEED, help=f"another unit; default {SEED}")


def run(args: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    """Make the unit, audit it, report it; each step is the command that a user would give."""
    from annotate.command_line import main

    out = args.out or Path(tempfile.mkdtemp(prefix="lipmark-audit-"))
    out.mkdir(parents=True, exist_ok=True)
    print("Making an invented unit ...", flush=True)
    write_unit(out, args.seed)
    title = "An invented unit: demonstration, nobody's films"
    report = ["audit", "report", str(out / RESULTS)]
    for words in (
        ["audit", "run", str(out / MANIFEST), "--out", str(out / RESULTS)],
        [*report, "--out", str(out), "--baseline", "6", "--title", title, "--overwrite"],
    ):
        print(f"\n$ lipmark {' '.join(f'{word!r}' if ' ' in word else word for word in words)}", flush=True)
        status = main(words)
        if status:
            return status
    return 0


def write_unit(out: Path, seed: int, entries: int = ENTRIES, films: int = FILMS) -> Path:
    """Write the unit's films and its manifest.

    Parameters
    ----------
    out : Path
        A folder that exists.
    seed : int
        The same unit for the same seed.
    entries, films : int
        Films of which only marks are known, and films with pixels.
    """
    import numpy as np

    from annotate.audit.demo_unit import film_rows, marked_rows
    from measure.magnification import View
    from synthetic_images.batch import BatchSettings, make_batch

    made = make_batch(films, out / "films", BatchSettings(seed, view=View.AP), workers=os.cpu_count() or 1)
    random = np.random.default_rng(seed)
    manifest = out / MANIFEST
    _write(manifest, [*marked_rows(entries, random), *film_rows(made, random)])
    return manifest


def _write(path: Path, rows: Iterable[dict[str, object]]) -> None:
    from annotate.audit.manifest import COLUMNS

    with path.open("w", newline="", encoding="utf-8") as file:
        lines = csv.DictWriter(file, list(COLUMNS))
        lines.writeheader()
        lines.writerows(sorted(rows, key=lambda row: str(row["time"])))
