"""The thoracic spine as a ruler: what a vertebra tells of the film's scale and of the neck's posture. Adults
only.
"""

from __future__ import annotations

import math

from measure.estimate import Estimate
from measure.landmarks import VERTEBRAE, Landmark, Landmarks, SpineSeen
from measure.posture import (
    POSTURE_BY_VERTEBRA,
    UNKNOWN_SHARES,
    NeckPosture,
    PostureBelief,
    posture_at,
    posture_without_mandible,
    unknown_posture,
)

PITCH_MM = Estimate(22.6, 2.1)
"""One vertebral body with its disc at the carina's level, on the chest film; 524 adults.

Source: Song YG et al. Br J Anaesth 2015;115:252-257 (abstract seen)."""

CARINA_LEVEL = Estimate(float(VERTEBRAE.index("T6")), 0.86)
"""The carina lies over T5, T6 or T7 in 92 of 100 portable films (Goodman LR et al. AJR 1976;127:433-434, seen): a
level and a half either way of T6's middle, taken as normal."""

SHORTER_PER_LEVEL = 0.028
"""Share by which a vertebra with its disc is shorter than the one below: three quarters at C4 of that at T6
(memory)."""

SURE_OF_LEVEL = 0.9
"""From this probability on a posture read so is named (ours)."""


def _pitch_mm(level: float) -> float:
    """Vertebral body with its disc at a level, on the film."""
    return PITCH_MM.value * (1.0 - SHORTER_PER_LEVEL * (CARINA_LEVEL.value - level))


def height_above_carina_mm(level: float) -> Estimate:
    """Height of a vertebra's middle above the carina, on the film, in mm.

    Parameters
    ----------
    level : float
        Place in `VERTEBRAE`; between two of them for what lies between.
    """
    levels = CARINA_LEVEL.value - level
    middle = _pitch_mm((CARINA_LEVEL.value + level) / 2.0)
    by_pitch = levels * middle * PITCH_MM.sd / PITCH_MM.value
    return Estimate(levels * middle, math.hypot(by_pitch, CARINA_LEVEL.sd * PITCH_MM.value))


def mm_per_row(landmarks: Landmarks) -> Estimate | None:
    """What a row is worth on the film, from the highest and the lowest marked vertebra; None with fewer than
    two.
    """
    marked = sorted((VERTEBRAE.index(name), mark) for name, mark in landmarks.vertebrae.items())
    if len(marked) < 2:
        return None
    (upper_level, upper), (lower_level, lower) = marked[0], marked[-1]
    rows = lower.row - upper.row
    if rows < 1.0:
        return None
    length_mm = (lower_level - upper_level) * _pitch_mm((upper_level + lower_level) / 2.0)
    relative_sd = math.hypot(PITCH_MM.sd / PITCH_MM.value, math.hypot(upper.sd_px, lower.sd_px) / rows)
    return Estimate(length_mm / rows, length_mm / rows * relative_sd)


def mm_per_row_by_pitch(spine: SpineSeen) -> Estimate | None:
    """What a row is worth on the film, from the pitch of the vertebrae that the program sees; None where it does
    not.
    """
    return None if spine.pitch_rows is None else PITCH_MM.over(spine.pitch_rows)


PROPOSED = "proposed: "
"""What a posture's reason begins with where the program has seen it."""


def posture_as_seen(spine: SpineSeen) -> PostureBelief | None:
    """The posture from what the program sees of jaw and spine, its doubt in the probabilities; never named.

    Returns
    -------
    PostureBelief or None
        None where it sees neither the mandible nor that it is absent.
    """
    mandible, level = spine.mandible, spine.mandible_level
    if mandible is not None and level is not None:
        flexed, extended = _shares_over(level)
        name = VERTEBRAE[min(max(round(level.value), 0), len(VERTEBRAE) - 1)]
        return _with_doubt(f"the mandible's lower border lies over {name}", mandible.confidence, flexed, extended)
    if spine.mandible_absent > 0.0:
        absent = posture_without_mandible()
        return _with_doubt(absent.reason, spine.mandible_absent, absent.flexed, absent.extended)
    return None


def _with_doubt(where: str, confidence: float, flexed: float, extended: float) -> PostureBelief:
    """What is seen, as far as it is believed, and the usual shares for the rest."""
    return unknown_posture(
        f"{PROPOSED}{where} (confidence {confidence:.0%})",
        flexed=confidence * flexed + (1.0 - confidence) * UNKNOWN_SHARES[NeckPosture.FLEXED],
        extended=confidence * extended + (1.0 - confidence) * UNKNOWN_SHARES[NeckPosture.EXTENDED],
    )


def _shares_over(level: Estimate) -> tuple[float, float]:
    """Probability of a flexed and of an extended neck with the mandible over an uncertain level; half of C7 is
    flexed.
    """

    def above(border: float) -> float:
        return level.probability_below(Estimate(border))

    to_c4, to_c6, to_c7 = (above(VERTEBRAE.index(name) + 0.5) for name in ("C4", "C6", "C7"))
    return 1.0 - (to_c6 + to_c7) / 2.0, to_c4


def posture_by_carina(mandible: Landmark, carina: Landmark, mm_per_row_on_film: Estimate) -> PostureBelief:
    """Posture from the mandible's height above the carina, where no vertebra is marked.

    The level follows from the usual spine and is unsure by about a vertebra, so that a posture is seldom named;
    the chances still say more than the usual shares.
    """
    height_mm = Estimate(carina.row - mandible.row, math.hypot(carina.sd_px, mandible.sd_px)).times(
        mm_per_row_on_film
    )
    chances = dict.fromkeys(NeckPosture, 0.0)
    above = 0.0
    for level, name in enumerate(VERTEBRAE):
        below_border = 1.0
        if level < len(VERTEBRAE) - 1:
            below_border = height_above_carina_mm(level + 0.5).probability_below(height_mm)
        chances[POSTURE_BY_VERTEBRA[name]] += max(below_border - above, 0.0)
        above = max(below_border, above)
    between = chances[NeckPosture.UNKNOWN] / 2.0
    flexed, extended = chances[NeckPosture.FLEXED] + between, chances[NeckPosture.EXTENDED]
    neutral = 1.0 - flexed - extended
    where = "the mandible's height above the carina, the vertebrae taken from the usual spine"
    for share, level_name in ((flexed, "T1"), (neutral, "C6"), (extended, "C4")):
        if share >= SURE_OF_LEVEL:
            named = posture_at(level_name)
            return PostureBelief(named.posture, where, named.neutral, named.flexed, named.extended)
    return unknown_posture(f"{where}: not settled", flexed=flexed, extended=extended)


def reaches_c7(carina: Landmark, mm_per_row_on_film: Estimate) -> bool:
    """Whether the film's upper edge lies above C7, likelier than one standard deviation (ours)."""
    top_mm = Estimate(carina.row).times(mm_per_row_on_film)
    c7 = height_above_carina_mm(VERTEBRAE.index("C7") - 0.5)
    return top_mm.value - c7.value > math.hypot(top_mm.sd, c7.sd)
