"""Everything that is said about one film, with every input that led to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from measure.accepted_range import AcceptedRange
from measure.advice import Adjustment, NoAction
from measure.cuff import CuffFlag, WidthCheck
from measure.estimate import Estimate
from measure.follow_up import Change
from measure.insertion_depth import Route
from measure.landmarks import Landmarks
from measure.magnification import Magnification, View
from measure.patient import Patient
from measure.posture import NeckPosture
from measure.row import Cell, flat
from measure.spacing import Spacing
from measure.tube import Tube
from measure.verdict import Chances, OpenLimit, Verdict

SCHEMA_VERSION = "2.0"
"""Version of docs/reading.schema.json; a new minor adds keys, a new major changes or drops them."""

EARLIER_VERSION = "1.0"
"""Logbooks hold such Readings: distance and inputs come back, but not what was judged by another rule."""

DECIMALS = 4

Plain = None | bool | int | float | str | list["Plain"] | dict[str, "Plain"]


@dataclass(frozen=True, slots=True)
class Distance:
    """Tip above carina in cm, on the film and in the patient; negative below the carina.

    `on_film` and `in_patient` run along the tracheal axis, `aside_on_film` across it.
    """

    on_film: Estimate
    in_patient: Estimate
    straight_on_film: Estimate
    straight_in_patient: Estimate
    vertical_on_film: Estimate
    vertical_in_patient: Estimate
    aside_on_film: Estimate
    follows_path: bool


@dataclass(frozen=True, slots=True)
class DepthCheck:
    """The lip mark against one published insertion depth.

    Parameters
    ----------
    formula, wording, source : str
        Which, as one writes it, and where published.
    depth_cm : float
        Depth for this patient at the target of this Reading, or as published where the formula states no aim.
    published_aim_cm, brought_to_cm : float or None
        Height above the carina that the formula was made for, and that `depth_cm` aims at, in the patient.
    lip_mark_minus_depth_cm : float or None
        Positive where the tube is deeper than the formula says.
    """

    formula: str
    wording: str
    source: str
    depth_cm: float
    published_aim_cm: float | None
    brought_to_cm: float | None
    lip_mark_minus_depth_cm: float | None


@dataclass(frozen=True, slots=True)
class CuffChecks:
    """Cuff pressure, cuff width and tube width against their limits; None where not known or not remarkable."""

    pressure: CuffFlag | None = None
    cuff_over_trachea: WidthCheck | None = None
    tube_over_trachea: WidthCheck | None = None

    @property
    def flags(self) -> tuple[CuffFlag, ...]:
        """Everything remarkable."""
        widths = (self.cuff_over_trachea, self.tube_over_trachea)
        return tuple(flag for flag in (self.pressure, *(w.flag for w in widths if w)) if flag)


@dataclass(frozen=True, slots=True)
class Inputs:
    """What the Reading was made from."""

    spacing: Spacing | None
    magnification: Magnification
    foreshortening: Estimate
    film_per_patient: Estimate
    view: View
    patient: Patient
    age_group_assumed: bool
    neck_posture: NeckPosture
    neck_posture_source: str
    neck_flexed: float
    neck_extended: float
    lip_mark_cm: float | None
    route: Route
    tube: Tube
    cuff_pressure_cmh2o: float | None
    quarter_turns: int = 0
    """Counter-clockwise, that bring the film upright; points and spacing are told on the film as it lies."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One film's answer.

    Parameters
    ----------
    film : str
        The film's name as given.
    landmarks : Landmarks
        All that was marked or proposed.
    verdict : Verdict
        The answer.
    reason : str
        One sentence: why this verdict.
    distance : Distance or None
        None where a point or the spacing is missing.
    probabilities : Chances or None
        How surely; what the verdict was taken on.
    open_limits : tuple of OpenLimit
        Limits on which neither side is sure.
    settles : tuple of str
        What would sharpen an open answer.
    accepted_range, adjustment
        The rule, and the move at the lip.
    no_action_because : NoAction or None
        Why there is no adjustment; the reason names all that is missing, this the first.
    insertion_depth, change, cuff
        Cross-checks.
    inputs : Inputs or None
        None where the film could not be read.
    cautions : tuple of str
        To be shown with the answer.
    error : str or None
        Why the film could not be read.
    """

    film: str
    verdict: Verdict
    reason: str
    landmarks: Landmarks = field(default_factory=Landmarks)
    distance: Distance | None = None
    probabilities: Chances | None = None
    open_limits: tuple[OpenLimit, ...] = ()
    settles: tuple[str, ...] = ()
    accepted_range: AcceptedRange | None = None
    adjustment: Adjustment | None = None
    no_action_because: NoAction | None = None
    insertion_depth: tuple[DepthCheck, ...] = ()
    change: Change | None = None
    cuff: CuffChecks | None = None
    inputs: Inputs | None = None
    cautions: tuple[str, ...] = ()
    error: str | None = None

    def to_dict(self) -> dict[str, Plain]:
        """The JSON object of docs/reading.md, in a fixed order, rounded to `DECIMALS`."""
        from measure.plain import reading_to_plain

        return reading_to_plain(self)

    @classmethod
    def from_dict(cls, plain: Mapping[str, object]) -> Reading:
        """The Reading that `to_dict` has written, to `DECIMALS`; of schema 1.0 without what it judged.

        Raises
        ------
        MeasureError
            Where it is no Reading, or one of a version that is not known.
        """
        from measure.plain import reading_from_plain

        return reading_from_plain(plain)

    def row(self) -> dict[str, Cell]:
        """One flat row for CSV, Parquet and the logbook's exports: the columns of `measure.row`."""
        return flat(self.to_dict())


def unreadable(film: str, error: str) -> Reading:
    """The answer for a film that could not be read: the reason, and no number."""
    return Reading(
        film,
        Verdict.CANNOT_SAY,
        "The film could not be read.",
        no_action_because=NoAction.NOT_READABLE,
        error=error,
    )
