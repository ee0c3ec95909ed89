"""Yesterday beside today: the patient's film before, at the same level and size, and all films of the tube."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

from qtpy.QtCore import QPoint, Qt
from qtpy.QtWidgets import QLabel, QSplitter, QVBoxLayout, QWidget

from annotate.drawing.close_up import close_up
from annotate.logbook.errors import LogbookError
from annotate.window.camera import Camera, Place
from annotate.window.film_view import FilmView
from annotate.window.grey import levels_of, part_of
from annotate.window.marking import Marking
from annotate.window.overlay import LONG_SIDE_CM, draw
from annotate.window.size import grown
from annotate.window.stage import Stage
from annotate.window.strip import Strip
from annotate.words.answer import height_in_words
from measure.errors import MeasureError
from measure.posture import NeckPosture
from measure.reading import Reading

STYLE = """
#side { background: #101214; }
#side QLabel { color: #f0f0f0; font-size: 14px; padding: 6px 10px; background: #1b1e22; }
"""


class Beside:
    """Shows the film before, linked to the one that is open.

    Parameters
    ----------
    stage : Stage
        The desk.

    Attributes
    ----------
    side : QWidget
        What stands beside the film; hidden until it is asked for.
    """

    def __init__(self, stage: Stage) -> None:
        self._stage = stage
        self._before: Marking | None = None
        self._coming = False
        self.side = QWidget()
        self.side.setObjectName("side")
        self.side.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.side.setStyleSheet(grown(STYLE, stage.view.scale))
        self._head, self._view, self._strip = QLabel(), FilmView(stage.view.scale), Strip(stage.view.scale)
        self._head.setWordWrap(True)
        self._view.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        column = QVBoxLayout(self.side)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(0)
        column.addWidget(self._head)
        column.addWidget(self._view, stretch=1)
        column.addWidget(self._strip)
        self.side.hide()
        stage.view.moved.connect(self.follow)
        self._view.resized.connect(self.follow)

    def on_beside(self) -> None:
        """The film before, beside this one; again: away with it."""
        if not self.side.isHidden():
            self.side.hide()
            return
        self._stage.session.notice = ""
        self._find()
        if not self._coming and not self._strip.points:
            self._stage.notify(
                self._stage.session.notice
                or "No film before this one is known: neither with --beside, nor in the logbook by the patient's "
                "pseudonym."
            )
            return
        self.side.show()
        self._share_room()
        self.follow()
        self._stage.refresh()

    def _share_room(self) -> None:
        """Both films get as much of the window."""
        films = self.side.parentWidget()
        if isinstance(films, QSplitter):
            side, film, panel = films.sizes()
            films.setSizes([(side + film) // 2, (side + film) // 2, panel])

    def turned(self) -> None:
        """Another film is open."""
        if not self.side.isHidden():
            self._find()
            self.side.setVisible(self._coming or bool(self._strip.points))

    def saved(self) -> None:
        """The logbook has something new."""
        if not self.side.isHidden():
            self._show_strip()

    def follow(self) -> None:
        """The same level and size as the film that is open, with its own ruler."""
        self._strip.update()
        if self.side.isHidden() or self._before is None or self._stage.marking is None:
            return
        self._say()
        self._view.camera = linked(self._level_camera(), self._stage.marking, self._before)
        pixel = self._view.scale / self._view.camera.zoom
        self._view.show_drawing(draw(self._before, pixel, tells=True))

    def _level_camera(self) -> Camera:
        """What the film that is open shows at the height of this view's middle on the screen."""
        area, camera = self._stage.view.area, self._stage.view.camera
        middle, other = (widget.mapToGlobal(QPoint(0, widget.height() // 2)).y() for widget in (self._view, area))
        return camera.moved(0.0, float(other - middle))

    def stop(self) -> None:
        """Let go of the view."""
        self._stage.view.moved.disconnect(self.follow)

    def _find(self) -> None:
        """Look up the film before; its file is loaded and searched in the background."""
        session, marking = self._stage.session, self._stage.marking
        if marking is None:
            return
        path = session.path_before(marking)
        self._show_strip()
        self._coming = path is not None
        self._show(None)
        if path is not None:
            work = partial(session.load_before, path, marking)
            self._stage.in_background(work, partial(self._found, marking))

    def _show_strip(self) -> None:
        marking = self._stage.marking
        if marking is None:
            return
        try:
            self._strip.show_around(self._stage.session.purpose.trend(marking), marking)
        except (LogbookError, MeasureError, OSError) as error:
            self._stage.notify(str(error))

    def _found(self, today: Marking, before: object) -> None:
        """The film before is there, or why it is not; of no use any more where another film is open."""
        if today is not self._stage.marking:
            return
        self._coming = False
        if not isinstance(before, Marking):
            self._stage.notify(str(before))
            self.side.setVisible(bool(self._strip.points))
            self._say()
            return
        self._stage.session.compare_with(before)
        self._show(before)
        self.follow()
        self._stage.refresh()

    def _show(self, before: Marking | None) -> None:
        self._before = before
        self._view.setVisible(before is not None)
        if before is not None:
            self._view.show_film(before.film)
            self._view.levels = levels_of(part_of(before.film, close_up(before.film, before.landmarks)))
        self._say()

    def _say(self) -> None:
        if self._coming:
            said = "The film before is being looked at."
        elif self._before is None:
            said = "The film before is in the logbook alone: give its file with --beside to see it."
        else:
            said = " · ".join(_known_of(self._before.reading))
        self._head.setText(said)


def _known_of(reading: Reading) -> Iterator[str]:
    """What the film before says of itself, and what it leaves open."""
    if reading.distance is None or reading.inputs is None:
        yield "The film before: not measured"
        return
    inputs = reading.inputs
    rough = " (rough scale)" if inputs.spacing is not None and inputs.spacing.rough else ""
    yield f"The film before: {height_in_words(reading.distance.on_film)}{rough}"
    known = {
        "lip mark": "" if inputs.lip_mark_cm is None else f"{inputs.lip_mark_cm:g} cm",
        "neck": "" if inputs.neck_posture is NeckPosture.UNKNOWN else inputs.neck_posture.value,
    }
    yield from (f"{name} {value}" for name, value in known.items() if value)
    if missing := [name for name, value in known.items() if not value]:
        yield f"{' and '.join(missing)} not known: read and save that film first"


def linked(camera: Camera, here: Marking, there: Marking) -> Camera:
    """The camera for another film that shows it at the same size, its carina at the same place of the screen."""
    mm, mm_there = _pixel_mm(here), _pixel_mm(there)
    level, level_there = _level(here), _level(there)
    away = ((camera.centre[0] - level[0]) * mm, (camera.centre[1] - level[1]) * mm)
    centre = (level_there[0] + away[0] / mm_there, level_there[1] + away[1] / mm_there)
    return replace(camera, centre=centre, zoom=camera.zoom * mm_there / mm)


def _pixel_mm(marking: Marking) -> float:
    """Width of a pixel; where it is not known, as if the film were of the usual size."""
    spacing = marking.answer.film.spacing
    return 10.0 * LONG_SIDE_CM / max(marking.film.shape) if spacing is None else spacing.column_mm


def _level(marking: Marking) -> Place:
    """The carina, else the film's middle."""
    carina, aspect = marking.landmarks.carina, marking.film.pixel_aspect
    rows, columns = marking.film.shape
    return (rows * aspect / 2.0, columns / 2.0) if carina is None else (carina.row * aspect, carina.column)
