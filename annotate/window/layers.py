"""A drawing as napari's layers: the film, the zone, lines, signs and words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from napari.components import ViewerModel
from napari.layers import Image, Layer, Points, Vectors
from numpy.typing import NDArray

from annotate.drawing.close_up import CloseUp
from annotate.drawing.palette import PAPER, ZONE, Colour
from annotate.window.overlay import Band, Drawing, Label, Stroke, Weight, segments
from imaging.film import Film

NOTHING = np.zeros((1, 2, 2))
"""One piece of no length: napari's Vectors keeps its shape."""

OUTLINE_PX = 2.0
"""How much wider the dark edge is that lets lines be seen on a bright film."""

TEXT_POINTS = 12
SHADOW_PX = 1.0
WINDOW_PERCENT = (0.5, 99.8)
"""Grey values from black to white: all but the darkest and brightest few (by eye)."""

LEAST_WINDOW = 0.02
"""A flat part of a film stays flat."""

STEP = 4
"""Every so many pixels are enough to find the window."""


class Lines(Vectors):  # type: ignore[misc]
    """Vectors whose thumbnail is never drawn: that takes longer than all the rest of a drag."""

    def _update_thumbnail(self) -> None:
        """Leave it empty."""


class FilmLayers:
    """The layers of one viewer, from the film at the bottom to the words on top.

    Parameters
    ----------
    viewer : ViewerModel
        The layers are added to it, and none other is touched.
    """

    def __init__(self, viewer: ViewerModel) -> None:
        self._viewer = viewer
        self._layers: list[Layer] = []
        self._film: Image | None = None
        self.inverted = False
        self._zone = Lines(NOTHING, name="accepted zone", vector_style="line", opacity=0.16)
        self._outline = Lines(NOTHING, name="outline", vector_style="line", edge_color="black", opacity=0.7)
        self._lines = {
            weight: Lines(NOTHING, name=name, vector_style="line", opacity=1.0)
            for weight, name in ((Weight.THIN, "lines"), (Weight.THICK, "signs"))
        }
        self._words = {aside: (_words(aside, shadow=True), _words(aside, shadow=False)) for aside in (-1, 1)}

    def show_film(self, film: Film) -> None:
        """Put a film in place of the one before, with all layers over it."""
        self.clear()
        self._film = Image(
            film.pixels,
            name="film",
            scale=(film.pixel_aspect, 1.0),
            contrast_limits=_limits(film.pixels[::STEP, ::STEP]),
            colormap=self._colormap,
            interpolation2d="linear",
        )
        words = [layer for pair in self._words.values() for layer in pair]
        self._layers = [self._film, self._zone, self._outline, *self._lines.values(), *words]
        for layer in self._layers:
            self._viewer.add_layer(layer)
        self._viewer.layers.selection.active = None

    def clear(self) -> None:
        """Take all our layers away."""
        for layer in self._layers:
            if layer in self._viewer.layers:
                self._viewer.layers.remove(layer)
        self._layers, self._film = [], None

    def show(self, drawing: Drawing, scale: float) -> None:
        """Draw; `scale` is film pixels for one of the screen."""
        self._show_band(drawing.band)
        everything = [(segments(stroke, scale), stroke) for stroke in drawing.strokes]
        self._fill(self._outline, everything, (max(Weight) + OUTLINE_PX) * scale, coloured=False)
        for weight, layer in self._lines.items():
            own = [pair for pair in everything if pair[1].weight is weight]
            self._fill(layer, own, weight * scale, coloured=True)
        for aside, pair in self._words.items():
            labels = [label for label in drawing.labels if label.aside == aside]
            for layer, shift in zip(pair, (SHADOW_PX * scale, 0.0), strict=True):
                _write(layer, labels, shift)

    def invert(self) -> None:
        """Black becomes white."""
        self.inverted = not self.inverted
        if self._film is not None:
            self._film.colormap = self._colormap

    def hide_drawing(self, hidden: bool) -> None:
        """Leave the film alone, or draw on it again."""
        for layer in self._layers[1:]:
            layer.visible = not hidden

    def set_window(self, part: CloseUp | None = None) -> None:
        """Spread the grey values of a part of the film, or of the whole, from black to white."""
        if self._film is None:
            return
        pixels = self._film.data
        if part is not None:
            half = part.height / 2.0
            top, left = max(round(part.middle_row - half), 0), max(round(part.middle_column - half / 2.0), 0)
            pixels = pixels[top : round(part.middle_row + half), left : round(part.middle_column + half / 2.0)]
        self._film.contrast_limits = _limits(pixels[::STEP, ::STEP])

    def stretched(self, part: NDArray[np.float32]) -> NDArray[np.uint8]:
        """Film values as the screen shows them, but spread from black to white."""
        low, high = _limits(part)
        grey = np.clip((part - low) / (high - low), 0.0, 1.0)
        return np.asarray(255.0 * (1.0 - grey if self.inverted else grey), np.uint8)

    @property
    def _colormap(self) -> str:
        return "gray_r" if self.inverted else "gray"

    def _show_band(self, band: Band | None) -> None:
        if band is None:
            _put(self._zone, NOTHING)
            return
        _put(self._zone, np.stack([band.middle[:-1], np.diff(band.middle, axis=0)], axis=1))
        self._zone.edge_width = band.width
        self._zone.edge_color = _rgb(ZONE)

    def _fill(
        self, layer: Lines, strokes: Sequence[tuple[NDArray[np.float64], Stroke]], width: float, coloured: bool
    ) -> None:
        if not strokes:
            _put(layer, NOTHING)
            return
        _put(layer, np.concatenate([pieces for pieces, _ in strokes]))
        layer.edge_width = width
        if coloured:
            layer.edge_color = np.concatenate(
                [np.tile(_rgb(stroke.colour), (len(pieces), 1)) for pieces, stroke in strokes]
            )


def _limits(pixels: NDArray[np.float32]) -> tuple[float, float]:
    """Grey values for black and white; never the same."""
    low, high = np.percentile(pixels, WINDOW_PERCENT) if pixels.size else (0.0, 1.0)
    return float(low), float(max(high, low + LEAST_WINDOW))


def _words(aside: int, shadow: bool) -> Points:
    """A layer of words; its points themselves are not seen."""
    name = f"words {'left' if aside < 0 else 'right'}{', shadow' if shadow else ''}"
    return Points(
        np.zeros((1, 2)),
        name=name,
        size=0.01,
        face_color="transparent",
        border_color="transparent",
        features={"word": [""], "colour": ["#000000"]},
        text={
            "string": "{word}",
            "size": TEXT_POINTS,
            "anchor": "upper_left" if aside > 0 else "upper_right",
            "color": _hex(PAPER) if shadow else {"feature": "colour"},
            "scaling": False,
        },
    )


def _write(layer: Points, labels: Sequence[Label], shift: float) -> None:
    layer.text.visible = bool(labels)
    if not labels:
        return
    _put(layer, np.array([label.at for label in labels]) + shift)
    words = {"word": [label.text for label in labels], "colour": [_hex(label.colour) for label in labels]}
    if layer.features.to_dict("list") != words:
        layer.features = words


def _put(layer: Layer, data: NDArray[np.float64]) -> None:
    """Give a layer its data without having the viewer measure all its layers anew: the film's extent holds."""
    with layer.events.data.blocker():
        layer.data = data


def _rgb(colour: Colour) -> NDArray[np.float64]:
    return np.array([*colour, 255.0]) / 255.0


def _hex(colour: Colour) -> str:
    return "#{:02x}{:02x}{:02x}".format(*colour)
