"""Which films come again, when, and why: a film that was not solved returns at growing intervals."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from annotate.practice.record import Record
from annotate.practice.task import FilmSpec
from annotate.practice.teaching import Mistake

INTERVALS_DAYS = (1, 3, 7, 21)
"""Days until a film comes again: the first after it was not solved, one further on each time it is solved, and
after the last no more. Boxes with growing intervals after Leitner S. So lernt man lernen, 1972 (memory); the days
are ours."""


@dataclass(frozen=True, slots=True)
class Repeat:
    """A film to be shown again.

    Parameters
    ----------
    spec : FilmSpec
    film : str
    due : datetime
    mistake : Mistake
        What went wrong the last time that it was not solved.
    missed, solved_since : int
        Times that it was not solved, and solved since the last of them.
    """

    spec: FilmSpec
    film: str
    due: datetime
    mistake: Mistake
    missed: int
    solved_since: int

    @property
    def why(self) -> str:
        """In words."""
        times = "once" if self.missed == 1 else f"{self.missed} times"
        since = f", solved {self.solved_since} of {len(INTERVALS_DAYS)} times since" if self.solved_since else ""
        return f"not solved {times}: {self.mistake.value}{since}"


def repeats(records: Sequence[Record]) -> tuple[Repeat, ...]:
    """Films that come again, the earliest due first.

    Parameters
    ----------
    records : sequence of Record
        All that were kept of one trainee, in their order; films from folders cannot be made again and are left
        out.
    """
    by_film: defaultdict[str, list[Record]] = defaultdict(list)
    for record in records:
        by_film[record.film].append(record)
    found = (_repeat(tries) for tries in by_film.values())
    return tuple(sorted((item for item in found if item is not None), key=lambda item: (item.due, item.film)))


def due(records: Sequence[Record], now: datetime, most: int) -> tuple[FilmSpec, ...]:
    """Films to show again now, at most so many."""
    return tuple(item.spec for item in repeats(records) if item.due <= now)[:most]


def _repeat(tries: Sequence[Record]) -> Repeat | None:
    missed = [index for index, record in enumerate(tries) if not record.solved]
    last = tries[-1]
    if not missed or last.spec is None or last.time is None:
        return None
    solved_since = len(tries) - 1 - missed[-1]
    if solved_since >= len(INTERVALS_DAYS):
        return None
    return Repeat(
        last.spec,
        last.film,
        last.time + timedelta(days=INTERVALS_DAYS[solved_since]),
        tries[missed[-1]].mistake,
        len(missed),
        solved_since,
    )
