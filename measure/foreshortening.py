"""How much shorter a length along the trachea is drawn than it is, beside the magnification.

The trachea leans backwards as it descends, so a film shows it foreshortened. And the beam diverges: above the
central ray it comes from below, which in AP films (source in front) makes up for a part of the lean, and in PA
films adds to it.
"""

from __future__ import annotations

import math
from types import MappingProxyType

from measure.anatomy import BACKWARD_LEAN_DEG
from measure.estimate import Estimate, uniform
from measure.magnification import View

SOURCE_TO_DETECTOR_MM = MappingProxyType(
    {View.AP: uniform(1000.0, 1300.0), View.PA: uniform(1700.0, 1900.0), View.UNKNOWN: uniform(1000.0, 1900.0)}
)
"""Portable AP 100 to 130 cm, erect PA 180 cm: common practice. A header's own would change little (0.3 %)."""

CENTRAL_RAY_SD_MM = 50.0
"""How far from the film's centre the central ray may pass: collimation and cropping (ours)."""

TOWARDS_SOURCE = MappingProxyType({View.AP: 1.0, View.PA: -1.0, View.UNKNOWN: 0.0})
"""Whether the trachea's upper end lies nearer the source (AP) or the detector (PA) than the carina."""


def foreshortening(view: View, tip_above_centre_mm: float | None) -> Estimate:
    """Length on the film over magnified length along the airway.

    With the backward lean a, the source at distance D from the detector, and the tip drawn at a height v above
    the central ray, the pinhole gives: film length = M * length * (cos a + v / D * sin a) for AP, with a minus for
    PA, M being the magnification at the carina. Second order in the lean's spread for the mean, first order for
    the standard deviation.

    Parameters
    ----------
    view : View
        Where the source stood; unknown brings both signs into the spread.
    tip_above_centre_mm : float or None
        Height of the tip above the film's centre, on the film; None where not known.

    Notes
    -----
    Lean: Zanella A et al. Respir Care 2015;60:561-566. The central ray is taken to pass through the film's centre.
    """
    lean, spread = math.radians(BACKWARD_LEAN_DEG.value), math.radians(BACKWARD_LEAN_DEG.sd)
    height = Estimate(tip_above_centre_mm or 0.0, CENTRAL_RAY_SD_MM)
    slope = height.over(SOURCE_TO_DETECTOR_MM[view])
    sign = TOWARDS_SOURCE[view]
    second_order = 1.0 - spread**2 / 2.0
    value = second_order * (math.cos(lean) + sign * slope.value * math.sin(lean))
    by_lean = spread * (math.sin(lean) - sign * slope.value * math.cos(lean))
    by_slope = math.sin(lean) * (slope.sd if sign else math.hypot(slope.sd, slope.value))
    return Estimate(value, math.hypot(by_lean, by_slope))
