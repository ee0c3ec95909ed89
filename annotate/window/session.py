"""The films of one sitting: which is open, what is unsaved, what goes wrong."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from annotate.logbook.errors import LogbookError
from annotate.messages import LOG, tell_unforeseen
from annotate.window.drafts import DraftError, Drafts
from annotate.window.marking import NOTHING_PROPOSED, STILL_LOOKING, TURN_NOT_KNOWN, Marking
from annotate.window.purpose import Purpose
from annotate.window.search import Search
from annotate.window.shelf import Shelf
from imaging.carrying import Earlier, carina_by_hand, not_carried
from imaging.errors import ImagingError
from imaging.film import Film
from imaging.load import load_film
from imaging.propose import Proposal
from measure.errors import MeasureError


class Session:
    """A list of films, one of them open.

    Parameters
    ----------
    paths : sequence of Path
        The films.
    purpose : Purpose
        What they are opened for.
    drafts : Drafts or None
        Where unsaved work is kept; None where it need not be.
    load : function
        Makes a film of a path.
    ahead : int
        How many of the next films are loaded and searched beforehand; 0 where loading a film is a step of its own.
    beside : Path or None
        The film before, to be seen beside each; None to look among those of this sitting.
    search : Search or None
        Who looks for tip and carina, shared with others; None for one of its own.

    Attributes
    ----------
    number : int
        Of the film that is open, from 0.
    marking : Marking or None
        Of the film that is open; None where it cannot be opened.
    trouble : str
        Why the film cannot be opened; empty where it can.
    notice : str
        What the reader should know: work taken up again, work that could not be kept.
    """

    def __init__(
        self,
        paths: Sequence[Path],
        purpose: Purpose,
        drafts: Drafts | None = None,
        load: Callable[[Path], Film] = load_film,
        ahead: int = 0,
        beside: Path | None = None,
        search: Search | None = None,
    ) -> None:
        self.paths = tuple(paths)
        self.purpose = purpose
        self.number = 0
        self.marking: Marking | None = None
        self.trouble = ""
        self.notice = ""
        self._drafts = drafts
        self._load = load
        self._ahead = ahead
        self._beside = beside
        self._numbers: dict[str, int] = {}
        self._shelf = Shelf(lambda number: load(self.paths[number]))
        self._unsaved: set[int] = set()
        self._found: dict[tuple[str, bool], Proposal] = {}
        self._search = search or Search()
        self._owns_search = search is None
        self._left = False

    @property
    def path(self) -> Path:
        """The film that is open."""
        return self.paths[self.number]

    @property
    def unsaved(self) -> list[Path]:
        """Films of this sitting with work that no logbook has."""
        return [self.paths[number] for number in sorted(self._unsaved)]

    def open(self, number: int) -> None:
        """Turn to a film; one that cannot be opened leaves its reason, and the list goes on."""
        self.number, self.marking, self.trouble, self.notice = number, None, "", ""
        try:
            film = self._film(number)
        except ImagingError as error:
            self.trouble = str(error)
            return
        except Exception as error:
            self.trouble = _unforeseen(error, self.path)
            return
        self._numbers[film.fingerprint] = number
        found = self._found.get((film.fingerprint, self.purpose.proposes), self._not_looked_yet)
        self.marking = Marking(str(self.path), film, self._not_looked_yet)
        self._take_up(self.marking)
        if not self._may_carry(self.marking):
            self.marking.proposal = found

    @property
    def _not_looked_yet(self) -> Proposal:
        if self.purpose.proposes:
            return STILL_LOOKING
        return TURN_NOT_KNOWN if self.purpose.turns else NOTHING_PROPOSED

    def prepare(self, number: int) -> None:
        """Load and search one of the next films; slow, and safe in another thread. What fails is told when it is
        opened.
        """
        if number not in self.coming:
            return
        try:
            film = self._shelf.film(number)
            self.purpose.prepare(film)
            if self._not_looked_yet is not NOTHING_PROPOSED:
                self._look_over(film, self.purpose.proposes)
        except Exception as error:
            LOG.debug("film %d was not prepared: %s", number, type(error).__name__)

    @property
    def coming(self) -> range:
        """Numbers of the films that are prepared."""
        return range(self.number + 1, min(self.number + 1 + self._ahead, len(self.paths)))

    def _film(self, number: int) -> Film:
        if not self._ahead:
            return self._load(self.paths[number])
        self._shelf.keep((number - 1, number, *self.coming))
        return self._shelf.film(number)

    def path_before(self, marking: Marking) -> Path | None:
        """File of the patient's film before, where it is at hand.

        That is the file given for it, or a film of this sitting that the logbook has as the one before.
        """
        if self._beside is not None or marking.before is None:
            return self._beside
        number = self._numbers.get(marking.before.fingerprint)
        return None if number is None else self.paths[number]

    def load_before(self, path: Path, today: Marking) -> Marking | str:
        """The film before with its marks, or why it is not shown; slow, and safe in another thread."""
        try:
            before = Marking(path.name, self._load(path))
            if before.film.identifiers.contradict(today.film.identifiers):
                return f"{path.name} is another patient's film by its header: it is not shown beside this one."
            earlier = self.purpose.earlier(before)
        except (ImagingError, LogbookError, MeasureError, OSError) as error:
            return str(error)
        except Exception as error:
            return _unforeseen(error, path)
        if earlier is not None:
            before.restore(*earlier)
        if not (before.landmarks.tip and before.landmarks.carina):
            before.proposal = self._look_over(before.film, True)
        return before

    def compare_with(self, before: Marking) -> None:
        """Hold the film that is open against the one that was given as the film before."""
        if self._beside is not None and self.marking is not None and before.reading.distance is not None:
            self.marking.compare_with(before.reading)

    def _take_up(self, marking: Marking) -> None:
        """Saved marks first, unsaved ones over them."""
        try:
            marking.follow(self.purpose.film_before(marking))
            earlier = self.purpose.earlier(marking)
        except (LogbookError, MeasureError, OSError) as error:
            earlier, self.notice = None, str(error)
        except (KeyError, TypeError, ValueError):
            earlier, self.notice = (
                None,
                "Your saved marks cannot be read; run lipmark log verify, and place them again.",
            )
        if earlier is not None:
            marking.restore(*earlier)
            marking.keep()
            self.notice = self.purpose.taken_up
        if self._drafts is None:
            return
        try:
            if self._drafts.restore(marking):
                self.notice = "Your unsaved marks of this film were taken up again."
        except DraftError as error:
            self.notice = str(error)
        self._count(marking)

    def look(self, marking: Marking) -> Proposal:
        """Look over a film, with the film before where it may help; slow, and safe in another thread."""
        found = self._look_over(marking.film, self.purpose.proposes)
        return self._with_film_before(found, marking) if self._may_carry(marking) else found

    def _may_carry(self, marking: Marking) -> bool:
        """Whether the film before may be at hand and its carina a hand's; quick."""
        if not self.purpose.proposes or self.path_before(marking) is None:
            return False
        return self._beside is not None or (marking.before is not None and carina_by_hand(marking.before.reading))

    def _with_film_before(self, found: Proposal, marking: Marking) -> Proposal:
        """What was found, the carina weighed with that of the film before."""
        try:
            earlier = self._earlier(marking)
        except (ImagingError, LogbookError, MeasureError, OSError) as error:
            LOG.debug("the film before was not carried from: %s", type(error).__name__)
            return not_carried(found, "it cannot be read")
        except Exception as error:
            tell_unforeseen(error)
            return not_carried(found, f"unforeseen {type(error).__name__}")
        if earlier is None:
            return found
        return self._search.carry(found, marking.film, earlier, self._wanted) or found

    def _earlier(self, marking: Marking) -> Earlier | None:
        path = self.path_before(marking)
        film = None if path is None else self._load(path)
        if film is None or film.fingerprint == marking.fingerprint:
            return None
        reading = self.purpose.reading_of(film)
        return Earlier.of(film, reading) if reading is not None and carina_by_hand(reading) else None

    def _look_over(self, film: Film, proposes: bool) -> Proposal:
        key = film.fingerprint, proposes
        if key not in self._found:
            look = self._search.find if proposes else self._search.how_it_lies
            found = look(film, self._wanted)
            if found is None:
                return NOTHING_PROPOSED
            self._found[key] = found
        return self._found[key]

    def _wanted(self) -> bool:
        """Whether somebody still waits for a search."""
        return not self._left

    def get_ready(self) -> None:
        """Let the search start, where there will be one."""
        if self._not_looked_yet is not NOTHING_PROPOSED:
            self._search.start()

    def leave(self) -> None:
        """Nobody waits for a search any more."""
        self._left = True

    def close(self) -> None:
        """Let the search go, once no thread is in it any more."""
        if self._owns_search:
            self._search.close()

    def keep_draft(self) -> None:
        """After every step: what is not saved goes to the disk."""
        if self.marking is None:
            return
        self._count(self.marking)
        if self._drafts is None:
            return
        try:
            self._drafts.write(self.marking)
        except OSError as error:
            self.notice = (
                f"The draft cannot be written ({error.strerror}): save soon, a crash would lose your marks."
            )

    def save(self) -> str:
        """Keep the marks for good.

        Raises
        ------
        NotSavedError
            Where that was not possible; the draft stays.
        """
        if self.marking is None:
            return self.trouble
        said = self.purpose.save(self.marking)
        self.marking.keep()
        self.keep_draft()
        return said

    def abandon(self) -> None:
        """Forget that anything is unsaved; drafts stay."""
        self._unsaved.clear()

    def _count(self, marking: Marking) -> None:
        (self._unsaved.add if marking.unsaved else self._unsaved.discard)(self.number)


def _unforeseen(error: Exception, path: Path) -> str:
    tell_unforeseen(error)
    return f"{path.name}: unforeseen {type(error).__name__}; start again with --verbose and report it."
