"""One film on the screen: its marks, its form, and the Reading that follows from them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

from annotate.window.form import Known, read_form
from annotate.window.marks import AIRWAY, CARINA, KNOWN_OBJECT, TIP, WORDS, History, Marks
from imaging.case import Request, case_of, told_upright, with_given_spacing
from imaging.film import Film
from imaging.propose import Proposal
from measure.assess import Case, assess
from measure.errors import MeasureError
from measure.follow_up import PreviousFilm
from measure.landmarks import KINDS, VERTEBRAE, Landmark, Landmarks, Point
from measure.reading import Reading

STILL_LOOKING = Proposal(Landmarks(), ("Tip and carina are being looked for.",))
TURN_NOT_KNOWN = Proposal(Landmarks(), ("How the film lies is being looked at.",))
NOTHING_PROPOSED = Proposal(Landmarks())

State = tuple[Marks, Mapping[str, str]]


@dataclass(frozen=True, slots=True)
class FilmBefore:
    """The patient's film before.

    Parameters
    ----------
    fingerprint : str
        `Film.fingerprint`.
    reading : Reading
        What was last read of it; it has a distance.
    """

    fingerprint: str
    reading: Reading


@dataclass(frozen=True)
class Answer:
    """What marks, form and proposal lead to.

    Parameters
    ----------
    film : Film
        With the spacing that holds.
    case : Case
        All that is known.
    problems : mapping of str to str
        By field of the form: why it is not used.
    """

    film: Film
    case: Case
    problems: Mapping[str, str]

    @cached_property
    def reading(self) -> Reading:
        """As `lipmark read` gives it for the same points."""
        return assess(self.case)


class Marking:
    """One film that is being marked.

    Parameters
    ----------
    name : str
        The film's name for the Reading, as on the command line.
    film : Film
        As loaded.
    proposal : Proposal
        Until something is found, `STILL_LOOKING`, or `TURN_NOT_KNOWN` where nothing is to be proposed.

    Attributes
    ----------
    before : FilmBefore or None
        The patient's film before, where it is known.

    Notes
    -----
    Marks and form become the same `Request` that the command line makes, so that the two agree to the last digit.
    """

    def __init__(self, name: str, film: Film, proposal: Proposal = NOTHING_PROPOSED) -> None:
        self.name = name
        self.film = film
        self.fingerprint = film.fingerprint
        self.history = History(Marks())
        self.texts: dict[str, str] = {}
        self.before: FilmBefore | None = None
        self._previous: PreviousFilm | None = None
        self._proposal = proposal
        self._kept: State = (Marks(), {})
        self._answer: Answer | None = None

    @property
    def marks(self) -> Marks:
        """The hand's marks as they stand."""
        return self.history.now

    @property
    def proposal(self) -> Proposal:
        """What was found, whether it is wanted or not."""
        return self._proposal

    @proposal.setter
    def proposal(self, proposal: Proposal) -> None:
        self._proposal = proposal
        self._answer = None

    def follow(self, before: FilmBefore | None) -> None:
        """Know the patient's film before, and hold the Reading against it."""
        self.before = before
        if before is not None:
            self.compare_with(before.reading)

    def compare_with(self, before: Reading) -> None:
        """Hold the Reading against another film's."""
        self._previous, self._answer = PreviousFilm.from_reading(before), None

    def change(self, marks: Marks) -> bool:
        """Take a step that can be undone; points are kept on the film."""
        return self._stepped(self.history.change(self._within(marks)))

    def show(self, marks: Marks) -> None:
        """Show marks in the middle of a drag: no step of its own to undo."""
        self.history.now = self._within(marks)
        self._answer = None

    def undo(self) -> bool:
        """Take the last step back."""
        return self._stepped(self.history.undo())

    def redo(self) -> bool:
        """Take it again."""
        return self._stepped(self.history.redo())

    def type(self, key: str, text: str) -> None:
        """Fill in a field of the form; an empty text empties it."""
        self.texts = {name: old for name, old in self.texts.items() if name != key}
        if text.strip():
            self.texts[key] = text.strip()
        self._answer = None

    def restore(self, marks: Marks, texts: Mapping[str, str]) -> None:
        """Start from marks and form that were kept somewhere."""
        self.history = History(self._within(marks))
        self.texts = dict(texts)
        self._answer = None

    def keep(self) -> None:
        """Call what stands here saved."""
        self._kept = (self.marks, dict(self.texts))

    @property
    def unsaved(self) -> bool:
        """Whether something was done since it was last kept."""
        return self._kept != (self.marks, self.texts)

    @property
    def answer(self) -> Answer:
        """What follows from all of it."""
        if self._answer is None:
            self._answer = self._answered()
        return self._answer

    @property
    def waits(self) -> bool:
        """Whether the film has not been looked over yet."""
        return self._proposal is STILL_LOOKING or self._proposal is TURN_NOT_KNOWN

    @property
    def looking(self) -> bool:
        """Whether a point is still being looked for, or how the film lies, so that there is no answer yet."""
        hand = self.marks.complete()
        tip, carina = (hand.get(name, (None,))[0] for name in (TIP, CARINA))
        return self.waits and (tip is None or carina is None or not told_upright(self.film, tip, carina))

    @property
    def asked(self) -> str:
        """The point that a click is for where none was chosen: tip first, then carina; empty where both are
        there.
        """
        return next((name for name in (TIP, CARINA) if not self.points(name)), "")

    @property
    def reading(self) -> Reading:
        """The Reading as it stands."""
        return self.answer.reading

    @property
    def landmarks(self) -> Landmarks:
        """What is on the film, placed and proposed."""
        return self.answer.case.landmarks

    def points(self, name: str) -> tuple[Landmark, ...]:
        """All points of a landmark, also of one that waits for its second; empty where there are none."""
        held = points_of(self.landmarks, name)
        return held or tuple(Landmark(row, column, 0.0) for row, column in self.marks.placed.get(name, ()))

    def accepted(self) -> Marks:
        """The marks with every proposal placed by hand where it stands."""
        marks = self.marks
        for name in (TIP, CARINA, AIRWAY):
            points = self.points(name)
            if points and name not in marks.placed:
                marks = marks.put_all(name, tuple((point.row, point.column) for point in points))
        return marks

    def moved(self, name: str, index: int, at: Point) -> Marks:
        """The marks with a point elsewhere; a proposed path becomes the hand's as a whole."""
        if name not in self.marks.placed and len(self.points(name)) > 1:
            points = tuple((point.row, point.column) for point in self.points(name))
            return self.marks.put_all(name, points).put(name, index, at)
        return self.marks.put(name, index, at)

    def _stepped(self, done: bool) -> bool:
        self._answer = None
        return done

    def _within(self, marks: Marks) -> Marks:
        rows, columns = self.film.shape

        def on_film(at: Point) -> Point:
            return min(max(at[0], -0.5), rows - 0.5), min(max(at[1], -0.5), columns - 0.5)

        return replace(marks, placed={name: tuple(map(on_film, points)) for name, points in marks.placed.items()})

    def _answered(self) -> Answer:
        known, problems = read_form(self.texts)
        film, request = self.film, Request()
        try:
            request = self._request(known)
            film = with_given_spacing(self.film, request)
        except MeasureError as error:
            problems |= {"mm_per_pixel" if known.object_mm is None else "object_mm": str(error)}
            request = self._request(replace(known, mm_per_pixel=None, object_mm=None))
        return Answer(film, case_of(self.name, film, request, self._wanted()), problems)

    def _request(self, known: Known) -> Request:
        complete = self.marks.complete()
        ends = None if known.object_mm is None else complete.get(KNOWN_OBJECT)
        return Request(
            tip=complete.get(TIP, (None,))[0],
            carina=complete.get(CARINA, (None,))[0],
            marks=self.marks.optional(),
            known_object=None
            if ends is None or known.object_mm is None
            else (known.object_mm, (ends[0], ends[1])),
            mm_per_pixel=known.mm_per_pixel,
            known=replace(known.case, previous=self._previous),
            clear=known.clear,
            mandible_row=known.mandible_row,
        )

    def _wanted(self) -> Proposal:
        """The proposal without what the reader took away or cannot see."""
        marks, found = self.marks, self._proposal.landmarks
        seen = tuple(
            f"The {WORDS[name]} is marked as not visible." for name in (TIP, CARINA) if name in marks.not_visible
        )
        return replace(
            self._proposal,
            landmarks=replace(
                found,
                tip=None if marks.hides(TIP) else found.tip,
                carina=None if marks.hides(CARINA) else found.carina,
                airway_path=() if marks.hides(AIRWAY) else found.airway_path,
                tube_line=() if marks.hides(TIP) else found.tube_line,
            ),
            reasons=(*self._proposal.reasons, *seen),
        )


def points_of(landmarks: Landmarks, name: str) -> tuple[Landmark, ...]:
    """All points of a landmark by the name that the marks have for it."""
    if name in VERTEBRAE:
        held: object = landmarks.vertebrae.get(name)
    elif name == KNOWN_OBJECT:
        known = landmarks.known_object
        held = None if known is None else (known.start, known.end)
    else:
        held = getattr(landmarks, KINDS[name].field)
    if isinstance(held, Landmark):
        return (held,)
    return held if isinstance(held, tuple) else ()
