"""Films are looked over in a process that is watched: none can take the window with it."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from logging import DEBUG
from operator import call

from annotate.films.supervisor import DEADLINE_S, Lost, Supervisor
from annotate.messages import LOG, tell
from imaging.carrying import Earlier, not_carried, with_carried_carina
from imaging.film import Film
from imaging.propose import Proposal, propose, quarter_turns
from measure.landmarks import Landmarks


class Search:
    """One process that looks over films, one after the other; of use in one thread at a time.

    Parameters
    ----------
    work : callable
        How tip and carina are looked for; a function of a module, since it is sent to the process.
    deadline_s : float
        Longest time for a film.
    """

    def __init__(self, work: Callable[[Film], Proposal] = propose, deadline_s: float = DEADLINE_S) -> None:
        self._work = work
        self._watched = Supervisor[Callable[[], Proposal], Proposal](
            call, 1, deadline_s=deadline_s, begin=partial(_get_ready, LOG.isEnabledFor(DEBUG))
        )

    def start(self) -> None:
        """Let the process get ready, without waiting for it."""
        self._watched.start()

    def find(self, film: Film, wanted: Callable[[], bool]) -> Proposal | None:
        """What is found on a film; where the film ends the process or hangs it, that is the reason.

        Parameters
        ----------
        film : Film
        wanted : callable
            Whether somebody still waits; asked again and again.

        Returns
        -------
        Proposal or None
            None where nobody waits any more.
        """
        found = self._watched.result(partial(self._work, film), wanted)
        if not isinstance(found, Lost):
            return found
        return _nothing(f"Nothing could be proposed: the film {found.reason}. Place both points by hand.")

    def carry(self, found: Proposal, film: Film, earlier: Earlier, wanted: Callable[[], bool]) -> Proposal | None:
        """What was found, with the carina of the film before weighed in, or why it was not; see `find`."""
        weighed = self._watched.result(partial(with_carried_carina, found, film, earlier), wanted)
        return not_carried(found, f"it {weighed.reason}") if isinstance(weighed, Lost) else weighed

    def how_it_lies(self, film: Film, wanted: Callable[[], bool]) -> Proposal | None:
        """The turn that brings a film upright, and nothing else; see `find`."""
        found = self._watched.result(partial(_turn_alone, film), wanted)
        if not isinstance(found, Lost):
            return found
        return _nothing(f"How the film lies could not be told: it {found.reason}.")

    def close(self) -> None:
        """End the process, whatever it is doing."""
        self._watched.close()


def _nothing(reason: str) -> Proposal:
    return Proposal(Landmarks(), (reason,))


def _turn_alone(film: Film) -> Proposal:
    return Proposal(Landmarks(), quarter_turns=quarter_turns(film))


def _get_ready(verbose: bool) -> None:
    """Load the networks before there is a film."""
    tell(verbose)
    from imaging.network.members import load_members

    load_members()
