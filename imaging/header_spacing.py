"""Spacing and magnification from a DICOM header, each with its provenance (PS3.3 10.7)."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from imaging.header import decimal, decimals, shown, text
from measure.errors import MeasureError
from measure.estimate import uniform
from measure.magnification import LARGEST_BELIEVABLE, Magnification, View, from_distances, from_factor, plausible
from measure.spacing import Plane, Spacing, SpacingSource

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

RELATIVE_SD = MappingProxyType(
    {
        "detector": 0.005,
        "scanned": 0.01,
        "geometry": 0.03,
        "fiducial": 0.03,
        "untyped": 0.05,
        "unknown": 0.01,
        "user": 0.005,
        "resolution": 0.05,
    }
)
"""Standard deviation of a spacing as a share of it, by its origin; all of them ours.

A detector's pitch is a matter of manufacture (0.5 %), a film scanner's of mechanics (1 %). GEOMETRY rests on
an assumed depth: 3 cm in 100 to 180. FIDUCIAL rests on two marks and on the object lying at the depth that
is measured: taken alike. A corrected spacing that names no method gets more, a resolution tag as much.
"""

CALIBRATIONS = ("GEOMETRY", "FIDUCIAL")
"""Pixel Spacing Calibration Type (PS3.3 10.7.1.2)."""

SAME_WITHIN = 0.005
"""Two spacings within 0.5 % are the same number, rounded differently (ours)."""

SAME_ASPECT_WITHIN = 0.02
"""Two pixel shapes within 2 % are the same (ours)."""

LARGEST_FILM_MM = 600.0
"""No chest film is larger: the largest cassette is 35 x 43 cm, diagonal 55 cm (common practice)."""

SMALLEST_FILM_MM = 80.0
"""A smaller one is a crop, or was reduced without its spacing being brought along (ours)."""

SMALLEST_BELIEVABLE_FACTOR = 1.02
"""The trachea never lies closer to the detector than 4 cm at 180 cm (ours); 1.0 is a device's default."""

SHORTEST_SID_MM, LONGEST_SID_MM = 500.0, 4000.0
"""Distance source to detector of a chest film, from an incubator's to a long erect stand's (ours)."""

FACTORS_AGREE_WITHIN = 0.05
"""Two statements of the magnification further apart than 5 % contradict each other (ours)."""

SPACING_ATTRIBUTES = MappingProxyType(
    {
        SpacingSource.PIXEL_SPACING: "PixelSpacing",
        SpacingSource.IMAGER_PIXEL_SPACING: "ImagerPixelSpacing",
        SpacingSource.NOMINAL_SCANNED_PIXEL_SPACING: "NominalScannedPixelSpacing",
    }
)


@dataclass(frozen=True, slots=True)
class HeaderSpacing:
    """What the header says of the pixels' size.

    Parameters
    ----------
    spacing : Spacing or None
        As the stored pixels lie; None where nothing can be believed.
    pixel_aspect : float
        Row spacing over column spacing.
    notes : tuple of str
        Doubts and what was done about them.
    """

    spacing: Spacing | None
    pixel_aspect: float
    notes: tuple[str, ...] = ()


def read_spacing(dataset: Dataset, shape: tuple[int, int]) -> HeaderSpacing:
    """Return the spacing by PS3.3 10.7: Pixel Spacing with its calibration type, else the detector's own.

    Parameters
    ----------
    dataset : Dataset
        A header.
    shape : tuple of int
        Stored rows and columns, to see whether the film's size makes sense.
    """
    notes: list[str] = []
    pixel = _read_pair(dataset, SpacingSource.PIXEL_SPACING, shape, notes)
    detector = _read_pair(dataset, SpacingSource.IMAGER_PIXEL_SPACING, shape, notes) or _read_pair(
        dataset, SpacingSource.NOMINAL_SCANNED_PIXEL_SPACING, shape, notes
    )
    kind = text(dataset, "PixelSpacingCalibrationType").upper()
    spacing = _choose(pixel, detector, kind, notes)
    if spacing is not None:
        _note_small_film(spacing, shape, notes)
    aspect = _aspect(dataset, spacing, notes)
    return HeaderSpacing(spacing, aspect, tuple(notes))


def _read_pair(
    dataset: Dataset, source: SpacingSource, shape: tuple[int, int], notes: list[str]
) -> Spacing | None:
    """Return one attribute as a detector spacing, or None with a note where it cannot be believed."""
    values = decimals(dataset, SPACING_ATTRIBUTES[source])
    if not values:
        return None
    pair = _two_values(values)
    if pair is None:
        notes.append(f"{source.value}: {_shown(values)} found, row and column spacing expected; not used.")
        return None
    if len(values) != 2:
        notes.append(f"{source.value} holds {len(values)} equal values instead of two; taken for both axes.")
    try:
        role = "scanned" if source is SpacingSource.NOMINAL_SCANNED_PIXEL_SPACING else "detector"
        spacing = Spacing(*pair, Plane.DETECTOR, source, RELATIVE_SD[role])
    except MeasureError as absurd:
        notes.append(str(absurd))
        return None
    longest = max(shape[0] * pair[0], shape[1] * pair[1])
    if longest > LARGEST_FILM_MM:
        notes.append(
            f"{source.value}: {_shown(values)} mm would make a film of {longest:.0f} mm; chest films end at "
            f"{LARGEST_FILM_MM:.0f} mm. Not used; give the right value yourself."
        )
        return None
    return spacing


def _two_values(values: tuple[float, ...]) -> tuple[float, float] | None:
    """Return row and column value; one value, or one repeated more than twice, serves for both axes."""
    if not all(math.isfinite(value) for value in values):
        return None
    if len(values) == 2:
        return values[0], values[1]
    return (values[0], values[0]) if len(set(values)) == 1 else None


def _shown(values: tuple[float, ...]) -> str:
    return "\\".join(f"{value:g}" for value in values)


def _choose(pixel: Spacing | None, detector: Spacing | None, kind: str, notes: list[str]) -> Spacing | None:
    """Return the spacing to measure with (PS3.3 10.7.1.1 and 10.7.1.2)."""
    if pixel is None:
        return detector
    if detector is None:
        return _pixel_spacing_alone(pixel, kind)
    if _agree(pixel.row_mm, detector.row_mm) and _agree(pixel.column_mm, detector.column_mm):
        if kind:
            notes.append(
                f"Pixel Spacing Calibration Type says {shown(kind, CALIBRATIONS)}, yet Pixel Spacing equals "
                f"{detector.source.value}: not corrected (PS3.3 10.7.1.1), taken at the detector."
            )
        return Spacing(
            pixel.row_mm, pixel.column_mm, Plane.DETECTOR, SpacingSource.PIXEL_SPACING, detector.relative_sd
        )
    return _pixel_spacing_differs(pixel, detector, kind, notes)


def _agree(first: float, second: float, within: float = SAME_WITHIN) -> bool:
    return abs(first - second) <= within * max(first, second)


def _pixel_spacing_alone(pixel: Spacing, kind: str) -> Spacing:
    """Return Pixel Spacing with no detector spacing beside it: the calibration type decides."""
    if kind in CALIBRATIONS:
        return _corrected(pixel, kind)
    return Spacing(
        pixel.row_mm,
        pixel.column_mm,
        Plane.UNKNOWN,
        pixel.source,
        RELATIVE_SD["unknown"],
        "the header does not say whether it was corrected for magnification (PS3.3 10.7.1.2)",
    )


def _corrected(pixel: Spacing, kind: str) -> Spacing:
    """Return Pixel Spacing as one that holds in the patient."""
    said = {
        "GEOMETRY": ("geometry", "corrected for an assumed or known depth (GEOMETRY)"),
        "FIDUCIAL": ("fiducial", "calibrated on an object of known size (FIDUCIAL)"),
    }
    role, note = said.get(kind, ("untyped", "differs from the detector's, so corrected by an unnamed method"))
    return Spacing(pixel.row_mm, pixel.column_mm, Plane.PATIENT, pixel.source, RELATIVE_SD[role], note)


def _pixel_spacing_differs(pixel: Spacing, detector: Spacing, kind: str, notes: list[str]) -> Spacing:
    """Return the corrected spacing where the correction is possible, else the detector's, with a note."""
    both = (
        f"Pixel Spacing {pixel.row_mm:g}\\{pixel.column_mm:g} and {detector.source.value} "
        f"{detector.row_mm:g}\\{detector.column_mm:g} mm"
    )
    if _agree(pixel.row_mm, detector.column_mm) and _agree(pixel.column_mm, detector.row_mm):
        notes.append(f"{both}: rows and columns are swapped in one of them; {detector.source.value} is used.")
        return _widened(detector, pixel)
    down, across = detector.row_mm / pixel.row_mm, detector.column_mm / pixel.column_mm
    if not _agree(down, across, SAME_ASPECT_WITHIN):
        notes.append(f"{both} give pixels of different shape; {detector.source.value} is used.")
        return _widened(detector, pixel)
    if not 1.0 <= across <= LARGEST_BELIEVABLE:
        notes.append(
            f"{both} contradict each other: a correction for magnification lies between 1 and "
            f"{LARGEST_BELIEVABLE:g}, {across:.3g} found. {detector.source.value} is used with a wide "
            "uncertainty; give the right value yourself."
        )
        return _widened(detector, pixel)
    return _corrected(pixel, kind)


def _widened(detector: Spacing, rival: Spacing) -> Spacing:
    """Return the detector's spacing, its uncertainty covering all up to the value that contradicts it."""
    spread = max(
        uniform(*sorted((1.0, rival.row_mm / detector.row_mm))).sd,
        uniform(*sorted((1.0, rival.column_mm / detector.column_mm))).sd,
    )
    return Spacing(
        detector.row_mm,
        detector.column_mm,
        Plane.DETECTOR,
        detector.source,
        max(spread, detector.relative_sd),
        "contradicted by Pixel Spacing",
    )


def _note_small_film(spacing: Spacing, shape: tuple[int, int], notes: list[str]) -> None:
    longest = max(shape[0] * spacing.row_mm, shape[1] * spacing.column_mm)
    if longest < SMALLEST_FILM_MM:
        notes.append(
            f"{spacing.source.value} makes this film {longest:.0f} mm long: a crop, or reduced without its "
            "spacing. Check it against an object of known size."
        )


def _aspect(dataset: Dataset, spacing: Spacing | None, notes: list[str]) -> float:
    """Return row over column spacing; Pixel Aspect Ratio (0028,0034) is vertical, then horizontal size."""
    ratio = decimals(dataset, "PixelAspectRatio")
    told = None
    if ratio:
        if len(ratio) == 2 and all(math.isfinite(part) and part > 0.0 for part in ratio):
            told = ratio[0] / ratio[1]
        else:
            notes.append(f"Pixel Aspect Ratio: {_shown(ratio)} found, two positive numbers expected; not used.")
    if spacing is None:
        return _believable_aspect(told, notes)
    aspect = spacing.row_mm / spacing.column_mm
    if told is not None and not _agree(told, aspect, SAME_ASPECT_WITHIN):
        notes.append(f"Pixel Aspect Ratio {told:.3g} contradicts the spacing's {aspect:.3g}; the spacing is used.")
    return aspect


LARGEST_ASPECT = 4.0
"""Pixels longer than four times their width are no film's (ours)."""


def _believable_aspect(told: float | None, notes: list[str]) -> float:
    if told is None:
        return 1.0
    if not 1.0 / LARGEST_ASPECT <= told <= LARGEST_ASPECT:
        notes.append(f"Pixel Aspect Ratio of {told:.3g} is absurd; square pixels are taken.")
        return 1.0
    return told


def read_magnification(dataset: Dataset, view: View) -> tuple[Magnification, tuple[str, ...]]:
    """Return the magnification: (0018,1114), else (0018,1110) over (0018,1111), else the view's range.

    Distance Source to Patient is defined in the DX family up to the table's or stand's patient side
    (PS3.3 C.8.11.5, from memory), which lies behind the trachea: a quotient too small for a trachea is not
    believed.
    """
    notes: list[str] = []
    told = _believe(lambda: _stated_factor(dataset), notes)
    derived = _believe(lambda: _factor_from_distances(dataset), notes)
    if told is not None and derived is not None:
        if not _agree(told.factor.value, derived.factor.value, FACTORS_AGREE_WITHIN):
            notes.append(
                f"Estimated Radiographic Magnification Factor {told.factor.value:.3g} contradicts the two "
                f"distances' {derived.factor.value:.3g}; the plausible range of the view is used instead."
            )
            return plausible(view), tuple(notes)
        return told, tuple(notes)
    used = told or derived
    if used is None:
        return plausible(view), tuple(notes)
    return used, tuple(
        note.replace("the plausible range of the view is used", f"{used.source} is used") for note in notes
    )


def _stated_factor(dataset: Dataset) -> Magnification | None:
    factor = decimal(dataset, "EstimatedRadiographicMagnificationFactor")
    return None if factor is None else _not_too_small(from_factor(factor))


def _factor_from_distances(dataset: Dataset) -> Magnification | None:
    detector_mm = decimal(dataset, "DistanceSourceToDetector")
    patient_mm = decimal(dataset, "DistanceSourceToPatient")
    if detector_mm is None or patient_mm is None:
        return None
    if detector_mm > 0.0 and patient_mm > detector_mm:
        raise MeasureError(
            f"Distance Source to Detector {detector_mm:g} mm is less than Distance Source to Patient "
            f"{patient_mm:g} mm, swapped or wrong; the plausible range of the view is used instead."
        )
    if detector_mm > 0.0 and not SHORTEST_SID_MM <= detector_mm <= LONGEST_SID_MM:
        raise MeasureError(
            f"Distance Source to Detector: {detector_mm:g} mm found, {SHORTEST_SID_MM:g} to "
            f"{LONGEST_SID_MM:g} mm expected; the plausible range of the view is used instead."
        )
    return _not_too_small(from_distances(detector_mm, patient_mm))


def _not_too_small(magnification: Magnification) -> Magnification:
    if magnification.factor.value < SMALLEST_BELIEVABLE_FACTOR:
        raise MeasureError(
            f"{magnification.source}: a factor of {magnification.factor.value:.4g} found, at least "
            f"{SMALLEST_BELIEVABLE_FACTOR:g} expected at the trachea; the plausible range of the view is used "
            "instead."
        )
    return magnification


def _believe(read: Callable[[], Magnification | None], notes: list[str]) -> Magnification | None:
    """Return what is read, or None with the reason among the notes."""
    try:
        return read()
    except MeasureError as doubt:
        notes.append(str(doubt))
        return None
