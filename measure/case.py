"""All that is known about one film and its patient, before it is measured."""

from __future__ import annotations

from dataclasses import dataclass, field

from measure.accepted_range import DEFAULT_RANGE, AcceptedRange
from measure.anatomy import size_group
from measure.cuff import CuffPressure
from measure.distance import film_per_measured
from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.follow_up import PreviousFilm
from measure.insertion_depth import Route
from measure.landmarks import VERTEBRAE, Landmarks, Seen
from measure.magnification import Magnification, View, plausible
from measure.patient import AgeGroup, Patient
from measure.posture import NeckPosture
from measure.spacing import Spacing
from measure.tube import Tube

LIP_MARK_LIMITS_CM = (1.0, 40.0)
"""Marks printed on tubes (common practice)."""

ABSENT = "absent"
"""The mandible is not on the film."""


@dataclass(frozen=True, slots=True)
class Case:
    """All that is known about one film and its patient.

    Parameters
    ----------
    film : str
        Name for the Reading.
    landmarks : Landmarks
        Marked or proposed points.
    spacing : Spacing or None
        None where the film proves none.
    magnification, view : Magnification, View
        At the trachea, and the beam's direction.
    centre_row : float or None
        Row of the film's centre, where the central ray is taken to pass.
    patient : Patient
        Age, sex, height.
    tube : Tube
        Size, outside diameter, cuff.
    lip_mark_cm : float or None
        Centimetre mark at the lip when the film was taken.
    route : Route
        Through the mouth or the nose.
    posture : NeckPosture
        Where unknown, it is read from the mandible if that is told or marked.
    mandible : str
        The vertebra that the mandible's lower border lies over, or `ABSENT`; empty where not told.
    cuff_pressure : CuffPressure or None
        As measured.
    accepted_range : str or AcceptedRange
        A published range by name, or the user's own.
    previous : PreviousFilm or None
        The earlier Reading of the same tube.
    weight_kg : float or None
        For the neonate's depth formula.
    notes : tuple of str
        What the film's loading and the proposals have to say; they become cautions.
    seen : Seen
        What a look over the whole film saw.
    shape : (int, int) or None
        Rows and columns of the film, for a rough scale.
    pixel_aspect : float
        Row spacing over column spacing, for the same.

    Raises
    ------
    MeasureError
        Where the lip mark is on no tube, or the mandible over no vertebra.
    """

    film: str
    landmarks: Landmarks = field(default_factory=Landmarks)
    spacing: Spacing | None = None
    magnification: Magnification = field(default_factory=lambda: plausible(View.UNKNOWN))
    view: View = View.UNKNOWN
    centre_row: float | None = None
    patient: Patient = field(default_factory=Patient)
    tube: Tube = field(default_factory=Tube)
    lip_mark_cm: float | None = None
    route: Route = Route.ORAL
    posture: NeckPosture = NeckPosture.UNKNOWN
    cuff_pressure: CuffPressure | None = None
    accepted_range: str | AcceptedRange = DEFAULT_RANGE
    previous: PreviousFilm | None = None
    weight_kg: float | None = None
    notes: tuple[str, ...] = ()
    mandible: str = ""
    seen: Seen = Seen.NOT_LOOKED
    shape: tuple[int, int] | None = None
    pixel_aspect: float = 1.0

    def __post_init__(self) -> None:
        low, high = LIP_MARK_LIMITS_CM
        if self.lip_mark_cm is not None and not low <= self.lip_mark_cm <= high:
            raise MeasureError(
                f"lip mark: {self.lip_mark_cm:g} cm found, {low:g} to {high:g} cm expected; read it again."
            )
        if self.mandible not in ("", ABSENT, *VERTEBRAE):
            raise MeasureError(
                f"mandible: {self.mandible!r} found, a vertebra from {VERTEBRAE[0]} to {VERTEBRAE[-1]} or "
                f"{ABSENT!r} expected."
            )

    @property
    def grown(self) -> bool:
        """Whether adults' tables hold: also where the age is not known."""
        return size_group(self.patient) in (AgeGroup.ADULT, None)

    @property
    def newborn(self) -> bool:
        """Whether the accepted range is a vertebral level."""
        return size_group(self.patient) is AgeGroup.NEONATE

    @property
    def mm_per_row_on_film(self) -> Estimate | None:
        """What a row is worth on the detector; None without a spacing."""
        if self.spacing is None:
            return None
        row = Estimate(self.spacing.row_mm, self.spacing.row_mm * self.spacing.relative_sd)
        return row.times(film_per_measured(self.spacing.plane, self.magnification))
