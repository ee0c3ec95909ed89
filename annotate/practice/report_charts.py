"""The charts of the practice report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from annotate.drawing.charts import WIDTH, Canvas, Picture, Scale, bottom_axis, left_axis, plain_ticks
from annotate.practice.progress import FAR_OFF_MM, Progress, learning_of
from annotate.practice.record import Record
from measure.statistics.agreement import BlandAltman

LEFT, RIGHT, TOP, BOTTOM = 60, 150, 34, 60
"""Margins for axes and words."""

RUNNING_FILMS = 10
"""Films that the learning curve's mean goes over (ours)."""


def distance_chart(progress: Progress) -> Picture | None:
    """Bland and Altman's picture, against the truth; None with too few films."""
    found = progress.distance
    points = [(r.true_mm, r.error_mm, r.solved) for r in progress.records if r.true_mm is not None]
    shown = [(true, error, solved) for true, error, solved in points if error is not None]
    if found is None:
        return None
    limits = (
        ("bias", found.bias.value),
        ("upper limit", found.upper_limit.value),
        ("lower limit", found.lower_limit.value),
    )
    told = "; ".join(f"{name} {value:+.1f} mm" for name, value in limits)
    canvas = Canvas("distance", "Distance: yours less the true one", f"{told}. {len(shown)} films.", 340)
    x = _scale([true for true, *_ in shown], LEFT, WIDTH - RIGHT)
    y = _scale(
        [*(error for _, error, _ in shown), *(value for _, value in limits), 0.0], canvas.height - BOTTOM, TOP
    )
    canvas.line(LEFT, y(0.0), x.end, y(0.0), "axis")
    for name, value in limits:
        canvas.line(LEFT, y(value), x.end, y(value), "centre" if name == "bias" else "limit")
        canvas.text(x.end + 6, y(value) + 4, f"{name} {value:+.1f}", style="tick")
    for true, error, solved in shown:
        _film(canvas, x(true), y(error), solved)
    left_axis(canvas, y, LEFT, plain_ticks(y), "difference, mm; too long is up")
    bottom_axis(
        canvas,
        x,
        canvas.height - BOTTOM,
        plain_ticks(x),
        x.ticks(),
        "true distance, mm on the film; diamond: not solved",
    )
    return canvas.done()


def offsets_chart(progress: Progress) -> Picture | None:
    """Where the marks lie about the true points, along and across the airway."""
    marks = {
        "tip": [(r.tip_across_mm, r.tip_along_mm, r.solved) for r in progress.records],
        "carina": [(r.carina_across_mm, r.carina_along_mm, r.solved) for r in progress.records],
    }
    known = {name: [(a, d, s) for a, d, s in at if a is not None and d is not None] for name, at in marks.items()}
    if not any(known.values()):
        return None
    told = "; ".join(_mean_offset(name, progress.offsets) for name in known)
    canvas = Canvas("offsets", "Your marks about the true points", f"{told}.", 400)
    reach = max(6.0, *(max(abs(a), abs(d)) for at in known.values() for a, d, _ in at)) * 1.08
    side = canvas.height - TOP - BOTTOM
    for number, (name, at) in enumerate(known.items()):
        left = LEFT + number * (side + 80)
        x, y = Scale(-reach, reach, left, left + side), Scale(-reach, reach, TOP, TOP + side)
        canvas.line(x(0.0), TOP, x(0.0), TOP + side, "grid")
        canvas.line(left, y(0.0), left + side, y(0.0), "grid")
        for across, along, solved in at:
            _film(canvas, x(across), y(along), solved)
        left_axis(canvas, y, left, plain_ticks(y), "mm along the airway; too low is down")
        bottom_axis(
            canvas, x, TOP + side, plain_ticks(x), x.ticks(), f"{name}: mm across, patient's left is right"
        )
    return canvas.done()


def learning_chart(records: Sequence[Record]) -> Picture | None:
    """Size of the error film by film, its running mean, and the difficulty."""
    shown = [(i, abs(r.error_mm), r) for i, r in enumerate(records, start=1) if r.error_mm is not None]
    if len(shown) < 2:
        return None
    errors = [error for _, error, _ in shown]
    means = [float(np.mean(errors[max(0, n - RUNNING_FILMS) : n])) for n in range(1, len(errors) + 1)]
    canvas = Canvas(
        "learning",
        "Learning curve: size of the error of the distance",
        f"Mean of the last {RUNNING_FILMS} films: at first {means[min(RUNNING_FILMS, len(means)) - 1]:.1f} mm, "
        f"at the end {means[-1]:.1f} mm.",
        330,
    )
    x = Scale(0.5, len(records) + 0.5, LEFT, WIDTH - RIGHT)
    y = Scale(0.0, max(FAR_OFF_MM, *(error for _, error, _ in shown)) * 1.08, canvas.height - BOTTOM, TOP)
    canvas.line(LEFT, y(FAR_OFF_MM), x.end, y(FAR_OFF_MM), "limit")
    canvas.text(x.end + 6, y(FAR_OFF_MM) + 4, "radiologists' mean", style="tick")
    _round_borders(canvas, x, records)
    for place, error, record in shown:
        _film(canvas, x(place), y(error), record.solved)
    canvas.path([(x(place), y(mean)) for (place, _, _), mean in zip(shown, means, strict=True)], "trend")
    canvas.text(x.end + 6, y(means[-1]) + 4, f"mean of {RUNNING_FILMS}", style="tick")
    _difficulty(canvas, x, records)
    left_axis(canvas, y, LEFT, plain_ticks(y), "mm; solid: running mean; dashes from 0 to 1: difficulty")
    _film_axis(canvas, x, len(records))
    return canvas.done()


def cusum_chart(progress: Progress) -> Picture | None:
    """Evidence film by film that the trainee has learnt, or slips back."""
    if len(progress.records) < 2:
        return None
    learning = learning_of(progress.records)
    told = [
        f"{word} at film {', '.join(str(i + 1) for i in chart.signals)}"
        if chart.signals
        else f"no signal of {word}"
        for word, chart in (("learnt", learning.learnt), ("slipping", learning.slipping))
    ]
    canvas = Canvas("cusum", "Control chart (CUSUM) of missed films", f"{'; '.join(told)}.", 320)
    films = len(learning.missed)
    charts = (("learnt", learning.learnt, "trend"), ("slipping", learning.slipping, "second"))
    top = max(max(*chart.scores, chart.limit) for _, chart, _ in charts) * 1.1
    x, y = Scale(0.5, films + 0.5, LEFT, WIDTH - RIGHT), Scale(0.0, top, canvas.height - BOTTOM, TOP)
    _round_borders(canvas, x, progress.records)
    for word, chart, style in charts:
        canvas.line(LEFT, y(chart.limit), x.end, y(chart.limit), "limit" if word == "slipping" else "centre")
        canvas.text(x.end + 6, y(chart.limit) + 4, f"limit: {word}", style="tick")
        canvas.path([(x(i + 1), y(score)) for i, score in enumerate(chart.scores)], style)
        for index in chart.signals:
            canvas.diamond(x(index + 1), y(chart.scores[index]), 7, "signal")
            canvas.text(x(index + 1), y(chart.scores[index]) - 11, word, "middle", "tick")
    left_axis(canvas, y, LEFT, plain_ticks(y), "evidence; solid: learnt; dashed: slipping; diamond: signal")
    _film_axis(canvas, x, films)
    return canvas.done()


def _film(canvas: Canvas, x: float, y: float, solved: bool) -> None:
    if solved:
        canvas.dot(x, y, 4.0, "point")
    else:
        canvas.diamond(x, y, 5, "signal")


def _scale(values: Sequence[float], start: float, end: float) -> Scale:
    low, high = min(values), max(values)
    room = max(0.08 * (high - low), 1.0)
    return Scale(low - room, high + room, start, end)


def _mean_offset(name: str, offsets: Mapping[str, BlandAltman]) -> str:
    along, across = (offsets.get(f"{name} {way}") for way in ("along the airway", "across it"))
    if along is None or across is None:
        return f"{name}: too few for a mean"
    return f"{name}: mean {along.bias.value:+.1f} mm along, {across.bias.value:+.1f} mm across the airway"


def _difficulty(canvas: Canvas, x: Scale, records: Sequence[Record]) -> None:
    scale = Scale(0.0, 1.0, canvas.height - BOTTOM, TOP)
    points = [(x(i), scale(r.spec.difficulty)) for i, r in enumerate(records, start=1) if r.spec is not None]
    if len(points) > 1:
        canvas.path(points, "second")
        canvas.text(x.end + 6, points[-1][1] + 4, "difficulty", style="tick")


def _round_borders(canvas: Canvas, x: Scale, records: Sequence[Record]) -> None:
    for place in range(1, len(records)):
        if records[place].round.ident != records[place - 1].round.ident:
            canvas.line(x(place + 0.5), TOP, x(place + 0.5), canvas.height - BOTTOM, "grid")


def _film_axis(canvas: Canvas, x: Scale, films: int) -> None:
    ticks = [tick for tick in x.ticks() if tick == round(tick) and 1 <= tick <= films]
    bottom_axis(canvas, x, canvas.height - BOTTOM, [f"{t:g}" for t in ticks], ticks, "film; dotted: a new round")
