"""A scale for adult films that have none: anatomy, and in the last resort the film itself.

Enough to warn and to say which way to move; always called rough, and never counted in a rate.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from measure.anatomy import TRACHEAL_WIDTH_LIMITS_MM
from measure.estimate import Estimate
from measure.landmarks import Landmark, Landmarks
from measure.magnification import Magnification
from measure.patient import Patient
from measure.spacing import LARGEST_PIXEL_MM, SMALLEST_PIXEL_MM, Plane, Spacing, SpacingSource
from measure.spine import mm_per_row, mm_per_row_by_pitch
from measure.tube import Tube, outside_diameter_estimate_mm

LONG_SIDE_MM = Estimate(400.0, 60.0)
"""Longer side of an adult's chest film: cassettes and detectors have 350 to 430 mm (common practice); the spread,
ours, allows for films that were cut."""

NOMINAL_SIDE_MM = LONG_SIDE_MM.value
"""Length that the longer side is taken to have where no spacing is needed: a "nominal" mm is a part of it."""

LIMITS_SD = 3.0
"""The published limits of the trachea's width lie three standard deviations either way."""


def rough_spacing(
    landmarks: Landmarks,
    patient: Patient,
    tube: Tube,
    magnification: Magnification,
    shape: tuple[int, int] | None,
    pixel_aspect: float = 1.0,
) -> Spacing | None:
    """A pixel's size on the film from what is marked on it, each hint weighed by its variance.

    Parameters
    ----------
    landmarks : Landmarks
        Vertebrae, the trachea's walls and the tube's are asked.
    patient, tube : Patient, Tube
        Sex and size, for the widths.
    magnification : Magnification
        The tube's diameter is its own, not the film's.
    shape : (int, int) or None
        Rows and columns of the film; its longer side, and the vertebrae that the program sees, are asked only
        where nothing is marked.
    pixel_aspect : float
        Row spacing over column spacing.

    Returns
    -------
    Spacing or None
        At the detector; None where there is no hint or it gives no believable pixel.
    """
    hints = list(_marked(landmarks, patient, tube, magnification, pixel_aspect))
    if not hints:
        hints = list(_seen(landmarks, shape, pixel_aspect))
    if not hints:
        return None
    column_mm = weighed([hint for _, hint in hints])
    row_mm = column_mm.value * pixel_aspect
    if not all(SMALLEST_PIXEL_MM <= value <= LARGEST_PIXEL_MM for value in (column_mm.value, row_mm)):
        return None
    return Spacing(
        row_mm,
        column_mm.value,
        Plane.DETECTOR,
        SpacingSource.ANATOMY,
        column_mm.sd / column_mm.value,
        f"by {', '.join(name for name, _ in hints)}",
    )


def weighed(hints: Sequence[Estimate]) -> Estimate:
    """The mean of independent estimates, each weighed by the inverse of its variance."""
    weights = [1.0 / hint.sd**2 for hint in hints]
    total = sum(weights)
    value = sum(weight * hint.value for weight, hint in zip(weights, hints, strict=True)) / total
    return Estimate(value, 1.0 / math.sqrt(total))


def tracheal_width_mm(patient: Patient) -> Estimate:
    """Usual coronal width of an adult's trachea on the film; both sexes in equal parts where the sex is not known.

    From the limits of Breatnach E et al. AJR 1984;142:903-906 (seen).
    """
    sexes = [patient.sex] if patient.sex is not None else list(TRACHEAL_WIDTH_LIMITS_MM)
    limits = [TRACHEAL_WIDTH_LIMITS_MM[sex] for sex in sexes]
    middles = [(low + high) / 2.0 for low, high in limits]
    mean = sum(middles) / len(middles)
    within = sum(((high - low) / (2.0 * LIMITS_SD)) ** 2 for low, high in limits) / len(limits)
    between = sum((middle - mean) ** 2 for middle in middles) / len(middles)
    return Estimate(mean, math.sqrt(within + between))


def _marked(
    landmarks: Landmarks, patient: Patient, tube: Tube, magnification: Magnification, pixel_aspect: float
) -> Iterator[tuple[str, Estimate]]:
    """Each hint with the width of a column that follows from it."""
    by_spine = mm_per_row(landmarks)
    if by_spine is not None:
        yield "the marked vertebrae", by_spine.times(Estimate(1.0 / pixel_aspect))
    if landmarks.tracheal_walls is not None:
        by_trachea = _over_pixels(tracheal_width_mm(patient), landmarks.tracheal_walls, pixel_aspect)
        if by_trachea is not None:
            yield "the trachea's width", by_trachea
    outside_mm = outside_diameter_estimate_mm(tube)
    if landmarks.tube_walls is not None and outside_mm is not None:
        by_tube = _over_pixels(outside_mm.times(magnification.factor), landmarks.tube_walls, pixel_aspect)
        if by_tube is not None:
            yield "the tube's walls", by_tube


def _seen(
    landmarks: Landmarks, shape: tuple[int, int] | None, pixel_aspect: float
) -> Iterator[tuple[str, Estimate]]:
    """What tells a column's width without a mark."""
    by_pitch = None if landmarks.spine is None else mm_per_row_by_pitch(landmarks.spine)
    if by_pitch is not None:
        yield "the vertebrae as the program sees them", by_pitch.times(Estimate(1.0 / pixel_aspect))
    if shape is not None:
        rows, columns = shape
        pixels = max(rows * pixel_aspect, columns)
        yield "the film's longer side", LONG_SIDE_MM.times(Estimate(1.0 / pixels))


def _over_pixels(width_mm: Estimate, walls: tuple[Landmark, Landmark], pixel_aspect: float) -> Estimate | None:
    first, second = walls
    pixels = math.hypot(second.column - first.column, (second.row - first.row) * pixel_aspect)
    if pixels < 1.0:
        return None
    return width_mm.over(Estimate(pixels, math.hypot(first.sd_px, second.sd_px)))
