"""Points taken, dragged, placed and taken away, by mouse and keys."""

from __future__ import annotations

from annotate.drawing.ruler import TELLS_DIRECTION_CM
from annotate.window.camera import Place
from annotate.window.film_view import STILL_PX
from annotate.window.looks import Looks
from annotate.window.marks import CARINA, KNOWN_OBJECT, POINTS, TIP, WORDS, Marks
from annotate.window.overlay import nearest
from annotate.window.stage import Stage
from annotate.window.tape import LENGTH_CM, Tape, pixels_per_cm, straight

NEAR_PX = 70.0
"""The magnifier follows the cursor this near a point, in screen pixels (ours)."""

FINE_PX = 0.1
HERE = (0.0, 0.0)


class Points:
    """The mouse's table (`view.Table`) and the actions on points.

    Parameters
    ----------
    stage : Stage
        The desk.
    looks : Looks
        Has the magnifier.

    Attributes
    ----------
    selected : str
        The landmark that the keys move.
    waiting : str
        The landmark that the next click is for; empty where none was chosen.
    tape : Tape or None
        The ruler that lies on the film.
    """

    def __init__(self, stage: Stage, looks: Looks) -> None:
        self._stage, self._looks = stage, looks
        self.selected = self.waiting = ""
        self.tape: Tape | None = None
        self._taken: tuple[str, int, Marks, Place] | None = None
        self._held: tuple[int, Tape, Place] | None = None
        self._called_to: Place | None = None
        self._here: Place | None = None

    @property
    def dragging(self) -> bool:
        """Whether a point is in the hand."""
        return self._taken is not None

    def forget(self) -> None:
        """Nothing is taken any more: another film."""
        self.selected = self.waiting = ""
        self.tape = self._taken = self._held = self._here = None
        self._looks.magnifier.hide()

    # The mouse

    def take_near(self, at: Place, reach: float) -> bool:
        """Take the point near a place; what waits for its place goes before, and goes there with a click."""
        marking = self._stage.marking
        if marking is None or self._looks.hidden or self._stage.session.purpose.locked(marking):
            return False
        near = nearest(marking, at, reach, self.selected)
        if near is None and not self.waiting:
            return self._hold_tape(at, reach)
        if near is None or (self.waiting and near[0] != self.waiting):
            return False
        name, index = near
        point = marking.points(name)[index]
        self._called_to = at if self.waiting else None
        self.selected, self.waiting = name, ""
        self._taken = (name, index, marking.marks, (point.row, point.column))
        self._stage.refresh()
        return True

    def drag(self, by: Place) -> None:
        """Show what is taken elsewhere, and the Reading there."""
        if self._held is not None:
            part, tape, _ = self._held
            self.tape = tape.moved(part, by)
            self._stage.redraw()
            return
        marking = self._stage.marking
        if marking is None or self._taken is None:
            return
        name, index, start, at = self._taken
        marking.show(start)
        marking.show(marking.moved(name, index, self._moved(at, by)))
        self._stage.refresh()

    def drop(self, by: Place) -> None:
        """Leave it there: one step that can be undone. A click on the ruler goes through it."""
        if self._held is not None:
            _, self.tape, pressed = self._held
            part, self._held = self._held[0], None
            if self._still(by):
                self.click(pressed)
            else:
                self.tape = self.tape.moved(part, by)
            self._stage.redraw()
            return
        marking = self._stage.marking
        if marking is None or self._taken is None:
            return
        name, index, start, at = self._taken
        self._taken = None
        marking.show(start)
        if self._called_to is not None and self._still(by):
            self._put(name, self._called_to)
        elif by != HERE:
            self._change(marking.moved(name, index, self._moved(at, by)))
        self._looks.magnifier.hide()

    def click(self, at: Place) -> None:
        """Place what waits for a place, or what the film still lacks."""
        marking = self._stage.marking
        if marking is None or self._looks.hidden:
            return
        name = self.waiting or ("" if self.selected else marking.asked)
        if name:
            self._put(name, at)
        elif self.selected:
            self.selected = ""
            self._stage.refresh()

    def hover(self, at: Place) -> None:
        """The mouse is here: the magnifier follows it near a point."""
        self._here = at
        marking = self._stage.marking
        if marking is None or not self._looks.magnifies or self._stage.session.purpose.locked(marking):
            return
        if self._held is not None:
            self._looks.magnifier.hide()
            return
        reach = NEAR_PX * self._pixel
        if self._taken is not None:
            point = marking.points(self._taken[0])[self._taken[1]]
            self._looks.magnify((point.row * marking.film.pixel_aspect, point.column))
        elif self.waiting or nearest(marking, at, reach, self.selected) is not None:
            self._looks.magnify(at)
        else:
            self._looks.magnifier.hide()

    def leave(self) -> None:
        """The mouse is gone."""
        self._here = None
        if self._taken is None:
            self._looks.magnifier.hide()

    # Actions

    def take(self, name: str) -> None:
        """Take a landmark: the keys move it; not complete yet, or taken a second time, a click places it."""
        marking = self._stage.marking
        if marking is None:
            return
        again = self.selected == name and not self.waiting
        self.selected = name
        most, here = POINTS[name][1], marking.points(name)
        complete = most is not None and len(here) >= most
        self.waiting = name if not complete or again else ""
        if self.waiting:
            self._stage.session.notice = f"{WORDS[name].capitalize()}: click on the film, or Space; Esc leaves it."
        self._stage.view.area.setFocus()
        self._stage.refresh()

    def on_tip(self) -> None:
        """Take the tip."""
        self.take(TIP)

    def on_carina(self) -> None:
        """Take the carina."""
        self.take(CARINA)

    def on_next_point(self) -> None:
        """Take the next landmark that is on the film."""
        marking = self._stage.marking
        there = [] if marking is None else [name for name in POINTS if marking.points(name)]
        if there:
            place = there.index(self.selected) + 1 if self.selected in there else 0
            self.waiting, self.selected = "", there[place % len(there)]
            self._stage.refresh()

    def on_put(self) -> None:
        """Put what is taken under the mouse."""
        if self.selected and self._here is not None:
            self._put(self.selected, self._here)

    def on_ruler(self) -> None:
        """Lay a ruler on the film, from the carina towards the tip where they are marked; again: away with it."""
        self.tape = None if self.tape is not None else self._laid()
        self._stage.redraw()

    def on_accept(self) -> None:
        """Take every proposal for a mark of the hand."""
        marking = self._stage.marking
        if marking is not None:
            self._change(marking.accepted())

    def on_not_visible(self) -> None:
        """The landmark that is taken cannot be seen."""
        marking = self._stage.marking
        if marking is not None and self.selected:
            self._stage.session.notice = f"{WORDS[self.selected].capitalize()}: marked as not visible."
            self.waiting = ""
            self._change(marking.marks.called_not_visible(self.selected))

    def on_take_away(self) -> None:
        """Take the landmark away."""
        marking = self._stage.marking
        if marking is not None and self.selected:
            self.waiting = ""
            self._change(marking.marks.without(self.selected))

    def on_undo(self) -> None:
        """One step back."""
        marking = self._stage.marking
        if marking is not None and self._free() and marking.undo():
            self._stage.changed()

    def on_redo(self) -> None:
        """One step forth again."""
        marking = self._stage.marking
        if marking is not None and self._free() and marking.redo():
            self._stage.changed()

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

    # Inside

    def _still(self, by: Place) -> bool:
        """Whether a press that went so far is a click."""
        return max(map(abs, by)) < STILL_PX * self._pixel

    @property
    def _pixel(self) -> float:
        """Film pixels for one of a usual screen."""
        return self._stage.view.scale / self._stage.view.camera.zoom

    def _laid(self) -> Tape | None:
        marking = self._stage.marking
        if marking is None:
            return None
        cm_px = pixels_per_cm(marking.answer.film)
        if cm_px is None:
            self._stage.notify("A ruler needs to know what a pixel is worth, which this film does not say.")
            return None
        y, x = self._stage.view.camera.centre
        foot = next(iter(self._places(CARINA)), (y + LENGTH_CM / 2.0 * cm_px, x))
        tip = next(iter(self._places(TIP)), foot)
        towards = tip if foot[0] - tip[0] > TELLS_DIRECTION_CM * cm_px else (foot[0] - 1.0, foot[1])
        return straight(foot, towards, cm_px)

    def _places(self, name: str) -> list[Place]:
        marking = self._stage.marking
        if marking is None:
            return []
        aspect = marking.film.pixel_aspect
        return [(point.row * aspect, point.column) for point in marking.points(name)]

    def _hold_tape(self, at: Place, reach: float) -> bool:
        if self.tape is None:
            return False
        part = self.tape.part_near(at, self._pixel, reach)
        if part is None:
            return False
        self._held = (part, self.tape, at)
        return True

    def _free(self) -> bool:
        """Whether the marks may be changed: no drag is going on, and the purpose lets them."""
        return self._taken is None and not self._stage.locked()

    def _put(self, name: str, at: Place) -> None:
        marking = self._stage.marking
        if marking is None or self._taken is not None:
            return
        there = len(marking.marks.placed.get(name, ()))
        most = POINTS[name][1]
        index = there if most is None or there < most else most - 1
        self.selected = name
        marks = marking.marks.put(name, index, (at[0] / marking.film.pixel_aspect, at[1]))
        complete = len(marks.placed[name]) == most
        self.waiting = "" if complete else name
        if complete:
            self._stage.session.notice = ""
        self._change(marks)
        if name == KNOWN_OBJECT and complete:
            self._stage.panel.ask_length(self._stage.view.area, self._stage.view.camera.on_screen(at))

    def _nudge(self, rows: float, columns: float) -> None:
        """Move every point of what is taken."""
        marking = self._stage.marking
        if marking is None or not self.selected or self._taken is not None:
            return
        points = marking.points(self.selected)
        if not points:
            return
        moved = tuple((point.row + rows, point.column + columns) for point in points)
        self._change(marking.marks.put_all(self.selected, moved))
        point = marking.points(self.selected)[0]
        self._looks.magnify((point.row * marking.film.pixel_aspect, point.column))

    def _change(self, marks: Marks) -> None:
        marking = self._stage.marking
        asked = "" if marking is None else marking.asked
        if marking is not None and self._free() and marking.change(marks):
            if self._stage.session.purpose.lays_ruler and asked and not marking.asked and self.tape is None:
                self.tape = self._laid()
            self._stage.changed()
        else:
            self._stage.refresh()

    def _moved(self, at: Place, by: Place) -> Place:
        marking = self._stage.marking
        aspect = 1.0 if marking is None else marking.film.pixel_aspect
        return at[0] + by[0] / aspect, at[1] + by[1]
