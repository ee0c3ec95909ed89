"""Brings session, view, panel and the parts of the desk together; `act` does what a key or a button is for."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial

from qtpy.QtCore import QObject, Qt, QTimer, Signal
from qtpy.QtGui import QCursor, QKeySequence, QShortcut
from qtpy.QtWidgets import QWidget

from annotate.window.asked import asked_of
from annotate.window.beside import Beside
from annotate.window.form import CLEAR, CLEARLY, MANDIBLE, NECK, hints_of
from annotate.window.help_sheet import HelpSheet
from annotate.window.keys import Key, all_keys
from annotate.window.looks import Looks
from annotate.window.marking import Marking
from annotate.window.overlay import Drawing, draw
from annotate.window.panel import Panel
from annotate.window.points import Points
from annotate.window.purpose import NotSavedError
from annotate.window.session import Session
from annotate.window.sharing import Sharing
from annotate.window.view import View
from annotate.window.words import said_nothing, said_of, said_of_trouble
from annotate.words.screen import identifiers_in_words
from imaging.propose import Proposal
from measure.posture import NeckPosture

ONLY_OWN_WINDOW = frozenset({"save", "close", "fold"})
"""Actions whose keys napari has for itself: in its own window they are the panel's buttons."""


class Desk(QObject):
    """What happens when something is pressed, dragged, typed or found.

    Parameters
    ----------
    view : View
        Shows the film, in our window or in napari's.
    session : Session
        The films.
    own_window : bool
        Whether the window is ours, and so all keys.
    """

    _found = Signal(object, object)
    _done = Signal(object, object)
    closing = Signal()

    def __init__(self, view: View, session: Session, own_window: bool = True) -> None:
        super().__init__()
        self.session, self.view = session, view
        self.panel = Panel(view.scale)
        self.looks = Looks(self)
        self.points = Points(self, self.looks)
        self.beside = Beside(self)
        self._parts = (self, self.looks, self.points, Sharing(self), self.beside)
        self._who_shown = False
        self._asked: tuple[str, ...] = ()
        self._own_window = own_window
        self._search = ThreadPoolExecutor(1)
        self._shortcuts = list(self._bound())
        self._redraw_soon = QTimer(self, singleShot=True, interval=0)
        self._redraw_soon.timeout.connect(self.redraw)
        view.serve(self.points)
        view.moved.connect(self._redraw_soon.start)
        self._found.connect(self._show_proposal)
        self._done.connect(self._hand_over)
        session.get_ready()
        self.panel.typed.connect(self._typed)
        self.panel.chosen.connect(self.points.take)
        self.panel.pressed.connect(self.act)
        self._suit_purpose()

    @property
    def film_area(self) -> QWidget:
        """Where the film is shown; it has the keys."""
        return self.view.area

    @property
    def scale(self) -> float:
        """Of type and controls, over those of a usual screen."""
        return self.view.scale

    @property
    def marking(self) -> Marking | None:
        """Of the film that is open."""
        return self.session.marking

    def act(self, action: str) -> None:
        """Do what a key or a button is for."""
        self._method(action)()

    def turn_to(self, number: int) -> None:
        """Open a film of the list."""
        self.session.open(number)
        self.points.forget()
        self._who_shown = False
        marking = self.marking
        if marking is None:
            self.view.clear()
        else:
            self.view.show_film(marking.film)
            if marking.waits:
                self._search.submit(self._look, marking)
            self.looks.on_whole()
        for coming in self.session.coming:
            self._search.submit(self.session.prepare, coming)
        self._show_form()
        self.beside.turned()
        self.refresh()

    def refresh(self) -> None:
        """Show everything as it stands."""
        self.redraw()
        self._tell()
        self.session.purpose.refreshed()

    def redraw(self) -> None:
        """Draw again: after a change, and where a zoom asks for other sizes."""
        marking, purpose = self.marking, self.session.purpose
        if marking is None:
            return
        if purpose.locked(marking):
            self.looks.magnifier.hide()
        if self.looks.hidden:
            self.view.show_drawing(Drawing())
            return
        pixel, other = self.scale / self.view.camera.zoom, purpose.compared(marking)
        tape = None if purpose.locked(marking) else self.points.tape
        tells = purpose.tells(marking) and not marking.looking
        self.view.show_drawing(draw(marking, pixel, tells, self.points.selected, other, purpose.compared_as, tape))

    def changed(self) -> None:
        """Something was done: keep the draft, and show it."""
        self.session.keep_draft()
        self.beside.follow()
        self.refresh()

    def notify(self, notice: str) -> None:
        """Tell the reader something."""
        self.session.notice = notice
        self._tell()

    def locked(self) -> bool:
        """Whether the purpose keeps the marks as they are; says so."""
        if self.marking is None or not self.session.purpose.locked(self.marking):
            return False
        self.session.notice = "These marks are saved and stay as they are."
        return True

    def stop(self) -> None:
        """Leave the viewer as it was found."""
        self.session.leave()
        self._search.shutdown(wait=True, cancel_futures=True)
        self.session.close()
        self._redraw_soon.stop()
        self.view.moved.disconnect(self._redraw_soon.start)
        for left in self._shortcuts:
            left.deleteLater()
        self.beside.stop()
        self.looks.stop()
        self.view.release()

    # Films and panel

    def on_save(self) -> None:
        """Keep the marks for good; what prevents it is told."""
        try:
            self.session.notice = self.session.save()
        except NotSavedError as error:
            self.session.notice = str(error)
        self.beside.saved()
        self.refresh()

    def on_next_film(self) -> None:
        """The next film."""
        if self.session.number + 1 < len(self.session.paths):
            self.turn_to(self.session.number + 1)
        else:
            self.notify("This is the last film.")

    def on_previous_film(self) -> None:
        """The film before."""
        if self.session.number > 0:
            self.turn_to(self.session.number - 1)
        else:
            self.notify("This is the first film.")

    def on_other(self) -> None:
        """Open the menu of the other landmarks."""
        self.panel.menu.popup(QCursor.pos())

    def on_form(self) -> None:
        """The keyboard goes to the form."""
        self.panel.focus_form("lip_mark")

    def on_jaw(self) -> None:
        """The keyboard goes to the mandible's level."""
        self.panel.focus_form(MANDIBLE)

    def on_neutral(self) -> None:
        """The neck was neutral; pressed again, it is not known."""
        self._switch(NECK, NeckPosture.NEUTRAL.value)

    def on_flexed(self) -> None:
        """The neck was flexed."""
        self._switch(NECK, NeckPosture.FLEXED.value)

    def on_extended(self) -> None:
        """The neck was extended."""
        self._switch(NECK, NeckPosture.EXTENDED.value)

    def on_clear(self) -> None:
        """The points were seen without doubt, or not."""
        self._switch(CLEARLY, CLEAR)

    def on_film(self) -> None:
        """The keyboard goes back to the film; nothing waits any more."""
        self.film_area.setFocus()
        self.looks.magnifier.hide()
        if self.points.waiting:
            self.session.notice = ""
        self.points.waiting = self.points.selected = ""
        self.refresh()

    def on_who(self) -> None:
        """Show whose film it is, until the next key of this kind or the next film; it is kept nowhere."""
        self._who_shown = not self._who_shown
        self._tell()

    def on_fold(self) -> None:
        """Fold the panel, or unfold it."""
        self.panel.setVisible(not self.panel.isVisible())

    def on_help(self) -> None:
        """The sheet of keys."""
        purpose = self.session.purpose
        HelpSheet(self.film_area.window(), purpose.keys, purpose.title, purpose.has_form, self.scale).open()

    def on_close(self) -> None:
        """Ask the window to close."""
        self.closing.emit()

    # Inside

    def _suit_purpose(self) -> None:
        purpose = self.session.purpose
        extra = purpose.widget(self)
        if extra is not None:
            self.panel.put_on_top(extra)
        self.panel.call_save(purpose.saves_as)
        if not purpose.has_form:
            self.panel.without_form()

    def _method(self, action: str) -> Callable[[], None]:
        found: Callable[[], None] = next(
            method for part in self._parts if (method := getattr(part, f"on_{action}", None)) is not None
        )
        return found

    def _bound(self) -> Iterator[QShortcut]:
        for key in all_keys():
            if self._binds(key):
                for press in key.presses:
                    yield self._shortcut(key, press)

    def _binds(self, key: Key) -> bool:
        if key.needs_form and not self.session.purpose.has_form:
            return False
        return self._own_window or key.action not in ONLY_OWN_WINDOW

    def _shortcut(self, key: Key, press: str) -> QShortcut:
        on_film, in_window = Qt.ShortcutContext.WidgetWithChildrenShortcut, Qt.ShortcutContext.WindowShortcut
        shortcut = QShortcut(QKeySequence(press), self.film_area)
        shortcut.setContext(in_window if key.everywhere and self._own_window else on_film)
        shortcut.activated.connect(partial(self.act, key.action))
        return shortcut

    def _look(self, marking: Marking) -> None:
        """In the other thread: search a film that is still wanted."""
        if marking is self.marking:
            self._found.emit(marking, self.session.look(marking))

    def in_background(self, work: Callable[[], object], then: Callable[[object], None]) -> None:
        """Do something slow in the other thread, and hand what comes of it over in this one."""
        self._search.submit(lambda: self._done.emit(then, work()))

    def _hand_over(self, then: Callable[[object], None], result: object) -> None:
        then(result)

    def _show_proposal(self, marking: Marking, proposal: Proposal) -> None:
        marking.proposal = proposal
        if marking is self.marking:
            self.beside.follow()
            self.refresh()

    def _typed(self, key: str, text: str) -> None:
        if self.marking is None:
            return
        self.marking.type(key, text)
        self.changed()

    def _switch(self, key: str, text: str) -> None:
        """Fill in a field that has a button; pressed again, empty it."""
        marking = self.marking
        if marking is None:
            return
        marking.type(key, "" if marking.texts.get(key) == text else text)
        self._show_form()
        self.changed()

    def _tell(self) -> None:
        session, marking = self.session, self.marking
        where = f"Film {session.number + 1} of {len(session.paths)}: {session.path.name}"
        if marking is None:
            self.panel.say(said_of_trouble(session.trouble))
            self.panel.mark_problems({})
        else:
            where += " · unsaved" if marking.unsaved else ""
            if self._who_shown:
                where += f"\n{identifiers_in_words(marking.film.identifiers)}"
            told = session.purpose.tells(marking)
            self.panel.say(said_of(marking, self._ask(marking)) if told else said_nothing(session.purpose.asks))
            self.panel.mark_problems(marking.answer.problems)
        self.panel.place(where, session.notice)
        self.panel.mark_chosen(self.points.selected, self.points.waiting)

    def _ask(self, marking: Marking) -> tuple[str, ...]:
        """What would sharpen the answer; during a drag as it was, since it is dear to find out."""
        if not self.points.dragging:
            self._asked = () if marking.looking else asked_of(marking)
        return self._asked

    def _show_form(self) -> None:
        marking = self.marking
        if marking is None:
            self.panel.fill({}, {}, enabled=False)
        else:
            self.panel.fill(marking.texts, hints_of(marking.film), enabled=True)
