"""What a hand has done to the landmarks of one film, and how to take it back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Generic, TypeVar

from measure.landmarks import AIRWAY as AIRWAY
from measure.landmarks import CARINA as CARINA
from measure.landmarks import EARLIER_NAMES, KINDS, POINTS_PER_MARK, Mark, Point
from measure.landmarks import KNOWN_OBJECT as KNOWN_OBJECT
from measure.landmarks import TIP as TIP

POINTS: Mapping[str, tuple[int, int | None]] = MappingProxyType(
    {name: (kind.fewest, kind.most) for name, kind in KINDS.items()}
)
"""Everything that can be marked, with the fewest and the most points it takes."""

WORDS: Mapping[str, str] = MappingProxyType({name: kind.words for name, kind in KINDS.items()})
"""As people say it."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Marks:
    """The hand's marks; everything else is as proposed.

    Parameters
    ----------
    placed : mapping of str to points
        Row and column of each point by the landmark's name; a landmark of two may still wait for its second.
    withheld : frozenset of str
        Proposals that were taken away.
    not_visible : frozenset of str
        Landmarks that the reader looked for and cannot see.
    """

    placed: Mapping[str, tuple[Point, ...]] = field(default_factory=dict)
    withheld: frozenset[str] = frozenset()
    not_visible: frozenset[str] = frozenset()

    def put(self, name: str, index: int, at: Point) -> Marks:
        """The same with one point placed or moved; an index past the last adds a point."""
        points = list(self.placed.get(name, ()))
        points[index : index + 1] = [at]
        return self.put_all(name, tuple(points))

    def put_all(self, name: str, points: tuple[Point, ...]) -> Marks:
        """The same with all points of a landmark placed."""
        return Marks(
            {**self.placed, name: points},
            self.withheld - {name},
            self.not_visible - {name},
        )

    def without(self, name: str) -> Marks:
        """The same with a landmark taken away, whoever placed it."""
        placed = {other: points for other, points in self.placed.items() if other != name}
        return Marks(placed, self.withheld | {name}, self.not_visible - {name})

    def called_not_visible(self, name: str) -> Marks:
        """The same with a landmark that cannot be seen."""
        gone = self.without(name)
        return replace(gone, withheld=gone.withheld - {name}, not_visible=gone.not_visible | {name})

    def hides(self, name: str) -> bool:
        """Whether the proposal of a landmark is not wanted."""
        return name in self.withheld or name in self.not_visible

    def complete(self) -> dict[str, tuple[Point, ...]]:
        """Landmarks with all the points they need."""
        return {name: points for name, points in self.placed.items() if len(points) >= POINTS[name][0]}

    def optional(self) -> tuple[Mark, ...]:
        """What `--mark` would take: the complete ones but for tip, carina and known object, in fixed order."""
        complete = self.complete()
        return tuple((name, complete[name]) for name in POINTS_PER_MARK if name in complete)

    def to_dict(self) -> dict[str, object]:
        """For a file; floats read back exactly."""
        return {
            "placed": {name: [list(at) for at in points] for name, points in self.placed.items()},
            "withheld": sorted(self.withheld),
            "not_visible": sorted(self.not_visible),
        }

    @classmethod
    def from_dict(cls, plain: Mapping[str, object]) -> Marks:
        """Read back what `to_dict` wrote.

        Raises
        ------
        KeyError, TypeError, ValueError
            Where it is something else.
        """
        placed, withheld, not_visible = plain["placed"], plain["withheld"], plain["not_visible"]
        if not (isinstance(placed, Mapping) and isinstance(withheld, list) and isinstance(not_visible, list)):
            raise TypeError("no marks")
        return cls(
            {
                _today(name): tuple((float(row), float(column)) for row, column in ats)
                for name, ats in placed.items()
            },
            frozenset(map(_today, withheld)),
            frozenset(map(_today, not_visible)),
        )


def _today(name: object) -> str:
    """A name of an earlier draft as it is spelled today."""
    return EARLIER_NAMES.get(str(name), str(name))


class History(Generic[T]):
    """A value that changes, and the way back."""

    def __init__(self, now: T) -> None:
        self.now = now
        self._before: list[T] = []
        self._after: list[T] = []

    def change(self, to: T) -> bool:
        """Take a step that can be undone; False where nothing changes."""
        if to == self.now:
            return False
        self._before.append(self.now)
        self._after.clear()
        self.now = to
        return True

    def undo(self) -> bool:
        """One step back; False at the beginning."""
        return self._step(self._before, self._after)

    def redo(self) -> bool:
        """One step forth again; False at the end."""
        return self._step(self._after, self._before)

    def _step(self, source: list[T], target: list[T]) -> bool:
        if not source:
            return False
        target.append(self.now)
        self.now = source.pop()
        return True
