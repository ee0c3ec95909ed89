"""Points on a film: who placed them, and how sure they are.

Pixel (0, 0) is the centre of the first pixel of the upright film; rows grow downwards.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import StrEnum
from types import MappingProxyType

from measure.errors import MeasureError
from measure.estimate import Estimate


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
    other : Landmark or None
        A second place that the same look holds possible, its confidence being its probability.

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
    other: Landmark | None = None

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

    def __post_init__(self) -> None:
        if not (0.0 < self.length_mm < math.inf and 0.0 <= self.length_sd_mm < math.inf):
            raise MeasureError(
                f"known object: {self.length_mm:g} mm long, standard deviation {self.length_sd_mm:g} mm found; "
                "a length above zero expected."
            )


VERTEBRAE = ("C3", "C4", "C5", "C6", "C7", *(f"T{n}" for n in range(1, 13)), "L1")

ABSENT = "absent"
"""Said of the mandible's level: it is not on the film."""
"""Names of the vertebral bodies that can be marked, from the top down."""


@dataclass(frozen=True, slots=True)
class SpineSeen:
    """What was found of spine and jaw without a hand; it never takes the place of a mark.

    Parameters
    ----------
    pitch_rows : Estimate or None
        A vertebral body with its disc at the carina's level, in rows of the upright film.
    vertebrae : mapping of str to Landmark
        Middles of vertebral bodies by name; their confidence is that of the name.
    mandible : Landmark or None
        Lower border of the mandible.
    mandible_level : Estimate or None
        The level that it lies over, as a place in `VERTEBRAE`.
    mandible_absent : float
        Probability that the film reaches C7 and shows no mandible.

    Raises
    ------
    MeasureError
        Where the pitch is not positive, or the probability none.
    """

    pitch_rows: Estimate | None = None
    vertebrae: Mapping[str, Landmark] = field(default_factory=dict)
    mandible: Landmark | None = None
    mandible_level: Estimate | None = None
    mandible_absent: float = 0.0

    def __post_init__(self) -> None:
        pitch = self.pitch_rows
        if not 0.0 <= self.mandible_absent <= 1.0 or (pitch is not None and not 0.0 < pitch.value < math.inf):
            raise MeasureError(
                f"spine: pitch {pitch} and probability {self.mandible_absent} found; a pitch above zero and a "
                "probability expected."
            )


TIP, CARINA, AIRWAY, KNOWN_OBJECT = "tip", "carina", "airway-path", "known-object"


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of landmark: everything that commands, window, drawing and files need to know of it.

    Parameters
    ----------
    name : str
        As `--mark`, drafts and tests spell it; the field of `Landmarks` is spelled the same, with underscores.
    words : str
        As people say it.
    fewest, most : int, int or None
        How many points it has; None for no limit.
    serves : str
        What a Reading uses it for.
    """

    name: str
    words: str
    serves: str
    fewest: int = 1
    most: int | None = 1

    @property
    def field(self) -> str:
        """Of `Landmarks`; all vertebrae share one."""
        return "vertebrae" if self.name in VERTEBRAE else self.name.replace("-", "_")


KINDS: Mapping[str, Kind] = MappingProxyType(
    {
        kind.name: kind
        for kind in (
            Kind(TIP, "tube tip", "distance"),
            Kind(CARINA, "carina", "distance"),
            Kind(AIRWAY, "airway path", "distance along the airway", 1, None),
            Kind("aortic-arch", "aortic arch", "picture"),
            Kind("cords", "vocal cords", "cuff at the cords"),
            Kind("cuff-lower", "lower edge of the cuff", "picture"),
            Kind("cuff-upper", "upper edge of the cuff", "cuff at the cords"),
            Kind("cuff-walls", "cuff, both sides", "cuff against trachea", 2, 2),
            Kind("mandible", "lower border of the mandible", "posture"),
            Kind("tracheal-walls", "tracheal walls", "cuff against trachea, rough scale", 2, 2),
            Kind("tube-walls", "tube, both sides", "spacing from the tube's size", 2, 2),
            *(Kind(name, f"vertebra {name}", "posture, rough scale") for name in VERTEBRAE),
            Kind(KNOWN_OBJECT, "object of known length", "spacing", 2, 2),
        )
    }
)
"""The one table of landmarks. A landmark more is a row here, a field of `Landmarks`, and its use in a Reading."""

EARLIER_NAMES = MappingProxyType({"airway": AIRWAY, "arch": "aortic-arch", "trachea-walls": "tracheal-walls"})
"""Spellings of before, understood in commands and drafts for one version more."""

POINTS_PER_MARK: Mapping[str, tuple[int, int | None]] = MappingProxyType(
    {name: (kind.fewest, kind.most) for name, kind in KINDS.items() if name not in (TIP, CARINA, KNOWN_OBJECT)}
)
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
    spine : SpineSeen
        Spine and jaw as far as the program sees them.
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
    spine: SpineSeen | None = None

    def __post_init__(self) -> None:
        strange = sorted(set(self.vertebrae) - set(VERTEBRAE))
        if strange:
            wanted = f"{VERTEBRAE[0]} to {VERTEBRAE[-1]}"
            raise MeasureError(f"{', '.join(strange)} marked, vertebrae from {wanted} expected.")
        object.__setattr__(self, "vertebrae", MappingProxyType(dict(self.vertebrae)))

    def __reduce__(self) -> tuple[type[Landmarks], tuple[object, ...]]:
        """For pickling: a mapping that cannot be changed travels as one that can."""
        held = {item.name: getattr(self, item.name) for item in fields(self)}
        return Landmarks, tuple((held | {"vertebrae": dict(self.vertebrae)}).values())

    @classmethod
    def placed(
        cls, marks: Mapping[str, tuple[Landmark, ...]], known_object: KnownObject | None = None
    ) -> Landmarks:
        """From the points of each kind by its name (`KINDS`); an airway path is put in order, top down.

        Raises
        ------
        MeasureError
            Where a name is no landmark's, or a kind has too few or too many points.
        """
        held: dict[str, object] = {"known_object": known_object}
        vertebrae: dict[str, Landmark] = {}
        for name, points in marks.items():
            kind = _kind(name, len(points))
            if kind.field == "vertebrae":
                vertebrae[name] = points[0]
            elif kind.most == 1:
                held[kind.field] = points[0]
            else:
                held[kind.field] = tuple(sorted(points, key=_row)) if kind.most is None else points
        return cls(**held, vertebrae=vertebrae)  # type: ignore[arg-type]


def _row(mark: Landmark) -> float:
    return mark.row


def _kind(name: str, points: int) -> Kind:
    kind = KINDS.get(name)
    if kind is None or name == KNOWN_OBJECT:
        raise MeasureError(f"landmark: {name!r} found, one of {', '.join(KINDS)} expected.")
    if points < kind.fewest or (kind.most is not None and points > kind.most):
        wanted = str(kind.fewest) if kind.most == kind.fewest else f"{kind.fewest} or more"
        raise MeasureError(f"{name}: {points} points found, {wanted} expected.")
    return kind


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
