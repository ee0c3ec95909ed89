"""What a pixel is worth, where, and on whose word."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from measure.errors import MeasureError
from measure.landmarks import KnownObject

SMALLEST_PIXEL_MM = 0.05
LARGEST_PIXEL_MM = 2.0
"""Limits of a believable pixel; chest films have 0.1 to 0.4 mm (common practice)."""


class Plane(StrEnum):
    """Where a spacing holds."""

    DETECTOR = "detector"
    PATIENT = "patient"
    UNKNOWN = "unknown"


class SpacingSource(StrEnum):
    """Where a spacing came from: the user, or an attribute by the name PS3.6 gives it."""

    USER = "user"
    KNOWN_OBJECT = "known object"
    PIXEL_SPACING = "Pixel Spacing"
    IMAGER_PIXEL_SPACING = "Imager Pixel Spacing"
    NOMINAL_SCANNED_PIXEL_SPACING = "Nominal Scanned Pixel Spacing"
    FILE_RESOLUTION = "file resolution tag"
    ANATOMY = "rough scale from anatomy"


@dataclass(frozen=True, slots=True)
class Spacing:
    """Distance between the centres of neighbouring rows and columns.

    Parameters
    ----------
    row_mm, column_mm : float
        Between rows (down the film) and between columns (across it), as in PS3.3 10.7.1.3.
    plane : Plane
        Where it holds: at the detector, at the patient's structures, or not known.
    source : SpacingSource
        Where it came from.
    relative_sd : float
        Standard deviation as a share of the value.
    note : str
        What the user should know about it.

    Raises
    ------
    MeasureError
        Where a value is not positive and finite, or no film has such pixels.
    """

    row_mm: float
    column_mm: float
    plane: Plane
    source: SpacingSource
    relative_sd: float = 0.0
    note: str = ""

    @property
    def mean_mm(self) -> float:
        """Side of a square pixel of the same area."""
        return math.sqrt(self.row_mm * self.column_mm)

    @property
    def rough(self) -> bool:
        """Whether it is guessed from the anatomy: enough for a warning, never for a rate."""
        return self.source is SpacingSource.ANATOMY

    def __post_init__(self) -> None:
        for axis, value in (("row", self.row_mm), ("column", self.column_mm)):
            if not (math.isfinite(value) and SMALLEST_PIXEL_MM <= value <= LARGEST_PIXEL_MM):
                raise MeasureError(
                    f"{self.source.value}: {axis} spacing of {value:g} mm found, a chest film has "
                    f"{SMALLEST_PIXEL_MM:g} to {LARGEST_PIXEL_MM:g} mm; give the right value yourself."
                )
        if not 0.0 <= self.relative_sd < math.inf:
            raise MeasureError(f"{self.source.value}: relative standard deviation of {self.relative_sd} found.")


def from_known_object(known: KnownObject, pixel_aspect: float = 1.0) -> Spacing:
    """Spacing from an object of known length marked on the film; it holds at the object's depth.

    Parameters
    ----------
    known : KnownObject
        The two ends and the true length, each with its standard deviation.
    pixel_aspect : float
        Row spacing over column spacing (1 for square pixels).

    Raises
    ------
    MeasureError
        Where the length is not positive, the two ends coincide, or the spacing that follows is absurd.
    """
    across = known.end.column - known.start.column
    down = (known.end.row - known.start.row) * pixel_aspect
    length_px = math.hypot(across, down)
    if not (known.length_mm > 0.0 and length_px > 0.0):
        raise MeasureError(
            f"known object: {known.length_mm:g} mm over {length_px:g} pixels found; "
            "mark two different points and give their true distance in mm."
        )
    column_mm = known.length_mm / length_px
    end_sd_px = math.hypot(known.start.sd_px, known.end.sd_px)
    return Spacing(
        row_mm=column_mm * pixel_aspect,
        column_mm=column_mm,
        plane=Plane.PATIENT,
        source=SpacingSource.KNOWN_OBJECT,
        relative_sd=math.hypot(end_sd_px / length_px, known.length_sd_mm / known.length_mm),
        note=f"{known.length_mm:g} mm marked on the film",
    )
