"""Points on a film: who placed them, and how sure they are.

Pixel (0, 0) is the centre of the first pixel of the upright film; rows grow downwards.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

from measure.errors import MeasureError


class Source(StrEnum):
    """Who placed a landmark."""

    HAND = "hand"
    PROPOSED = "proposed"


class Seen(StrEnum):
    """What a look over the whole film saw."""

    NOT_LOOKED = "not looked"
    TUBE = "endotracheal tube"
    NO_TUBE = "no tube"
    TRACHEOSTOMY = "tracheostomy tube"
    NO_FRONTAL_CHEST = "no upright frontal chest film"


@dataclass(frozen=True, slots=True)
class Landmark:
    """One point on the film.

    Parameters
    ----------
    row, column : float
        Position in pixels.
    sd_px : float
        Standard deviation along each axis, in pixels.
    confidence : float
        Probability that the point lies within 10 mm of the true place; 1 for a hand.
    note : str
        How it was found, where that limits its worth ("estimated from the air column").

    Raises
    ------
    MeasureError
        Where a number is not finite, the standard deviation negative or the confidence no probability.
    """

    row: float
    column: float
    sd_px: float
    source: Source = Source.HAND
    confidence: float = 1.0
    note: str = ""

    def __post_init__(self) -> None:
        finite = all(map(math.isfinite, (self.row, self.column, self.sd_px)))
        if not (finite and self.sd_px >= 0.0 and 0.0 <= self.confidence <= 1.0):
            raise MeasureError(
                f"landmark: row {self.row}, column {self.column}, sd {self.sd_px} px, confidence "
                f"{self.confidence} found; finite numbers, an sd of at least 0, a confidence of 0 to 1 expected."
            )


@dataclass(frozen=True, slots=True)
class KnownObject:
    """Two points on the film whose true distance is known, for instance the tube's outer walls."""

    start: Landmark
    end: Landmark
    length_mm: float
    length_sd_mm: float = 0.0


VERTEBRAE = ("C3", "C4", "C5", "C6", "C7", *(f"T{n}" for n in range(1, 13)), "L1")
"""Names of the vertebral bodies that can be marked, from the top down."""

POINTS_PER_MARK: dict[str, tuple[int, int | None]] = {
    "airway": (1, None),
    "arch": (1, 1),
    "cords": (1, 1),
    "cuff-lower": (1, 1),
    "cuff-upper": (1, 1),
    "cuff-walls": (2, 2),
    "mandible": (1, 1),
    "trachea-walls": (2, 2),
    "tube-walls": (2, 2),
    **dict.fromkeys(VERTEBRAE, (1, 1)),
}
"""Names by which a hand marks what else there is, and how few and how many points each has."""

Point = tuple[float, float]
Mark = tuple[str, tuple[Point, ...]]
"""A name of `POINTS_PER_MARK` and its points."""


@dataclass(frozen=True, slots=True)
class Landmarks:
    """Everything marked on one film; None or empty where not marked.

    Parameters
    ----------
    tip : Landmark
        Most distal point of the tube.
    carina : Landmark
        The fork of the trachea.
    airway_path : tuple of Landmark
        Points along the tracheal midline between the two, top down.
    tube_line : tuple of Landmark
        Points along the tube's radio-opaque line above the tip, top down: which line was followed.
    cords : Landmark
        Level of the vocal cords.
    tracheal_walls, cuff_walls, tube_walls : pair of Landmark
        Left and right border of the air column, the inflated cuff, the tube, across the same level.
    cuff_upper, cuff_lower : Landmark
        Upper and lower edge of the cuff.
    mandible : Landmark
        Lower border of the mandible.
    aortic_arch : Landmark
        The arch's most lateral point.
    vertebrae : mapping of str to Landmark
        Centres of vertebral bodies by name (`VERTEBRAE`).
    known_object : KnownObject
        Two points of known distance, for the spacing.
    """

    tip: Landmark | None = None
    carina: Landmark | None = None
    airway_path: tuple[Landmark, ...] = ()
    tube_line: tuple[Landmark, ...] = ()
    cords: Landmark | None = None
    tracheal_walls: tuple[Landmark, Landmark] | None = None
    cuff_walls: tuple[Landmark, Landmark] | None = None
    tube_walls: tuple[Landmark, Landmark] | None = None
    cuff_upper: Landmark | None = None
    cuff_lower: Landmark | None = None
    mandible: Landmark | None = None
    aortic_arch: Landmark | None = None
    vertebrae: Mapping[str, Landmark] = field(default_factory=dict)
    known_object: KnownObject | None = None


CLEAR_SD_MM = MappingProxyType({"tip": 1.4, "carina": 2.4})
"""Standard deviation along each axis of a hand's mark on a point that is seen without doubt, in mm on the film.

From 33 tips and 20 carinas marked twice, blind, on enlarged open films (docs/measurement.md): the mean distance
between two readings, 2.5 and 4.2 mm, is 1.77 standard deviations where both readers err alike in both axes. """

READERS_DIFFER_MM = 7.0
"""Mean difference of two radiologists in the distance from tip to carina, over films of every quality.

Source: J Digit Imaging 2021;34:846-852 (seen)."""

MEAN_DIFFERENCE_PER_SD = 2.0 / math.sqrt(math.pi)
"""Mean absolute difference of two normal values of one spread, in standard deviations: 1.13."""


def _widening() -> float:
    """How much wider than a clear mark a routine one is: midway, in variance, between the two findings above
    (ours).
    """
    clear = math.hypot(*CLEAR_SD_MM.values())
    published = READERS_DIFFER_MM / MEAN_DIFFERENCE_PER_SD
    return math.sqrt((1.0 + (published / clear) ** 2) / 2.0)


HAND_SD_MM = MappingProxyType({name: sd * _widening() for name, sd in CLEAR_SD_MM.items()})
"""The same of any other mark: 2.4 mm at the tip, 4.1 mm at the carina, so that a distance has 4.8 mm."""

TUBE_WALL_HAND_SD_MM = 0.5
"""Of a wall of the tube, across the tube: an edge is met more surely than a point; ours, not measured."""


def hand_sd_px(name: str, mm_per_px: float, *, clear: bool = False, body_share: float = 1.0) -> float:
    """Standard deviation in pixels of a hand-placed mark.

    Parameters
    ----------
    name : str
        Of the landmark; for those not in the table the carina's holds (ours).
    mm_per_px : float
        Size of a pixel.
    clear : bool
        The point was seen without doubt.
    body_share : float
        The patient's airway as a share of an adult's: a small child's film is read enlarged, so that the hand errs
        less in proportion (ours).
    """
    table = CLEAR_SD_MM if clear else HAND_SD_MM
    sd_mm = TUBE_WALL_HAND_SD_MM if name == "tube-walls" else table.get(name, table["carina"]) * body_share
    return sd_mm / mm_per_px
