"""The audit report's charts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from annotate.audit.figures import Figure, OverTime
from annotate.drawing.charts import WIDTH, Canvas, Picture, Scale, bottom_axis, left_axis

ROW = 26
CHARACTER = 6.6
"""Width of a letter at the font size of the labels, about; only to make room."""


def percent(share: float) -> str:
    """A share as people read it."""
    return f"{100.0 * share:.1f} %"


def _whole_percent(share: float) -> str:
    return f"{100.0 * share:g} %"


def rate_bars(key: str, title: str, rates: Sequence[Figure]) -> Picture:
    """Horizontal bars with whiskers, one for each outcome; `rates` are shares."""
    labels = {figure.name: figure for figure in rates if figure.interval.defined}
    top = min(1.0, max((figure.interval.high for figure in labels.values()), default=1.0) * 1.05)
    left = 175
    scale = Scale(0.0, top, left, WIDTH - 190)
    told = [f"{name} {_told(figure)}" for name, figure in labels.items()]
    canvas = Canvas(key, title, "; ".join(told) + ".", ROW * len(labels) + 40)
    for row, (name, figure) in enumerate(labels.items()):
        y = 10 + ROW * row
        interval = figure.interval
        canvas.text(left - 8, y + 15, name, "end")
        canvas.box(left, y + 4, scale(interval.value) - left, 14, "bar")
        _whisker(canvas, scale(interval.low), scale(interval.high), y + 11)
        canvas.text(scale(interval.high) + 8, y + 15, _told(figure))
    bottom_axis(canvas, scale, canvas.height - 26, [_whole_percent(t) for t in scale.ticks()], scale.ticks())
    return canvas.done()


def _told(figure: Figure) -> str:
    interval = figure.interval
    return f"{percent(interval.value)} ({100 * interval.low:.1f} to {100 * interval.high:.1f})"


def _whisker(canvas: Canvas, left: float, right: float, y: float) -> None:
    canvas.line(left, y, right, y, "whisker")
    for end in (left, right):
        canvas.line(end, y - 4, end, y + 4, "whisker")


def forest(key: str, title: str, rates: Sequence[Figure], overall: Figure) -> Picture:
    """Dots with whiskers by group and level; a dotted line marks the whole audit."""
    shown = [figure for figure in rates if figure.interval.defined]
    groups = {group: [f for f in shown if f.group == group] for group in dict.fromkeys(f.group for f in shown)}
    top = min(1.0, max((figure.interval.high for figure in shown), default=1.0) * 1.02)
    left = 215
    scale = Scale(0.0, max(top, 0.05), left, WIDTH - 165)
    height = ROW * (len(shown) + len(groups)) + 66
    spoken = "; ".join(f"{figure.group} {figure.level} {_told(figure)}" for figure in shown)
    canvas = Canvas(key, title, f"Over all {_told(overall)}. {spoken}.", height)
    y = 16.0
    for group, figures in groups.items():
        canvas.text(8, y + 4, group, style="group")
        for figure in figures:
            y += ROW
            canvas.text(left - 8, y + 4, figure.level, "end")
            _whisker(canvas, scale(figure.interval.low), scale(figure.interval.high), y)
            canvas.dot(scale(figure.interval.value), y, 4.5, "point")
            canvas.text(WIDTH - 155, y + 4, _told(figure), style="tick")
        y += ROW
    if overall.interval.defined:
        x = scale(overall.interval.value)
        canvas.line(x, 8, x, y - 10, "centre")
    bottom_axis(
        canvas, scale, y - 8, [_whole_percent(t) for t in scale.ticks()], scale.ticks(), "dotted line: all films"
    )
    return canvas.done()


def control_chart(key: str, title: str, time: OverTime) -> Picture:
    """Shares by period with centre line and control limits; a signal is a diamond with its number."""
    chart = time.chart
    height, left = 330, 60
    top = min(1.0, max(*chart.shares, *chart.upper) * 1.08)
    y = Scale(0.0, max(top, 0.05), height - 70, 34)
    x = Scale(-0.5, len(time.periods) - 0.5, left, WIDTH - 90)
    fired = sorted({signal.index for signal in chart.signals})
    told = "; ".join(
        f"{period} {percent(share)}{' (signal)' if index in fired else ''}"
        for index, (period, share) in enumerate(zip(time.periods, chart.shares, strict=True))
    )
    canvas = Canvas(key, title, f"Centre line {percent(chart.centre)}. {told}.", height)
    left_axis(canvas, y, left, [_whole_percent(tick) for tick in y.ticks()], "malpositioned, of counted films")
    _limits(canvas, x, y, time)
    points = [(x(index), y(share)) for index, share in enumerate(chart.shares)]
    canvas.path(points, "trend")
    for index, (at_x, at_y) in enumerate(points):
        if index in fired:
            canvas.diamond(at_x, at_y, 7, "signal")
            canvas.text(at_x, at_y - 11, "signal", "middle", "tick")
        else:
            canvas.dot(at_x, at_y, 4, "point")
    _period_axis(canvas, x, height - 70, time.periods)
    return canvas.done()


def _limits(canvas: Canvas, x: Scale, y: Scale, time: OverTime) -> None:
    chart = time.chart
    for name, limits in (("upper limit", chart.upper), ("lower limit", chart.lower)):
        edges = [(x(i + side), y(limit)) for i, limit in enumerate(limits) for side in (-0.5, 0.5)]
        canvas.path(edges, "limit")
        canvas.text(x.end + 6, edges[-1][1] + 4, name, style="tick")
    canvas.line(x.start, y(chart.centre), x.end, y(chart.centre), "centre")
    canvas.text(x.end + 6, y(chart.centre) + 4, "centre line", style="tick")
    if time.baseline is not None and time.baseline < len(time.periods):
        edge = x(time.baseline - 0.5)
        canvas.line(edge, y.start, edge, y.end, "grid")
        canvas.text(edge - 4, y.end - 10, "baseline", "end", "tick")


def _period_axis(canvas: Canvas, x: Scale, y: float, periods: Sequence[str]) -> None:
    canvas.line(x.start, y, x.end, y)
    widest = max(len(period) for period in periods) * CHARACTER + 8
    every = max(1, math.ceil(widest * len(periods) / (x.end - x.start)))
    for index in range(0, len(periods), every):
        canvas.line(x(index), y, x(index), y + 4)
        canvas.text(x(index), y + 17, periods[index], "middle", "tick")


@dataclass(frozen=True, slots=True)
class Histogram:
    """Counts between edges.

    Parameters
    ----------
    edges : tuple of float, length n + 1
    counts : tuple of int or None, length n
        None where hidden.
    words : str
        What is on the axis, with its unit.
    zone : pair of float, optional
        A range to mark.
    zone_words : str
    """

    edges: tuple[float, ...]
    counts: tuple[int | None, ...]
    words: str
    zone: tuple[float, float] | None = None
    zone_words: str = ""


def histogram(key: str, title: str, data: Histogram) -> Picture:
    """Bars of counts; a hidden one is a hatched stub."""
    height, left = 270, 60
    x = Scale(data.edges[0], data.edges[-1], left, WIDTH - 20)
    y = Scale(0.0, max([count or 0 for count in data.counts] + [1]) * 1.08, height - 60, 30)
    bins = list(zip(pairwise(data.edges), data.counts, strict=True))
    told = "; ".join(
        f"{low:g} to {high:g}: {'hidden' if count is None else count}" for (low, high), count in bins if count != 0
    )
    canvas = Canvas(key, title, f"Films by {data.words}. {told}.", height)
    if data.zone is not None:
        low, high = (min(max(end, data.edges[0]), data.edges[-1]) for end in data.zone)
        canvas.box(x(low), 30, x(high) - x(low), height - 90, "zone")
        canvas.text((x(low) + x(high)) / 2, 24, data.zone_words, "middle", "tick")
    for (low, high), count in bins:
        if count is None:
            canvas.box(x(low) + 1, y.start - 5, x(high) - x(low) - 2, 5, "hidden")
        elif count:
            canvas.box(x(low) + 1, y(count), x(high) - x(low) - 2, y.start - y(count), "bar")
    left_axis(canvas, y, left, [f"{tick:g}" for tick in y.ticks()], "films")
    bottom_axis(canvas, x, height - 60, [f"{tick:g}" for tick in x.ticks(12)], x.ticks(12), data.words)
    return canvas.done()


@dataclass(frozen=True, slots=True)
class Box:
    """Five numbers of one group: the ends of its middle 80 %, its quartiles, its median."""

    at: float
    low: float
    quarter: float
    middle: float
    three_quarters: float
    high: float
    films: int


def boxes(key: str, title: str, groups: Sequence[Box], across: str, up: str) -> Picture:
    """A box for each group along an axis of numbers."""
    height, left = 320, 60
    x = Scale(min(g.at for g in groups) - 0.7, max(g.at for g in groups) + 0.7, left, WIDTH - 20)
    y = Scale(min(0.0, *(g.low for g in groups)) - 0.5, max(g.high for g in groups) + 0.5, height - 60, 34)
    told = "; ".join(
        f"at {g.at:g}: median {g.middle:.1f}, half of {g.quarter:.1f} to {g.three_quarters:.1f}" for g in groups
    )
    canvas = Canvas(key, title, f"{up} by {across}. {told}.", height)
    half = min(0.35 * (x(1.0) - x(0.0)), 22.0)
    for group in groups:
        at = x(group.at)
        canvas.line(at, y(group.low), at, y(group.high), "whisker")
        canvas.box(at - half, y(group.three_quarters), 2 * half, y(group.quarter) - y(group.three_quarters), "box")
        canvas.line(at - half, y(group.middle), at + half, y(group.middle), "median")
    canvas.line(left, y(0.0), WIDTH - 20, y(0.0), "grid")
    left_axis(canvas, y, left, [f"{tick:g}" for tick in y.ticks()], up)
    bottom_axis(canvas, x, height - 60, [f"{tick:g}" for tick in x.ticks(12)], x.ticks(12), across)
    return canvas.done()


@dataclass(frozen=True, slots=True)
class Cloud:
    """Differences against means, counted in cells.

    Parameters
    ----------
    cells : tuple of (mean, difference, films)
    limits : tuple of (name, value)
        Bias and limits of agreement.
    """

    cells: tuple[tuple[float, float, int], ...]
    limits: tuple[tuple[str, float], ...]


def difference_cloud(key: str, title: str, cloud: Cloud) -> Picture:
    """Bland and Altman's picture, circles by the number of films in a cell."""
    height, left = 340, 60
    means, gaps = [cell[0] for cell in cloud.cells], [cell[1] for cell in cloud.cells]
    ends = [value for _, value in cloud.limits]
    x = Scale(min(means) - 0.5, max(means) + 0.5, left, WIDTH - 150)
    y = Scale(min(*gaps, *ends) - 0.3, max(*gaps, *ends) + 0.3, height - 60, 34)
    most = max(films for *_, films in cloud.cells)
    told = "; ".join(f"{name} {value:+.2f} cm" for name, value in cloud.limits)
    canvas = Canvas(key, title, f"{told}. {len(cloud.cells)} cells, the fullest with {most} films.", height)
    for mean, gap, films in cloud.cells:
        canvas.dot(x(mean), y(gap), 2.0 + 7.0 * math.sqrt(films / most), "cloud")
    for name, value in cloud.limits:
        canvas.line(left, y(value), x.end, y(value), "centre" if name == "bias" else "limit")
        canvas.text(x.end + 6, y(value) + 4, f"{name} {value:+.2f}", style="tick")
    left_axis(canvas, y, left, [f"{tick:g}" for tick in y.ticks()], "difference, cm")
    bottom_axis(canvas, x, height - 60, [f"{t:g}" for t in x.ticks()], x.ticks(), "mean of both, cm on the film")
    return canvas.done()
