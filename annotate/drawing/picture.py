"""The film with its marks, a ruler along the airway and the accepted zone, as a PNG.

Shapes carry the meaning and colours repeat it: a ring with two ticks is the tip, a fork the carina; solid was
placed by hand, dashed was proposed.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from annotate.drawing.close_up import close_up
from annotate.drawing.palette import CARINA, INK, PAPER, TIP, ZONE, Colour
from annotate.drawing.ruler import RULER_CM, Position, Ruler, accepted_zone, airway_ruler
from annotate.words.answer import headline_of, place_of
from annotate.words.screen import range_in_words
from annotate.writing import whole_file
from imaging.film import Film
from measure.accepted_range import AcceptedRange
from measure.estimate import Z95
from measure.landmarks import Landmark, Source
from measure.reading import Reading

PANEL_PX = 900
"""Height of both views."""

CAPTION_PX = 200
CLIP_LIMIT = 0.008
"""How far contrast-limited adaptive equalisation may go in the enlarged view; by eye, on synthetic films."""

LINE_CHARACTERS = 130


@dataclass(frozen=True, slots=True)
class View:
    """A part of the film on a panel: `scale` panel pixels for a film column, rows stretched to true shape."""

    top: float
    left: float
    scale: float
    aspect: float
    labelled: bool

    def at(self, row: float, column: float) -> Position:
        """X and y on the panel."""
        return (column - self.left) * self.scale, (row - self.top) * self.scale * self.aspect


def write_picture(
    film: Film, reading: Reading, path: Path, *, overwrite: bool = False, inputs: Iterable[Path] = ()
) -> None:
    """Write the annotated film as a PNG.

    Parameters
    ----------
    film : Film
        The film that was read.
    reading : Reading
        What was found.
    path : Path
        Written whatever its ending; its folder is made if missing.
    overwrite, inputs
        As `annotate.writing.whole_file` has them.

    Raises
    ------
    OutputError
        Where it may not, or cannot, be written.
    """
    picture = annotated_picture(film, reading)
    with whole_file(path, overwrite=overwrite, inputs=inputs) as file:
        picture.save(file, format="PNG")


def annotated_picture(film: Film, reading: Reading) -> Image.Image:
    """Two views, the whole film and the part around the marks, over a caption."""
    rows, columns = film.shape
    whole = View(-0.5, -0.5, PANEL_PX / (rows * film.pixel_aspect), film.pixel_aspect, labelled=False)
    detail = _detail_view(film, reading)
    left = _panel(film, reading, whole, round(columns * whole.scale))
    right = _panel(film, reading, detail, PANEL_PX)
    picture = Image.new("RGB", (left.width + right.width, PANEL_PX + CAPTION_PX), PAPER)
    picture.paste(left, (0, 0))
    picture.paste(right, (left.width, 0))
    _caption(picture, reading)
    return picture


def _detail_view(film: Film, reading: Reading) -> View:
    part = close_up(film, reading.landmarks)
    scale = PANEL_PX / (part.height * film.pixel_aspect)
    top, left = part.middle_row - part.height / 2.0, part.middle_column - PANEL_PX / scale / 2.0
    return View(top, left, scale, film.pixel_aspect, labelled=True)


def _panel(film: Film, reading: Reading, view: View, width: int) -> Image.Image:
    """One view of the film with everything drawn on it."""
    panel = Image.fromarray(_grey(film, view, width)).convert("RGB")
    draw = ImageDraw.Draw(panel, "RGBA")
    ruler = airway_ruler(film, reading)
    if ruler is not None:
        _draw_ruler(draw, view, ruler, reading.accepted_range)
    if reading.landmarks.carina is not None:
        _draw_carina(draw, view, reading.landmarks.carina)
    _draw_tube_line(draw, view, reading.landmarks.tube_line)
    if reading.landmarks.tip is not None:
        _draw_tip(draw, view, reading.landmarks.tip)
    return panel


def _grey(film: Film, view: View, width: int) -> NDArray[np.uint8]:
    """The film as the view shows it; enlarged, with its local contrast evened out so that faint lines are seen."""
    whole = Image.fromarray((np.clip(film.pixels, 0.0, 1.0) * 255.0).astype(np.uint8))
    right, bottom = view.left + width / view.scale, view.top + PANEL_PX / (view.scale * view.aspect)
    box = (view.left + 0.5, view.top + 0.5, right + 0.5, bottom + 0.5)
    part = np.asarray(whole.transform((width, PANEL_PX), Image.Transform.EXTENT, box, Image.Resampling.BICUBIC))
    if not view.labelled:
        return part
    from skimage.exposure import equalize_adapthist

    return np.asarray(equalize_adapthist(part, clip_limit=CLIP_LIMIT) * 255.0, np.uint8)


def _draw_ruler(draw: ImageDraw.ImageDraw, view: View, ruler: Ruler, accepted: AcceptedRange | None) -> None:
    """Ticks at whole centimetres, and brackets on both sides of where the tip should lie."""
    if accepted is not None:
        zone = accepted_zone(ruler, accepted, view.aspect)
        left, right = (np.array([view.at(*place) for place in side]) for side in (zone.left, zone.right))
        aside = (right[0] - left[0]) / 2.0
        draw.polygon([*map(tuple, left), *map(tuple, right[::-1])], fill=(*ZONE, 24))
        for side, inwards in ((left, 1.0), (right, -1.0)):
            hooks = side[[0, -1]] + inwards * aside / 2.0
            draw.line([tuple(hooks[0]), *map(tuple, side), tuple(hooks[1])], fill=ZONE, width=3, joint="curve")
        _write(draw, tuple(right[-1] + aside / 8.0), "accepted", ZONE, view)
    draw.line([view.at(*ruler.at(h)) for h in np.linspace(0.0, RULER_CM, 41)], fill=(*INK, 140), width=1)
    for height in range(RULER_CM + 1):
        x, y = view.at(*ruler.at(height))
        draw.line([(x - 6, y), (x + 6, y)], fill=INK, width=2)
        if height % 2 == 0:
            _write(draw, (x - 10, y), f"{height}", INK, view, size=16, anchor="rm")


def _write(
    draw: ImageDraw.ImageDraw,
    at: Position,
    text: str,
    colour: Colour,
    view: View,
    size: int = 20,
    anchor: str = "lm",
) -> None:
    """Words beside a mark, edged in black; left out of the whole film, where they would hide it."""
    if view.labelled:
        draw.text(at, text, fill=colour, font=_font(size), anchor=anchor, stroke_width=2, stroke_fill=PAPER)


def _draw_tip(draw: ImageDraw.ImageDraw, view: View, tip: Landmark) -> None:
    x, y = view.at(tip.row, tip.column)
    radius = 9.0
    _ring(draw, (x, y), (radius, radius), TIP, tip.source, width=3)
    for side in (-1, 1):
        draw.line([(x + side * radius, y), (x + side * 2.4 * radius, y)], fill=TIP, width=3)
    _spread(draw, view, tip, TIP)
    _write(draw, (x + 2.8 * radius, y), _label("tip", tip), TIP, view)


def _draw_tube_line(draw: ImageDraw.ImageDraw, view: View, points: Sequence[Landmark]) -> None:
    """Ticks on both sides of the line that was followed; the line itself stays to be seen."""
    for point in points:
        x, y = view.at(point.row, point.column)
        for side in (-1, 1):
            draw.line([(x + side * 7.0, y), (x + side * 13.0, y)], fill=TIP, width=2)


def _draw_carina(draw: ImageDraw.ImageDraw, view: View, carina: Landmark) -> None:
    x, y = view.at(carina.row, carina.column)
    for side in (-1, 1):
        _stroke(draw, (x, y), (x + side * 16.0, y + 20.0), CARINA, carina.source)
    _spread(draw, view, carina, CARINA)
    _write(draw, (x + 26, y + 14), _label("carina", carina), CARINA, view)


def _label(name: str, mark: Landmark) -> str:
    return name if mark.source is Source.HAND else f"{name}, proposed ({mark.confidence:.0%})"


def _spread(draw: ImageDraw.ImageDraw, view: View, mark: Landmark, colour: Colour) -> None:
    """The 95 % interval of the mark along both axes."""
    across = Z95 * mark.sd_px * view.scale
    _ring(draw, view.at(mark.row, mark.column), (across, across * view.aspect), colour, mark.source, width=1)


def _ring(
    draw: ImageDraw.ImageDraw,
    centre: Position,
    radii: Position,
    colour: Colour,
    source: Source,
    width: int,
) -> None:
    box = (centre[0] - radii[0], centre[1] - radii[1], centre[0] + radii[0], centre[1] + radii[1])
    dashes = [(0, 360)] if source is Source.HAND else [(start, start + 20) for start in range(0, 360, 40)]
    for start, end in dashes:
        draw.arc(box, start, end, fill=colour, width=width)


def _stroke(draw: ImageDraw.ImageDraw, start: Position, end: Position, colour: Colour, source: Source) -> None:
    parts: Sequence[tuple[float, float]] = [(0.0, 1.0)] if source is Source.HAND else [(0.0, 0.4), (0.6, 1.0)]
    for a, b in parts:
        ends = [tuple(start[i] + share * (end[i] - start[i]) for i in (0, 1)) for share in (a, b)]
        draw.line(ends, fill=colour, width=4)


def _caption(picture: Image.Image, reading: Reading) -> None:
    draw = ImageDraw.Draw(picture)
    draw.text((16, PANEL_PX + 12), headline_of(reading), fill=INK, font=_font(30))
    draw.text((16, PANEL_PX + 52), place_of(reading), fill=INK, font=_font(30))
    lines = textwrap.wrap(reading.error or reading.reason, LINE_CHARACTERS)
    if reading.accepted_range is not None:
        lines.append(f"Accepted: {range_in_words(reading.accepted_range)}.")
    signs = "Solid: placed by hand; dashed: proposed."
    if reading.landmarks.tube_line:
        signs += " Ticks above the tip: the line that was followed."
    lines.append(f"Supports a clinician's judgement and does not replace it. {signs}")
    draw.multiline_text((16, PANEL_PX + 98), "\n".join(lines), fill=INK, font=_font(18), spacing=6)


def _font(size: int) -> ImageFont.ImageFont | ImageFont.FreeTypeFont:
    return ImageFont.load_default(size)
