"""How fast synthetic films are made, and how they compare with real ones.

    python tests/benchmarks/bench_synthetic.py [COUNT]
    python tests/benchmarks/bench_synthetic.py [COUNT] --real MARKS_CSV [MARKS_CSV ...]

The first prints films a second of one core, and peak memory. The second compares what a film looks like, in
figures, with up to COUNT films of each collection, drawn evenly from a CSV file (columns `file`, `tip_x`,
`tip_y`, `carina_x`, `carina_y`; paths beside the CSV file). Their longer side is taken as 400 mm and brought
to 1024 pixels, the synthetic films' own field likewise. Synthetic films that are shown like film and those
with raised details stand apart. Medians, and 10th to 90th percentile.
"""

from __future__ import annotations

import argparse
import csv
import itertools
import resource
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

NOMINAL_SIDE_MM = 400.0
SIZE_PX = 1024
MM_PER_PX = NOMINAL_SIDE_MM / SIZE_PX
FREQUENCIES_PER_MM = (0.025, 0.05, 0.1, 0.2, 0.4, 0.8)
"""Centres of octaves."""

BANDS_PX = (0.0, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0)
"""Standard deviations of the blurs whose differences are the bands of local contrast."""

LUNGS, MEDIASTINUM, BELOW, SIDES, CORNERS = (
    ((0.25, 0.55, 0.2, 0.36), (0.25, 0.55, 0.64, 0.8)),
    ((0.25, 0.6, 0.44, 0.56),),
    ((0.8, 0.95, 0.3, 0.7),),
    ((0.3, 0.9, 0.0, 0.05), (0.3, 0.9, 0.95, 1.0)),
    ((0.0, 0.1, 0.0, 0.15), (0.0, 0.1, 0.85, 1.0)),
)
"""Where these mostly lie on a frontal film: first and last row, first and last column, as shares of the film."""

NOISE_GREYS = (0.25, 0.45, 0.65, 0.85)
MOST_DETAIL_LIKE_FILM = 0.5
"""Detail gain above which a synthetic film counts as one with raised details."""

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


def real_films(marks: Path, count: int) -> Iterator[Marked]:
    """Up to `count` films of a CSV file, evenly from its start to its end."""
    from PIL import Image

    with marks.open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    for row in rows[:: max(len(rows) // count, 1)][:count]:
        picture = Image.open(marks.parent / row["file"]).convert("L")
        scale = SIZE_PX / max(picture.size)
        size = (round(picture.width * scale), round(picture.height * scale))
        yield Marked(np.asarray(picture.resize(size, Image.Resampling.BICUBIC)) / 255.0, *_points(row, scale))


def _points(row: dict[str, str], scale: float) -> list[tuple[float, float] | None]:
    return [
        (float(row[f"{name}_y"]) * scale, float(row[f"{name}_x"]) * scale) if row[f"{name}_x"] else None
        for name in ("tip", "carina")
    ]


def synthetic_films(count: int, detailed: bool) -> Iterator[Marked]:
    """Half of them with a tube, over all difficulties, with eight bits as the real ones have."""
    from synthetic_images.film import make_film
    from synthetic_images.recipe import draw_recipe

    recipes = (draw_recipe(s, difficulty=(s % 10) / 9.0, with_tube=s % 2 == 0) for s in itertools.count(1000))
    wanted = (r for r in recipes if (r.exposure.detail_gain > MOST_DETAIL_LIKE_FILM) == detailed)
    for recipe in itertools.islice(wanted, count):
        film = make_film(recipe)
        points = {n: (p.row, p.column) for n, p in film.truth.points.items()}
        yield Marked((film.pixels >> 4) / 255.0, points.get("tip"), points["carina"])


def places(picture: np.ndarray, boxes: Sequence[tuple[float, ...]]) -> np.ndarray:
    """All values inside some boxes."""
    rows, columns = picture.shape
    return np.concatenate(
        [
            picture[int(top * rows) : int(bottom * rows), int(left * columns) : int(right * columns)].ravel()
            for top, bottom, left, right in boxes
        ]
    )


def spread(values: np.ndarray) -> float:
    """Standard deviation by the median absolute value, for values about zero."""
    return float(1.4826 * np.median(np.abs(values)))


def regions(film: Marked) -> np.ndarray | None:
    """Median grey value where lungs, mediastinum, abdomen, sides and upper corners mostly lie."""
    return np.array([np.median(places(film.grey, boxes)) for boxes in (LUNGS, MEDIASTINUM, BELOW, SIDES, CORNERS)])


def frame(film: Marked) -> np.ndarray | None:
    """Share of the film that is black, and that is white: collimation, open beam, borders, letters."""
    return np.array([(film.grey < 0.04).mean(), (film.grey > 0.97).mean()])


def blurred(picture: np.ndarray, sigma_px: float) -> np.ndarray:
    """Gaussian blur."""
    import cv2

    return picture if sigma_px == 0.0 else cv2.GaussianBlur(picture, (0, 0), sigma_px)


def local_contrast(film: Marked) -> np.ndarray | None:
    """Spread in each band in the lungs, the mediastinum and below, times 1000."""
    levels = [blurred(film.grey.astype(np.float32), sigma) for sigma in BANDS_PX]
    bands = [fine - coarse for fine, coarse in pairwise(levels)]
    return np.array([1e3 * spread(places(band, boxes)) for boxes in (LUNGS, MEDIASTINUM, BELOW) for band in bands])


def edges(film: Marked) -> np.ndarray | None:
    """Steepness of the film's middle: quantiles of the gradient in grey values a pixel, times 1000."""
    rows, columns = film.grey.shape
    middle = blurred(film.grey, 1.0)[rows // 5 : -rows // 5, columns // 7 : -columns // 7]
    steepness = np.hypot(*np.gradient(middle))
    return np.asarray(1e3 * np.quantile(steepness, (0.5, 0.95, 0.99)))


def noise_by_grey(film: Marked) -> np.ndarray | None:
    """Spread of what a blur of one pixel takes away, by the grey value of tiles of 16 pixels, times 1000."""
    tile = 16
    rows, columns = (size // tile * tile for size in film.grey.shape)

    def tiles(picture: np.ndarray) -> np.ndarray:
        blocks = picture[:rows, :columns].reshape(rows // tile, tile, columns // tile, tile)
        return blocks.swapaxes(1, 2).reshape(-1, tile * tile)

    fine = 1.4826 * np.median(np.abs(tiles(film.grey - blurred(film.grey, 1.0))), axis=1)
    grey = tiles(film.grey).mean(axis=1)
    found = [fine[np.abs(grey - middle) < 0.1] for middle in NOISE_GREYS]
    return np.array([1e3 * np.median(some) if some.size > 20 else np.nan for some in found])


def grey_levels(film: Marked) -> np.ndarray | None:
    """Quantiles, mean and standard deviation."""
    grey = film.grey
    return np.array([*np.quantile(grey, QUANTILES), grey.mean(), grey.std()])


def power(film: Marked) -> np.ndarray | None:
    """log10 of the spectral density of the middle half, grey values' variance 1; also its slope.

    Density at `FREQUENCIES_PER_MM`, the slope as the power of the frequency over all of them.
    """
    side = min(film.grey.shape) // 2
    top, left = ((size - side) // 2 for size in film.grey.shape)
    part = film.grey[top : top + side, left : left + side]
    if part.std() < 0.01:
        return None
    window = np.outer(np.hanning(part.shape[0]), np.hanning(part.shape[1]))
    density = np.abs(np.fft.fft2((part - part.mean()) / part.std() * window)) ** 2
    along = np.fft.fftfreq(part.shape[0], MM_PER_PX)
    radius = np.hypot(along[:, None], along[None, :])
    rings = [(radius > 0.7 * f) & (radius < 1.4 * f) for f in FREQUENCIES_PER_MM]
    level = np.log10([density[ring].mean() / density.size for ring in rings])
    return np.array([*level, np.polyfit(np.log10(FREQUENCIES_PER_MM), level, 1)[0]])


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
    if rows.start < 0 or column < reach or column + reach >= film.grey.shape[1]:
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
    if row < 8 or not 60 < column < film.grey.shape[1] - 60:
        return None
    profile = film.grey[int(row) - 4 : int(row) + 5].mean(axis=0)

    def mean(start_mm: float, stop_mm: float) -> float:
        return float(profile[int(column + start_mm / MM_PER_PX) : int(column + stop_mm / MM_PER_PX) + 1].mean())

    darkest = min(mean(shift - 3.0, shift + 3.0) for shift in range(-10, 11, 2))
    return np.array([(mean(12.0, 17.0) + mean(-17.0, -12.0)) / 2.0 - darkest])


MEASURES: dict[str, tuple[Callable[[Marked], np.ndarray | None], tuple[str, ...]]] = {
    "grey": (grey_levels, (*(f"{q:.0%} quantile" for q in QUANTILES), "mean", "standard deviation")),
    "grey of": (regions, ("lungs", "mediastinum", "abdomen", "sides", "upper corners")),
    "share of the film": (frame, ("black", "white")),
    "spectrum": (power, (*(f"{f:g} per mm" for f in FREQUENCIES_PER_MM), "slope")),
    "local contrast": (
        local_contrast,
        tuple(
            f"{place}, {low * MM_PER_PX:.1f} to {high * MM_PER_PX:.1f} mm"
            for place in ("lungs", "mediastinum", "abdomen")
            for low, high in pairwise(BANDS_PX)
        ),
    ),
    "edges": (edges, ("50%", "95%", "99%")),
    "noise": (noise_by_grey, tuple(f"at grey {grey:g}" for grey in NOISE_GREYS)),
    "tube": (tube_contrast, ("contrast to noise", "contrast")),
    "trachea": (trachea_contrast, ("contrast",)),
}


def compare(count: int, collections: Sequence[Path]) -> None:
    """Print median and 10th to 90th percentile of each measure, synthetic and real."""
    films: dict[str, Iterable[Marked]] = {
        "synthetic, like film": synthetic_films(count, detailed=False),
        "synthetic, raised details": synthetic_films(count, detailed=True),
        **{f"real, {marks.parent.name}": real_films(marks, count) for marks in collections},
    }
    found = {
        kind: [[measure(film) for measure, _ in MEASURES.values()] for film in some]
        for kind, some in films.items()
    }
    print(f"| measure | {' | '.join(f'{kind}, n = {len(some)}' for kind, some in found.items())} |")
    print(f"| --- |{' --- |' * len(found)}")
    for index, (title, (_, names)) in enumerate(MEASURES.items()):
        for i, name in enumerate(names):
            cells = [
                _cell([float(values[i]) for film in some if (values := film[index]) is not None])
                for some in found.values()
            ]
            print(f"| {title}: {name} | {' | '.join(cells)} |")


def _cell(values: list[float]) -> str:
    known = [value for value in values if np.isfinite(value)]
    if not known:
        return "none"
    low, middle, high = np.quantile(known, (0.1, 0.5, 0.9))
    digits = 2 if abs(middle) < 3.0 else 1
    return f"{middle:.{digits}f} ({low:.{digits}f} to {high:.{digits}f})"


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("count", type=int, nargs="?", default=12)
    parser.add_argument("--real", type=Path, metavar="MARKS_CSV", nargs="+")
    given = parser.parse_args()
    if given.real is None:
        speed(given.count)
    else:
        compare(given.count, given.real)


if __name__ == "__main__":
    main()
