"""The films that went worst, made again from their recipe and drawn with both pairs of marks."""

from __future__ import annotations

from base64 import b64encode
from dataclasses import dataclass
from io import BytesIO

import numpy as np

from annotate.drawing.charts import Canvas, Picture
from annotate.practice.record import Record
from annotate.practice.synthetic import key_of, recipe_of
from measure.landmarks import Landmark
from synthetic_images.film import SyntheticFilm, make_film

HALF_MM = 75.0
"""Half of the shown square, on the film of an adult; in proportion to the field for smaller patients (ours)."""

ADULT_FIELD_MM = 410.0
SIDE_PX = 340
SHOWN_PERCENT = (1.0, 99.5)
CLIP_LIMIT = 0.01
"""How far contrast-limited adaptive equalisation may go; by eye, on synthetic films."""


@dataclass(frozen=True, slots=True)
class _View:
    """A square of the film on the canvas."""

    top: int
    left: int
    scale: float

    def at(self, row: float, column: float) -> tuple[float, float]:
        return (column - self.left + 0.5) * self.scale, (row - self.top + 0.5) * self.scale


def film_picture(number: int, record: Record) -> Picture | None:
    """One film; None for a film that cannot be made again.

    Parameters
    ----------
    number : int
        For the ids of the page.
    record : Record
    """
    if record.spec is None:
        return None
    made = make_film(recipe_of(record.spec))
    key = key_of(made)
    shown = [mark for mark in (key.tip, key.carina) if mark is not None]
    half = max(1, round(HALF_MM * made.recipe.rows / ADULT_FIELD_MM))
    row, column = (round(float(np.mean([getattr(mark, name) for mark in shown]))) for name in ("row", "column"))
    canvas = Canvas(
        f"film-{number}", f"Film {record.film}: {record.mistake.value}", _told(record), SIDE_PX, SIDE_PX
    )
    view = _View(row - half, column - half, SIDE_PX / (2 * half))
    canvas.raster(0.0, 0.0, SIDE_PX, SIDE_PX, _png(made, view, 2 * half))
    _connect(canvas, view, record.tip, key.tip)
    _connect(canvas, view, record.carina, key.carina)
    for name, mark, at in (("tip", record.tip, key.tip), ("carina", record.carina, key.carina)):
        if at is not None:
            x, y = view.at(at.row, at.column)
            canvas.diamond(x, y, 8, "true")
            canvas.text(x + 12, y + 4, f"true {name}", style="on-film")
        if mark is not None:
            x, y = view.at(*mark)
            _cross(canvas, x, y)
            canvas.text(x - 12, y + 4, f"your {name}", "end", "on-film")
    return canvas.done()


def _told(record: Record) -> str:
    error = "" if record.error_mm is None else f" Your distance differs by {record.error_mm:+.0f} mm."
    return (
        f"You said {record.choice.value}, right is {record.expected.value}.{error} Diamonds with solid edges: the "
        f"true points; crosses: yours; dashed lines join them. {record.sentence}"
    )


def _connect(canvas: Canvas, view: _View, marked: tuple[float, float] | None, true: Landmark | None) -> None:
    if marked is not None and true is not None:
        canvas.line(*view.at(*marked), *view.at(true.row, true.column), "apart")


def _cross(canvas: Canvas, x: float, y: float) -> None:
    for slope in (-1.0, 1.0):
        canvas.line(x - 6, y - 6 * slope, x + 6, y + 6 * slope, "yours")


def _png(made: SyntheticFilm, view: _View, side: int) -> str:
    """The square with its contrast evened out, dark beyond the film's edge."""
    from PIL import Image
    from skimage.exposure import equalize_adapthist

    rows, columns = made.pixels.shape
    part = np.zeros((side, side))
    top, left = max(view.top, 0), max(view.left, 0)
    bottom, right = min(view.top + side, rows), min(view.left + side, columns)
    cut = made.pixels[top:bottom, left:right].astype(float)
    low, high = np.percentile(cut, SHOWN_PERCENT)
    part[top - view.top : bottom - view.top, left - view.left : right - view.left] = np.clip(
        (cut - low) / max(high - low, 1.0), 0.0, 1.0
    )
    file = BytesIO()
    grey = np.asarray(equalize_adapthist(part, clip_limit=CLIP_LIMIT) * 255.0, np.uint8)
    Image.fromarray(grey).save(file, format="PNG", optimize=True)
    return b64encode(file.getvalue()).decode()
