"""SVG charts for reports, drawn by hand: the same numbers give the same bytes.

Each has role="img", a title and a description in words. What colour says, shape, dash or text says too; the page's
style sheet (`STYLE`) gives the classes their look.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Literal

WIDTH = 760
"""Of the view box, in its pixels; the page scales it."""

STYLE = """\
svg text { font: 12px "DejaVu Sans", "Segoe UI", Helvetica, Arial, sans-serif; fill: #1a1a1a; }
svg .tick { font-size: 11px; fill: #444; } svg .group { font-weight: bold; }
svg .axis { stroke: #444; } svg .grid { stroke: #777; stroke-dasharray: 1 3; }
svg .bar { fill: #0072b2; } svg .whisker { stroke: #1a1a1a; stroke-width: 1.5; }
svg .point { fill: #0072b2; stroke: #fff; stroke-width: .8; }
svg .signal { fill: #fff; stroke: #b04a00; stroke-width: 3; }
svg .trend { fill: none; stroke: #0072b2; stroke-width: 1.6; }
svg .second { fill: none; stroke: #b04a00; stroke-width: 1.6; stroke-dasharray: 5 3; }
svg .limit { fill: none; stroke: #b04a00; stroke-width: 1.6; stroke-dasharray: 7 4; }
svg .centre { stroke: #1a1a1a; stroke-width: 1.4; stroke-dasharray: 2 3; }
svg .zone { fill: #dfeaf2; stroke: #6c8ba0; stroke-dasharray: 4 3; }
svg .hidden { fill: none; stroke: #777; stroke-dasharray: 2 2; }
svg .box { fill: #cfe2ef; stroke: #1a1a1a; } svg .median { stroke: #b04a00; stroke-width: 3; }
svg .cloud { fill: #0072b2; fill-opacity: .45; stroke: #0072b2; }
"""
"""What the classes look like; blue and vermilion are of Okabe and Ito's palette for the colour-blind."""

Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True, slots=True)
class Picture:
    """A chart and the words above it."""

    title: str
    svg: str


@dataclass(slots=True)
class Canvas:
    """Elements of one picture, in pixels of its view box.

    Parameters
    ----------
    key : str
        Its own on the page: ids are made of it.
    title, description : str
        What the picture is and says, in words.
    height, width : int
    """

    key: str
    title: str
    description: str
    height: int
    width: int = WIDTH
    elements: list[str] = field(default_factory=list)

    def line(self, x1: float, y1: float, x2: float, y2: float, style: str = "axis") -> None:
        """A straight line."""
        self.elements.append(f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" class="{style}"/>')

    def path(self, points: Iterable[tuple[float, float]], style: str) -> None:
        """A line through points."""
        joined = " L".join(f"{x:.1f},{y:.1f}" for x, y in points)
        self.elements.append(f'<path d="M{joined}" class="{style}"/>')

    def box(self, x: float, y: float, width: float, height: float, style: str) -> None:
        """A rectangle."""
        self.elements.append(
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{max(width, 0.0):.1f}" height="{height:.1f}" class="{style}"/>'
        )

    def dot(self, x: float, y: float, radius: float, style: str) -> None:
        """A circle."""
        self.elements.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}" class="{style}"/>')

    def diamond(self, x: float, y: float, radius: float, style: str) -> None:
        """A square on its tip."""
        r = radius
        self.elements.append(f'<path d="M{x:.1f},{y - r:.1f} l{r},{r} l-{r},{r} l-{r},-{r} z" class="{style}"/>')

    def text(self, x: float, y: float, words: str, anchor: Anchor = "start", style: str = "label") -> None:
        """Words."""
        self.elements.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" class="{style}">{escape(words)}</text>'
        )

    def raster(self, x: float, y: float, width: float, height: float, png: str) -> None:
        """A PNG, base64."""
        self.elements.append(
            f'<image x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" '
            f'preserveAspectRatio="none" href="data:image/png;base64,{png}"/>'
        )

    def done(self) -> Picture:
        """The whole picture."""
        title, description = f"{self.key}-title", f"{self.key}-desc"
        body = "\n".join(self.elements)
        svg = (
            f'<svg role="img" aria-labelledby="{title} {description}" viewBox="0 0 {self.width} {self.height}" '
            f'xmlns="http://www.w3.org/2000/svg">\n<title id="{title}">{escape(self.title)}</title>\n'
            f'<desc id="{description}">{escape(self.description)}</desc>\n{body}\n</svg>'
        )
        return Picture(self.title, svg)


@dataclass(frozen=True, slots=True)
class Scale:
    """A number's place between two ends of an axis."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Where the number lies."""
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)

    def ticks(self, wanted: int = 6) -> list[float]:
        """Round numbers inside the axis."""
        step = _round_step((self.high - self.low) / wanted)
        first = math.ceil(self.low / step - 1e-9)
        last = math.floor(self.high / step + 1e-9)
        return [index * step for index in range(first, last + 1)]


def _round_step(rough: float) -> float:
    power = 10.0 ** math.floor(math.log10(rough))
    return next(power * factor for factor in (1.0, 2.0, 2.5, 5.0, 10.0) if power * factor >= rough * (1 - 1e-9))


def bottom_axis(
    canvas: Canvas, scale: Scale, y: float, labels: Sequence[str], ticks: Sequence[float], words: str = ""
) -> None:
    """An axis with its labels below, and what it shows."""
    canvas.line(scale.start, y, scale.end, y)
    for label, tick in zip(labels, ticks, strict=True):
        canvas.line(scale(tick), y, scale(tick), y + 4)
        canvas.text(scale(tick), y + 17, label, "middle", "tick")
    if words:
        canvas.text((scale.start + scale.end) / 2, y + 34, words, "middle", "tick")


def left_axis(canvas: Canvas, scale: Scale, x: float, labels: Sequence[str], words: str) -> None:
    """An axis with its labels on the left, and what it shows above."""
    canvas.line(x, scale.start, x, scale.end)
    for label, tick in zip(labels, scale.ticks(), strict=True):
        canvas.line(x - 4, scale(tick), x, scale(tick))
        canvas.text(x - 7, scale(tick) + 4, label, "end", "tick")
    canvas.text(x - 40, min(scale.start, scale.end) - 10, words, "start", "tick")


def plain_ticks(scale: Scale) -> list[str]:
    """Labels for `Scale.ticks`."""
    return [f"{tick:g}" for tick in scale.ticks()]
