"""The same for people who live in napari: films in its File menu, the panel in its Plugins menu, a film to try.

`napari.yaml` declares it (npe2); `pip install lipmark[window]` is all that napari needs to find it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from napari.layers import Image
from napari.utils.notifications import show_info
from napari.viewer import Viewer
from qtpy.QtCore import QEvent, QTimer
from qtpy.QtGui import QShowEvent
from qtpy.QtWidgets import QMainWindow, QPushButton, QVBoxLayout, QWidget

from annotate.logbook.record import default_reader
from annotate.window.desk import Desk
from annotate.window.drafts import Drafts
from annotate.window.napari_view import NapariView
from annotate.window.purpose import FirstReading
from annotate.window.session import Session
from imaging.errors import ImagingError
from imaging.film import Film
from imaging.load import load_film, looks_like_film

KEY = "lipmark film"
"""In a layer's metadata: the `Film` that it shows."""

SAMPLE_SEED = 2

LayerData = tuple[Any, dict[str, Any], str]
Paths = str | Path | Sequence[str | Path]


def film_reader(path: Paths) -> Callable[[Paths], list[LayerData]] | None:
    """What reads a file for napari; None where it holds no chest film in a format that we know."""
    paths = _paths(path)
    try:
        return _read if paths and all(map(looks_like_film, paths)) else None
    except ImagingError:
        return None


def invented_film() -> list[LayerData]:
    """A synthetic film: nobody's."""
    from tempfile import TemporaryDirectory

    from synthetic_images.dicom_out import write_dicom
    from synthetic_images.film import make_film
    from synthetic_images.recipe import draw_recipe

    with TemporaryDirectory() as folder:
        path = write_dicom(make_film(draw_recipe(SAMPLE_SEED, difficulty=0.2)), Path(folder) / "invented film.dcm")
        return [_layer(load_film(path))]


class FilmDock(QWidget):
    """The panel in napari's own window; it measures the film of the selected layer.

    Parameters
    ----------
    napari_viewer : Viewer
        Given by napari.
    """

    def __init__(self, napari_viewer: Viewer) -> None:
        super().__init__()
        self._viewer = napari_viewer
        self.desk: Desk | None = None
        self._column = QVBoxLayout(self)
        self._column.setContentsMargins(0, 0, 0, 0)
        take = QPushButton("Measure the selected film")
        take.clicked.connect(self.measure)
        self._column.addWidget(take)

    def showEvent(self, event: QShowEvent) -> None:  # noqa: N802, the name is Qt's
        """Take the film that is there, once the dock has its place in the window."""
        super().showEvent(event)
        if self.desk is None and _film_layers(self._viewer):
            QTimer.singleShot(0, self.measure)

    def event(self, event: QEvent) -> bool:
        """Leave the viewer as it was when napari takes us out of a dock that is closed."""
        if event.type() == QEvent.Type.ParentChange and self.parent() is None:
            self._leave()
        return bool(super().event(event))

    def measure(self) -> None:
        """Measure the selected film, or the only one."""
        layers = _film_layers(self._viewer)
        chosen = next((layer for layer in layers if layer in self._viewer.layers.selection), None)
        if chosen is None and not layers:
            show_info("No chest film here: open one with lipmark (File, Open), or its sample.")
            return
        self._leave()
        layer = chosen or layers[-1]
        film: Film = layer.metadata[KEY]
        reader = default_reader()
        purpose = FirstReading(reader)
        session = Session([Path(layer.name)], purpose, Drafts(purpose.key, reader), load=lambda _: film)
        view = NapariView(self._viewer, self._film_area())
        self.desk = Desk(view, session, own_window=False)
        self._column.addWidget(self.desk.panel)
        self.desk.turn_to(0)

    def _film_area(self) -> QWidget:
        """Where napari shows the film: the middle of the window that this dock is in."""
        window = self.window()
        middle = window.centralWidget() if isinstance(window, QMainWindow) else None
        return middle or self

    def _leave(self) -> None:
        if self.desk is not None:
            self.desk.stop()
            self.desk.panel.setParent(None)
            self.desk = None


def _film_layers(viewer: Viewer) -> list[Image]:
    return [layer for layer in viewer.layers if KEY in layer.metadata]


def _read(path: Paths) -> list[LayerData]:
    return [_layer(load_film(one)) for one in _paths(path)]


def _layer(film: Film) -> LayerData:
    options = {
        "name": film.name,
        "scale": (film.pixel_aspect, 1.0),
        "colormap": "gray",
        "contrast_limits": (0.0, 1.0),
        "metadata": {KEY: film},
    }
    return film.pixels, options, "image"


def _paths(path: Paths) -> list[Path]:
    return [Path(path)] if isinstance(path, str | Path) else [Path(one) for one in path]
