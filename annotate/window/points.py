"""Points taken, dragged, placed and taken away, by mouse and keys."""

from __future__ import annotations

from annotate.window.camera import Place
from annotate.window.looks import Looks
from annotate.window.marks import CARINA, KNOWN_OBJECT, POINTS, TIP, WORDS, Marks
from annotate.window.overlay import nearest
from annotate.window.stage import Stage

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
    """

    def __init__(self, stage: Stage, looks: Looks) -> None:
        self._stage, self._looks = stage, looks
        self.selected = self.waiting = ""
        self._taken: tuple[str, int, Marks, Place] | None = None
        self._here: Place | None = None

    @property
    def dragging(self) -> bool:
        """Whether a point is in the hand."""
        return self._taken is not None

    def forget(self) -> None:
        """Nothing is taken any more: another film."""
        self.selected = self.waiting = ""
        self._taken = self._here = None
        self._looks.magnifier.hide()

    # The mouse

    def take_near(self, at: Place, reach: float) -> bool:
        """Take the point near a place; what waits for its place goes before."""
        marking = self._stage.marking
        if marking is None or self._looks.hidden or self._stage.session.purpose.locked(marking):
            return False
        near = nearest(marking, at, reach, self.selected)
        if near is None or (self.waiting and near[0] != self.waiting):
            return False
        name, index = near
        point = marking.points(name)[index]
        self.selected, self.waiting = name, ""
        self._taken = (name, index, marking.marks, (point.row, point.column))
        self._stage.refresh()
        return True

    def drag(self, by: Place) -> None:
        """Show what is taken elsewhere, and the Reading there."""
        marking = self._stage.marking
        if marking is None or self._taken is None:
            return
        name, index, start, at = self._taken
        marking.show(start)
        marking.show(marking.moved(name, index, self._moved(at, by)))
        self._stage.refresh()

    def drop(self, by: Place) -> None:
        """Leave it there: one step that can be undone."""
        marking = self._stage.marking
        if marking is None or self._taken is None:
            return
        name, index, start, at = self._taken
        self._taken = None
        marking.show(start)
        if by != HERE:
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
        reach = NEAR_PX / self._stage.view.camera.zoom
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
        if marking is not None and self._free() and marking.change(marks):
            self._stage.changed()
        else:
            self._stage.refresh()

    def _moved(self, at: Place, by: Place) -> Place:
        marking = self._stage.marking
        aspect = 1.0 if marking is None else marking.film.pixel_aspect
        return at[0] + by[0] / aspect, at[1] + by[1]
