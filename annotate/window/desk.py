"""Brings session, layers, hand, magnifier and panel together; one method for each key."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial

from napari.components import ViewerModel
from qtpy.QtCore import QObject, Qt, QTimer, Signal
from qtpy.QtGui import QCursor, QKeySequence, QShortcut
from qtpy.QtWidgets import QWidget

from annotate.drawing.close_up import close_up
from annotate.window.hand import Hand, Place
from annotate.window.help_sheet import HelpSheet
from annotate.window.keys import all_keys
from annotate.window.layers import FilmLayers
from annotate.window.magnifier import Magnifier, sampled
from annotate.window.marking import Marking
from annotate.window.marks import CARINA, POINTS, TIP, WORDS, Marks
from annotate.window.overlay import draw, nearest
from annotate.window.panel import Panel
from annotate.window.purpose import NotSavedError
from annotate.window.session import Session
from annotate.window.words import said_nothing, said_of, said_of_trouble
from imaging.propose import Proposal

NEAR_PX = 70.0
"""The magnifier follows the cursor this near a point, in screen pixels (ours)."""

ZOOM_STEP = 1.25
FINE_PX = 0.1
MARGIN = 1.03
"""Room round the whole film."""

ONLY_OWN_WINDOW = frozenset({"save", "close"})
"""Actions whose keys napari has for itself: in its own window they are the panel's buttons."""


class Desk(QObject):
    """What happens when something is pressed, dragged, typed or found.

    Parameters
    ----------
    viewer : ViewerModel
        napari's viewer, in our window or in its own.
    session : Session
        The films.
    film_area : QWidget
        Where the film is shown: gets the keys and the magnifier.
    own_window : bool
        Whether the window is ours, and so all keys.
    """

    _found = Signal(object, object)
    closing = Signal()

    def __init__(self, viewer: ViewerModel, session: Session, film_area: QWidget, own_window: bool = True) -> None:
        super().__init__()
        self.session = session
        self.panel = Panel()
        self.selected = ""
        self._viewer = viewer
        self._area = film_area
        self._layers = FilmLayers(viewer)
        self._magnifier = Magnifier(film_area)
        self._magnifies = True
        self._hidden = False
        self._waiting = ""
        self._taken: tuple[str, int, Marks, Place] | None = None
        self._here: Place | None = None
        self._search = ThreadPoolExecutor(1)
        self._hand = Hand(viewer, self)
        self._shortcuts = list(self._bound(own_window))
        self._redraw_soon = QTimer(self, singleShot=True, interval=0)
        self._redraw_soon.timeout.connect(self.redraw)
        viewer.scene.camera.events.zoom.connect(self._zoomed)
        self._found.connect(self._show_proposal)
        self.panel.typed.connect(self._typed)
        self.panel.chosen.connect(self.take)
        self.panel.pressed.connect(self.act)
        extra = session.purpose.widget(self)
        if extra is not None:
            self.panel.put_on_top(extra)
        self.panel.call_save(session.purpose.saves_as)
        if not session.purpose.has_form:
            self.panel.without_form()

    @property
    def film_area(self) -> QWidget:
        """Where the film is shown; it has the keys."""
        return self._area

    @property
    def marking(self) -> Marking | None:
        """Of the film that is open."""
        return self.session.marking

    def act(self, action: str) -> None:
        """Do what a key or a button is for."""
        getattr(self, f"on_{action}")()

    def turn_to(self, number: int) -> None:
        """Open a film of the list."""
        self.session.open(number)
        self.selected, self._waiting, self._taken = "", "", None
        self._magnifier.hide()
        marking = self.marking
        if marking is None:
            self._layers.clear()
        else:
            self._layers.show_film(marking.film)
            self._layers.hide_drawing(self._hidden)
            if self.session.purpose.proposes:
                self._search.submit(lambda: self._found.emit(marking, self.session.look(marking)))
            self.on_whole()
        self._show_form()
        self.refresh()

    def refresh(self) -> None:
        """Show everything as it stands."""
        self.redraw()
        self._tell()
        self.session.purpose.refreshed()

    def redraw(self) -> None:
        """Draw again: after a change, and where a zoom asks for other sizes."""
        marking, purpose = self.marking, self.session.purpose
        if marking is None or self._hidden:
            return
        other = purpose.compared(marking)
        drawing = draw(marking, self._pixel, purpose.tells(marking), self.selected, other, purpose.compared_as)
        self._layers.show(drawing, self._pixel)

    def stop(self) -> None:
        """Leave the viewer as it was found."""
        self._search.shutdown(wait=True, cancel_futures=True)
        self._redraw_soon.stop()
        self._viewer.scene.camera.events.zoom.disconnect(self._zoomed)
        self._hand.release()
        self._layers.clear()
        for left in (*self._shortcuts, self._magnifier):
            left.deleteLater()

    # The mouse

    def take_near(self, at: Place, reach: float) -> bool:
        """Take the point near a place; what waits for its place goes before."""
        marking = self.marking
        if marking is None or self._hidden or self.session.purpose.locked(marking):
            return False
        near = nearest(marking, at, reach)
        if near is None or (self._waiting and near[0] != self._waiting):
            return False
        name, index = near
        point = marking.points(name)[index]
        self.selected = name
        self._taken = (name, index, marking.marks, (point.row, point.column))
        self.refresh()
        return True

    def drag(self, by: Place) -> None:
        """Show what is taken elsewhere, and the Reading there."""
        if self.marking is None or self._taken is None:
            return
        name, index, start, at = self._taken
        self.marking.show(start)
        self.marking.show(self.marking.moved(name, index, self._moved(at, by)))
        self.refresh()

    def drop(self, by: Place) -> None:
        """Leave it there: one step that can be undone."""
        if self.marking is None or self._taken is None:
            return
        name, index, start, at = self._taken
        self._taken = None
        self.marking.show(start)
        if by != (0.0, 0.0):
            self._change(self.marking.moved(name, index, self._moved(at, by)))
        self._magnifier.hide()

    def click(self, at: Place) -> None:
        """Place what waits for a place."""
        if self._waiting:
            self._put(self._waiting, at)

    def hover(self, at: Place) -> None:
        """The mouse is here: the magnifier follows it near a point."""
        self._here = at
        marking = self.marking
        if marking is None or not self._magnifies:
            return
        reach = NEAR_PX * self._pixel
        if self._taken is not None:
            point = marking.points(self._taken[0])[self._taken[1]]
            self._magnify((point.row * marking.film.pixel_aspect, point.column))
        elif self._waiting or nearest(marking, at, reach) is not None:
            self._magnify(at)
        else:
            self._magnifier.hide()

    # Points

    def take(self, name: str) -> None:
        """Take a landmark: the keys move it, a click places it where it is not yet complete."""
        marking = self.marking
        if marking is None:
            return
        self.selected = name
        most = POINTS[name][1]
        here = marking.points(name)
        self._waiting = name if most is None or len(here) < most else ""
        if self._waiting:
            self.session.notice = f"{WORDS[name].capitalize()}: click on the film, or Space; Esc leaves it."
        self._area.setFocus()
        self.refresh()

    def on_tip(self) -> None:
        """Take the tip."""
        self.take(TIP)

    def on_carina(self) -> None:
        """Take the carina."""
        self.take(CARINA)

    def on_other(self) -> None:
        """Open the menu of the other landmarks."""
        self.panel.menu.popup(QCursor.pos())

    def on_next_point(self) -> None:
        """Take the next landmark that is on the film."""
        if self.marking is None:
            return
        there = [name for name in POINTS if self.marking.points(name)]
        if there:
            place = there.index(self.selected) + 1 if self.selected in there else 0
            self._waiting = ""
            self.selected = there[place % len(there)]
            self.refresh()

    def on_put(self) -> None:
        """Put what is taken under the mouse."""
        if self.selected and self._here is not None:
            self._put(self.selected, self._here)

    def on_accept(self) -> None:
        """Take every proposal for a mark of the hand."""
        if self.marking is not None:
            self._change(self.marking.accepted())

    def on_not_visible(self) -> None:
        """The landmark that is taken cannot be seen."""
        if self.marking is not None and self.selected:
            self.session.notice = f"{WORDS[self.selected].capitalize()}: marked as not visible."
            self._waiting = ""
            self._change(self.marking.marks.called_not_visible(self.selected))

    def on_take_away(self) -> None:
        """Take the landmark away."""
        if self.marking is not None and self.selected:
            self._waiting = ""
            self._change(self.marking.marks.without(self.selected))

    def on_undo(self) -> None:
        """One step back."""
        if self.marking is not None and not self._locked() and self.marking.undo():
            self._changed()

    def on_redo(self) -> None:
        """One step forth again."""
        if self.marking is not None and not self._locked() and self.marking.redo():
            self._changed()

    def on_up(self) -> None:
        """A pixel up."""
        self._nudge(-1.0, 0.0)

    def on_down(self) -> None:
        """A pixel down."""
        self._nudge(1.0, 0.0)

    def on_left(self) -> None:
        """A pixel left."""
        self._nudge(0.0, -1.0)

    def on_right(self) -> None:
        """A pixel right."""
        self._nudge(0.0, 1.0)

    def on_fine_up(self) -> None:
        """A tenth up."""
        self._nudge(-FINE_PX, 0.0)

    def on_fine_down(self) -> None:
        """A tenth down."""
        self._nudge(FINE_PX, 0.0)

    def on_fine_left(self) -> None:
        """A tenth left."""
        self._nudge(0.0, -FINE_PX)

    def on_fine_right(self) -> None:
        """A tenth right."""
        self._nudge(0.0, FINE_PX)

    # View

    def on_mediastinum(self) -> None:
        """Trachea and carina fill the view."""
        marking = self.marking
        if marking is None:
            return
        part, aspect = close_up(marking.answer.film, marking.landmarks), marking.film.pixel_aspect
        self._layers.set_window(part)
        self._look(part.middle_row * aspect, part.middle_column, self._area.height() / (part.height * aspect))

    def on_whole(self) -> None:
        """The whole film fills the view."""
        if self.marking is None:
            return
        self._layers.set_window()
        rows, columns = self.marking.film.shape
        height = rows * self.marking.film.pixel_aspect
        zoom = min(self._area.height() / height, self._area.width() / columns) / MARGIN
        self._look(height / 2.0, columns / 2.0, zoom)

    def on_zoom_in(self) -> None:
        """Closer."""
        self._viewer.scene.camera.zoom *= ZOOM_STEP

    def on_zoom_out(self) -> None:
        """Farther."""
        self._viewer.scene.camera.zoom /= ZOOM_STEP

    def on_invert(self) -> None:
        """Black becomes white."""
        self._layers.invert()

    def on_magnifier(self) -> None:
        """Magnifier on or off."""
        self._magnifies = not self._magnifies
        self._magnifier.hide()

    def on_drawing(self) -> None:
        """Hide or show all that is drawn."""
        self._hidden = not self._hidden
        self._layers.hide_drawing(self._hidden)
        self.redraw()

    # Films

    def on_save(self) -> None:
        """Keep the marks for good; what prevents it is told."""
        try:
            self.session.notice = self.session.save()
        except NotSavedError as error:
            self.session.notice = str(error)
        self.refresh()

    def on_next_film(self) -> None:
        """The next film."""
        if self.session.number + 1 < len(self.session.paths):
            self.turn_to(self.session.number + 1)
        else:
            self._notify("This is the last film.")

    def on_previous_film(self) -> None:
        """The film before."""
        if self.session.number > 0:
            self.turn_to(self.session.number - 1)
        else:
            self._notify("This is the first film.")

    def on_form(self) -> None:
        """The keyboard goes to the form."""
        self.panel.focus_form()

    def on_film(self) -> None:
        """The keyboard goes back to the film; nothing waits any more."""
        if self._waiting:
            self._waiting = ""
            self._notify("")
        self._area.setFocus()
        self._magnifier.hide()

    def on_help(self) -> None:
        """The sheet of keys."""
        purpose = self.session.purpose
        HelpSheet(self._area.window(), purpose.keys, purpose.title).open()

    def on_close(self) -> None:
        """Ask the window to close."""
        self.closing.emit()

    # Inside

    @property
    def _pixel(self) -> float:
        """Film pixels for one of the screen."""
        return 1.0 / float(self._viewer.scene.camera.zoom)

    def _bound(self, own_window: bool) -> Iterator[QShortcut]:
        on_film, in_window = Qt.ShortcutContext.WidgetWithChildrenShortcut, Qt.ShortcutContext.WindowShortcut
        for key in all_keys():
            if not own_window and key.action in ONLY_OWN_WINDOW:
                continue
            for press in key.presses:
                shortcut = QShortcut(QKeySequence(press), self._area)
                shortcut.setContext(in_window if key.everywhere and own_window else on_film)
                shortcut.activated.connect(partial(self.act, key.action))
                yield shortcut

    def _zoomed(self) -> None:
        """Draw again soon: sizes on the screen stay."""
        self._redraw_soon.start()

    def _put(self, name: str, at: Place) -> None:
        marking = self.marking
        if marking is None:
            return
        there = len(marking.marks.placed.get(name, ()))
        most = POINTS[name][1]
        index = there if most is None or there < most else most - 1
        self.selected = name
        marks = marking.marks.put(name, index, (at[0] / marking.film.pixel_aspect, at[1]))
        complete = len(marks.placed[name]) == most
        self._waiting = "" if complete else name
        if complete:
            self.session.notice = ""
        self._change(marks)

    def _nudge(self, rows: float, columns: float) -> None:
        """Move every point of what is taken."""
        marking = self.marking
        points = () if marking is None else marking.points(self.selected) if self.selected else ()
        if marking is None or not points:
            return
        moved = tuple((point.row + rows, point.column + columns) for point in points)
        self._change(marking.marks.put_all(self.selected, moved))
        if self._magnifies:
            point = marking.points(self.selected)[0]
            self._magnify((point.row * marking.film.pixel_aspect, point.column))

    def _change(self, marks: Marks) -> None:
        if self.marking is not None and not self._locked() and self.marking.change(marks):
            self._changed()
        else:
            self.refresh()

    def _locked(self) -> bool:
        """Whether the purpose keeps the marks as they are; says so."""
        if self.marking is None or not self.session.purpose.locked(self.marking):
            return False
        self.session.notice = "These marks are saved and stay as they are."
        return True

    def _changed(self) -> None:
        self.session.keep_draft()
        self.refresh()

    def _typed(self, key: str, text: str) -> None:
        if self.marking is None:
            return
        self.marking.type(key, text)
        self._changed()

    def _moved(self, at: Place, by: Place) -> Place:
        aspect = 1.0 if self.marking is None else self.marking.film.pixel_aspect
        return at[0] + by[0] / aspect, at[1] + by[1]

    def _show_proposal(self, marking: Marking, proposal: Proposal) -> None:
        marking.proposal = proposal
        if marking is self.marking:
            self.refresh()

    def _magnify(self, at: Place) -> None:
        marking = self.marking
        if marking is None:
            return
        aspect = marking.film.pixel_aspect
        part = sampled(marking.film.pixels, at[0] / aspect, at[1], aspect)
        centre, zoom = self._viewer.scene.camera.center, self._viewer.scene.camera.zoom
        x = (at[1] - centre[-1]) * zoom + self._area.width() / 2.0
        y = (at[0] - centre[-2]) * zoom + self._area.height() / 2.0
        self._magnifier.show_at((x, y), self._layers.stretched(part))

    def _look(self, y: float, x: float, zoom: float) -> None:
        self._viewer.scene.camera.center = (0.0, y, x)
        self._viewer.scene.camera.zoom = zoom

    def _notify(self, notice: str) -> None:
        self.session.notice = notice
        self._tell()

    def _tell(self) -> None:
        session, marking = self.session, self.marking
        where = f"Film {session.number + 1} of {len(session.paths)}: {session.path.name}"
        if marking is None:
            self.panel.say(said_of_trouble(session.trouble))
            self.panel.mark_problems({})
        else:
            where += " · unsaved" if marking.unsaved else ""
            told = session.purpose.tells(marking)
            self.panel.say(said_of(marking) if told else said_nothing(session.purpose.asks))
            self.panel.mark_problems(marking.answer.problems)
        self.panel.place(where, session.notice)

    def _show_form(self) -> None:
        marking = self.marking
        if marking is None:
            self.panel.fill({}, {}, enabled=False)
            return
        film, hints = marking.film, {}
        if film.patient.age_years is not None:
            hints["age"] = f"{film.patient.age_years:.0f} (film)"
        if film.patient.sex is not None:
            hints["sex"] = f"{film.patient.sex.value} (film)"
        if film.patient.height_cm is not None:
            hints["height"] = f"{film.patient.height_cm:.0f} (film)"
        if film.spacing is not None:
            hints["mm_per_pixel"] = f"{film.spacing.column_mm:.3g} (film)"
        self.panel.fill(marking.texts, hints, enabled=True)
