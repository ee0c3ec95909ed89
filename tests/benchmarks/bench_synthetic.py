"""How fast synthetic films are made, and how they compare with real ones.

    python tests/benchmarks/bench_synthetic.py [COUNT]
    python tests/benchmarks/bench_synthetic.py [COUNT] --real MARKS_CSV

The first prints films a second of one core, and peak memory. The second compares grey levels, power spectra
and the tube's contrast with films listed in a CSV file (columns `file`, `has_ett`, `tip_x`, `tip_y`,
`carina_x`, `carina_y`; paths beside the CSV file), whose longer side is taken as 400 mm.
"""

from __future__ import annotations

import argparse
import csv
import resource
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

NOMINAL_SIDE_MM = 400.0
SIZE_PX = 1024
MM_PER_PX = NOMINAL_SIDE_MM / SIZE_PX
FREQUENCIES_PER_MM = (0.02, 0.05, 0.1, 0.2, 0.4, 0.8, 1.1)
QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)


@dataclass(frozen=True)
class Marked:
    """A film as grey values from 0 to 1, with (row, column) of tip and carina or None."""

    grey: np.ndarray
    tip: tuple[float, float] | None
    carina: tuple[float, float] | None


def speed(count: int) -> None:
    """Make films of 1024 by 1024 on one core and print what it took."""
    import cv2

    from synthetic_images.film import make_film
    from synthetic_images.recipe import draw_recipe

    cv2.setNumThreads(1)
    make_film(draw_recipe(0))
    for difficulty in (0.0, 0.3, 1.0):
        wall, core = time.perf_counter(), time.process_time()
        for seed in range(count):
            make_film(draw_recipe(seed, difficulty=difficulty))
        wall, core = time.perf_counter() - wall, time.process_time() - core
        print(
            f"difficulty {difficulty:g}: {count / core:.2f} films a second of one core's time, "
            f"{count / wall:.2f} by the clock"
        )
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(f"peak memory {peak_mib:.0f} MiB")


def real_films(marks: Path) -> Iterator[Marked]:
    """The films of a CSV file."""
    from PIL import Image

    def point(row: dict[str, str], name: str) -> tuple[float, float] | None:
        if not row[f"{name}_x"]:
            return None
        return float(row[f"{name}_y"]), float(row[f"{name}_x"])

    with marks.open(encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            picture = Image.open(marks.parent / row["file"]).convert("L")
            if picture.size == (SIZE_PX, SIZE_PX):
                yield Marked(np.asarray(picture) / 255.0, point(row, "tip"), point(row, "carina"))


def synthetic_films(count: int) -> Iterator[Marked]:
    """Half of them with a tube, over all difficulties, with eight bits as the real ones have."""
    from synthetic_images.film import make_film
    from synthetic_images.recipe import draw_recipe

    for seed in range(count):
        film = make_film(draw_recipe(seed, difficulty=(seed % 10) / 9.0, with_tube=seed % 2 == 0))
        points = {n: (p.row, p.column) for n, p in film.truth.points.items()}
        yield Marked((film.pixels >> 4) / 255.0, points.get("tip"), points["carina"])


def grey_levels(film: Marked) -> np.ndarray | None:
    """Quantiles, mean and standard deviation."""
    grey = film.grey
    return np.array([*np.quantile(grey, QUANTILES), grey.mean(), grey.std()])


def power(film: Marked) -> np.ndarray | None:
    """log10 of the spectral density of the middle half at `FREQUENCIES_PER_MM`, grey values' variance 1."""
    part = film.grey[SIZE_PX // 4 : -SIZE_PX // 4, SIZE_PX // 4 : -SIZE_PX // 4]
    if part.std() < 0.01:
        return None
    window = np.outer(np.hanning(part.shape[0]), np.hanning(part.shape[1]))
    density = np.abs(np.fft.fft2((part - part.mean()) / part.std() * window)) ** 2
    along = np.fft.fftfreq(part.shape[0], MM_PER_PX)
    radius = np.hypot(along[:, None], along[None, :])
    rings = [(radius > 0.9 * f) & (radius < 1.1 * f) for f in FREQUENCIES_PER_MM]
    return np.log10([density[ring].mean() / density.size for ring in rings])


def tube_contrast(film: Marked) -> np.ndarray | None:
    """Contrast of the brightest line near the tip over the noise beside it, and the contrast in grey values.

    Rows from 4 to 20 mm above the tip, 5 mm to each side; noise is the robust spread of the fine structure.
    """
    from scipy.ndimage import gaussian_filter

    if film.tip is None:
        return None
    row, column = (round(v) for v in film.tip)
    rows = slice(row - int(20 / MM_PER_PX), row - int(4 / MM_PER_PX))
    reach = int(12 / MM_PER_PX)
    if rows.start < 0 or column < reach or column + reach >= SIZE_PX:
        return None
    part = film.grey[rows, column - reach : column + reach + 1]
    fine = gaussian_filter(part, 0.7) - gaussian_filter(part, 4.0)
    middle = fine[:, reach - int(5 / MM_PER_PX) : reach + int(5 / MM_PER_PX) + 1]
    noise = 1.4826 * np.median(np.abs(fine - np.median(fine)))
    contrast = float(np.median(middle.max(axis=1)))
    return np.array([contrast / max(noise, 1e-4), contrast])


def trachea_contrast(film: Marked) -> np.ndarray | None:
    """Grey values by which the air column is darker than its sides, 20 mm above the carina."""
    if film.carina is None:
        return None
    row, column = film.carina[0] - 20.0 / MM_PER_PX, film.carina[1]
    if row < 8 or not 60 < column < SIZE_PX - 60:
        return None
    profile = film.grey[int(row) - 4 : int(row) + 5].mean(axis=0)

    def mean(start_mm: float, stop_mm: float) -> float:
        return float(profile[int(column + start_mm / MM_PER_PX) : int(column + stop_mm / MM_PER_PX) + 1].mean())

    darkest = min(mean(shift - 3.0, shift + 3.0) for shift in range(-10, 11, 2))
    return np.array([(mean(12.0, 17.0) + mean(-17.0, -12.0)) / 2.0 - darkest])


MEASURES: dict[str, tuple[Callable[[Marked], np.ndarray | None], tuple[str, ...]]] = {
    "grey levels": (grey_levels, (*(f"{q:.0%} quantile" for q in QUANTILES), "mean", "standard deviation")),
    "log10 spectral density": (power, tuple(f"{f:g} per mm" for f in FREQUENCIES_PER_MM)),
    "tube": (tube_contrast, ("contrast to noise", "contrast")),
    "trachea": (trachea_contrast, ("contrast",)),
}


def compare(count: int, marks: Path) -> None:
    """Print median and 10th to 90th percentile of each measure, synthetic and real."""
    films = {"synthetic": list(synthetic_films(count)), "real": list(real_films(marks))}
    print("| measure | synthetic | real |\n| --- | --- | --- |")
    for title, (measure, names) in MEASURES.items():
        found = {
            kind: np.array([m for f in some if (m := measure(f)) is not None]) for kind, some in films.items()
        }
        for i, name in enumerate(names):
            cells = []
            for values in found.values():
                low, middle, high = np.quantile(values[:, i], (0.1, 0.5, 0.9))
                cells.append(f"{middle:.2f} ({low:.2f} to {high:.2f}), n = {len(values)}")
            print(f"| {title}: {name} | {' | '.join(cells)} |")


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("count", type=int, nargs="?", default=12)
    parser.add_argument("--real", type=Path, metavar="MARKS_CSV")
    given = parser.parse_args()
    if given.real is None:
        speed(given.count)
    else:
        compare(given.count, given.real)


if __name__ == "__main__":
    main()
