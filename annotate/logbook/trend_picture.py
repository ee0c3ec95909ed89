"""A patient's trend as a picture: height above the carina over the mark at the lip.

Shapes carry the meaning and colours repeat it; colours are from Okabe and Ito's palette for the colour-blind.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from annotate.logbook.errors import LogbookError
from annotate.logbook.trend import TrendPoint
from annotate.words.answer import percent
from annotate.writing import whole_file
from measure.follow_up import MOVED_CM
from measure.row import flat

if TYPE_CHECKING:
    from matplotlib.axes import Axes

HEIGHT, LIP_MARK, RANGE, SHIFT = "#0072B2", "#000000", "#009E73", "#D55E00"
FORMATS = (".png", ".svg")
CAUTION = (
    "Times are those of the first reading, in UTC. Supports a clinician's judgement and does not replace it; "
    "local protocol decides."
)
MOST_TIMES = 12
"""More would overlap."""

ROOM = 0.1
"""Share of the width left free on either side."""


def write_trend(points: Sequence[TrendPoint], title: str, path: Path, *, overwrite: bool = False) -> None:
    """Draw a trend.

    Parameters
    ----------
    points : sequence of TrendPoint
        At least one.
    title : str
        Above it.
    path : Path
        Ends in .png or .svg; its folder is made if missing.
    overwrite : bool
        Whether it may take the place of a file that is there.

    Raises
    ------
    LogbookError
        Where it ends otherwise, or what draws it is not installed.
    """
    if path.suffix.lower() not in FORMATS:
        raise LogbookError(f"{path.name} found; a picture's name ending in {' or '.join(FORMATS)} is expected.")
    # Imported here: the table alone needs no plotting.
    try:
        from matplotlib.figure import Figure
    except ImportError as error:
        raise LogbookError(
            f"the trend is not drawn ({error.name} is missing): pip install 'lipmark[trend]'."
        ) from error

    figure = Figure(figsize=(10.0, 7.0), layout="constrained")
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1))
    _heights(upper, points)
    _lip_marks(lower, points)
    upper.set_title(title, loc="left")
    upper.set_xlim(-0.5 - ROOM, len(points) - 0.5 + ROOM)
    shown = range(0, len(points), math.ceil(len(points) / MOST_TIMES))
    lower.set_xticks(shown, [f"{points[place].time:%Y-%m-%d\n%H:%M}" for place in shown], fontsize=8)
    figure.supxlabel(CAUTION, fontsize=8)
    with whole_file(path, overwrite=overwrite) as file:
        figure.savefig(file, dpi=150, format=path.suffix.lower().removeprefix("."))


def _heights(axes: Axes, points: Sequence[TrendPoint]) -> None:
    for place, low, high in _ranges(points):
        axes.fill_between((place - 0.5, place + 0.5), low, high, color=RANGE, alpha=0.18, linewidth=0)
        axes.hlines((low, high), place - 0.5, place + 0.5, color=RANGE, linewidth=1, linestyle="--")
    heights = [point.height_on_film_cm for point in points]
    sizes = [(item.high - item.low) / 2.0 for item in heights]
    axes.errorbar(
        range(len(points)),
        [item.value for item in heights],
        yerr=sizes,
        color=HEIGHT,
        marker="o",
        capsize=4,
        linewidth=1.5,
        label="tip above carina on the film, 95 % interval",
    )
    for place, point in enumerate(points):
        if point.change is not None and point.unexplained:
            axes.annotate(
                f"unexplained {point.change.unexplained_cm.value:+.1f} cm\n"
                f"moved {MOVED_CM:g} cm or more: {percent(point.change.probability_moved)}",
                (place, point.height_on_film_cm.high),
                xytext=(0, 10),
                textcoords="offset points",
                ha="center",
                color=SHIFT,
                weight="bold",
            )
            axes.plot(place, point.height_on_film_cm.value, marker="D", markersize=11, color=SHIFT, zorder=3)
    axes.fill_between([], [], color=RANGE, alpha=0.18, label="accepted range, as each film was judged")
    axes.plot(
        [],
        [],
        marker="D",
        linestyle="",
        markersize=9,
        color=SHIFT,
        label=f"moved {MOVED_CM:g} cm or more, not explained",
    )
    axes.axhline(0.0, color="black", linewidth=0.8)
    axes.margins(y=0.15)
    axes.set_ylabel("above the carina [cm]")
    axes.legend(fontsize=8, loc="best")


def _lip_marks(axes: Axes, points: Sequence[TrendPoint]) -> None:
    known = [(place, point.lip_mark_cm) for place, point in enumerate(points) if point.lip_mark_cm is not None]
    axes.plot(
        [place for place, _ in known],
        [mark for _, mark in known],
        color=LIP_MARK,
        marker="s",
        drawstyle="steps-mid",
        linestyle="-" if known else "",
    )
    for place, mark in known:
        axes.annotate(
            f"{mark:g}", (place, mark), xytext=(0, 6), textcoords="offset points", ha="center", fontsize=8
        )
    axes.margins(y=0.4)
    axes.set_ylabel("lip mark [cm]")


def _ranges(points: Sequence[TrendPoint]) -> Iterator[tuple[int, float, float]]:
    """Place and limits of each film's accepted range; one without an upper limit is not drawn."""
    for place, point in enumerate(points):
        row = flat(point.entry.reading)
        low, high = row["range_low_cm"], row["range_high_cm"]
        if isinstance(low, float) and isinstance(high, float):
            yield place, low, high
