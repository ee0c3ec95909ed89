"""All that is known about one film and its patient, before it is measured."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace

from measure.accepted_range import DEFAULT_RANGE, RANGE_NAMES, AcceptedRange
from measure.anatomy import size_group
from measure.cuff import CuffPressure
from measure.distance import film_per_measured
from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.follow_up import PreviousFilm
from measure.insertion_depth import Route
from measure.landmarks import ABSENT, VERTEBRAE, Landmarks, Seen
from measure.magnification import Magnification, View, plausible
from measure.patient import AgeGroup, Patient
from measure.posture import NeckPosture
from measure.spacing import Spacing
from measure.tube import Tube
from measure.turning import turned_aspect, turned_landmarks, turned_shape, turned_spacing

LIP_MARK_LIMITS_CM = (1.0, 40.0)
"""Marks printed on tubes (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bedside:
    """What is known of a patient and a tube besides the film.

    Parameters
    ----------
    view : View
        Direction of the beam.
    patient : Patient
        Age, sex, height.
    tube : Tube
        Kind, size, outside diameter, cuff.
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

    Raises
    ------
    MeasureError
        Where the lip mark is on no tube, the mandible over no vertebra, or no range has the name.
    """

    view: View = View.UNKNOWN
    patient: Patient = field(default_factory=Patient)
    tube: Tube = field(default_factory=Tube)
    lip_mark_cm: float | None = None
    route: Route = Route.ORAL
    posture: NeckPosture = NeckPosture.UNKNOWN
    mandible: str = ""
    cuff_pressure: CuffPressure | None = None
    accepted_range: str | AcceptedRange = DEFAULT_RANGE
    previous: PreviousFilm | None = None
    weight_kg: float | None = None

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
        if not isinstance(self.accepted_range, AcceptedRange) and self.accepted_range not in RANGE_NAMES:
            raise MeasureError(
                f"accepted range: {self.accepted_range!r} found, one of {', '.join(RANGE_NAMES)} expected, or "
                "limits of your own."
            )


@dataclass(frozen=True, slots=True)
class Case(Bedside):
    """One film, marked, with all that is known: what `assess` judges.

    Parameters
    ----------
    film : str
        Name for the Reading.
    landmarks : Landmarks
        Marked or proposed points.
    spacing : Spacing or None
        None where the film proves none.
    magnification : Magnification
        At the trachea.
    centre_row : float or None
        Row of the film's centre, where the central ray is taken to pass.
    shape : (int, int) or None
        Rows and columns of the film, for a rough scale.
    pixel_aspect : float
        Row spacing over column spacing, for the same.
    seen : Seen
        What a look over the whole film saw.
    notes : tuple of str
        What the film's loading and the proposals have to say; they become cautions.
    quarter_turns : int
        Counter-clockwise, as `numpy.rot90` counts them, that bring the film upright: 0 to 3. Landmarks, spacing,
        shape and aspect are those of the film as it lies.

    Raises
    ------
    MeasureError
        Where a turned film has no shape.
    """

    film: str
    landmarks: Landmarks = field(default_factory=Landmarks)
    spacing: Spacing | None = None
    magnification: Magnification = field(default_factory=lambda: plausible(View.UNKNOWN))
    centre_row: float | None = None
    shape: tuple[int, int] | None = None
    pixel_aspect: float = 1.0
    seen: Seen = Seen.NOT_LOOKED
    notes: tuple[str, ...] = ()
    quarter_turns: int = 0

    def __post_init__(self) -> None:
        Bedside.__post_init__(self)
        if self.quarter_turns not in range(4) or (self.quarter_turns and self.shape is None):
            raise MeasureError(
                f"film: {self.quarter_turns} quarter turns of a film of shape {self.shape} found; 0 to 3 of one "
                "with rows and columns expected."
            )

    @classmethod
    def of(
        cls,
        known: Bedside,
        film: str,
        landmarks: Landmarks,
        spacing: Spacing | None,
        magnification: Magnification,
        *,
        view: View,
        patient: Patient,
        centre_row: float | None = None,
        shape: tuple[int, int] | None = None,
        pixel_aspect: float = 1.0,
        seen: Seen = Seen.NOT_LOOKED,
        notes: tuple[str, ...] = (),
        quarter_turns: int = 0,
    ) -> Case:
        """The case of one film, with what was known before; the film's own view and patient take their place."""
        before = {item.name: getattr(known, item.name) for item in fields(Bedside)}
        return cls(
            film,
            landmarks,
            spacing,
            magnification,
            centre_row,
            shape,
            pixel_aspect,
            seen,
            notes,
            quarter_turns,
            **before | {"view": view, "patient": patient},
        )

    def upright(self) -> Case:
        """The same film as it would lie upright; itself where it does."""
        if not self.quarter_turns or self.shape is None:
            return self
        shape = turned_shape(self.shape, self.quarter_turns)
        return replace(
            self,
            landmarks=turned_landmarks(self.landmarks, self.shape, self.quarter_turns),
            spacing=None if self.spacing is None else turned_spacing(self.spacing, self.quarter_turns),
            centre_row=None if self.centre_row is None else (shape[0] - 1) / 2.0,
            shape=shape,
            pixel_aspect=turned_aspect(self.pixel_aspect, self.quarter_turns),
            quarter_turns=0,
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
