"""How much larger the trachea is drawn on the film than it is in the patient.

M = SID / SOD: distance source to detector over distance source to object, here the trachea.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from measure.errors import MeasureError
from measure.estimate import Estimate, uniform

LARGEST_BELIEVABLE = 1.6
"""Above this no chest film is taken: the trachea would lie 70 cm before a detector at 180 cm."""

DEPTH_RELATIVE_SD = 0.02
"""With the geometry in the header, the trachea's own depth is still uncertain: about 2 cm in 100 (ours)."""


class View(StrEnum):
    """Direction of the beam through the chest."""

    AP = "AP"
    PA = "PA"
    UNKNOWN = "unknown"


PLAUSIBLE = MappingProxyType({View.AP: (1.08, 1.27), View.PA: (1.03, 1.10), View.UNKNOWN: (1.03, 1.27)})
"""Lowest and highest magnification at the trachea by view.

SID 100 to 130 cm (AP, portable) and 180 cm (PA) are common practice; the trachea lies 10 to 21 cm (AP) and
6 to 16 cm (PA) before the detector, which is our own reading of chest depth plus detector gap.
"""


@dataclass(frozen=True, slots=True)
class Magnification:
    """Magnification at the trachea.

    Parameters
    ----------
    factor : Estimate
        The factor with its standard deviation.
    source : str
        Attribute or rule that it came from.
    known : bool
        False where it is only the plausible range of the view.
    """

    factor: Estimate
    source: str
    known: bool


def from_factor(factor: float, source: str = "Estimated Radiographic Magnification Factor") -> Magnification:
    """Magnification from a stated factor (0018,1114).

    Raises
    ------
    MeasureError
        Where the factor is not between 1 and `LARGEST_BELIEVABLE`.
    """
    if not (math.isfinite(factor) and 1.0 <= factor <= LARGEST_BELIEVABLE):
        raise MeasureError(
            f"{source}: {factor:g} found, 1 to {LARGEST_BELIEVABLE:g} expected for a chest film; "
            "the plausible range of the view is used instead."
        )
    return Magnification(Estimate(factor, factor * DEPTH_RELATIVE_SD), source, known=True)


def from_distances(source_to_detector_mm: float, source_to_patient_mm: float) -> Magnification:
    """Magnification from (0018,1110) over (0018,1111), both in mm.

    Raises
    ------
    MeasureError
        Where the two do not make a believable chest film.
    """
    name = "Distance Source to Detector / Distance Source to Patient"
    if not (source_to_detector_mm > 0.0 and source_to_patient_mm > 0.0):
        raise MeasureError(
            f"{name}: {source_to_detector_mm:g} and {source_to_patient_mm:g} mm found, two positive "
            "distances expected; the plausible range of the view is used instead."
        )
    return from_factor(source_to_detector_mm / source_to_patient_mm, name)


def plausible(view: View) -> Magnification:
    """The plausible range of the view, where the header tells nothing."""
    low, high = PLAUSIBLE[view]
    films = "all frontal films" if view is View.UNKNOWN else f"{view.value} films"
    return Magnification(uniform(low, high), f"plausible range of {films}", known=False)
