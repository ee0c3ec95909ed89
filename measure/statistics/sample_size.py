"""How many films an audit needs."""

from __future__ import annotations

import math
from statistics import NormalDist

from measure.errors import MeasureError
from measure.statistics.interval import CONFIDENCE, check_share, two_sided_z

POWER = 0.8
SIGNIFICANCE = 0.05
"""Chance to see a true change, and to see one where there is none (common practice)."""


def films_for_margin(rate: float, margin: float, confidence: float = CONFIDENCE) -> int:
    """Fewest films for which Wilson's interval of a rate is no wider than plus or minus the margin.

    Parameters
    ----------
    rate : float
        Expected, between 0 and 1; 0.5 is the worst case.
    margin : float
        Half the width that is allowed, between 0 and 0.5.

    Raises
    ------
    MeasureError
        Where one of them is out of its range.

    Notes
    -----
    Wilson's half width z sqrt(n p (1 - p) + z²/4) / (n + z²) set equal to the margin and solved for n; the
    textbook's z² p (1 - p) / margin² is its limit for narrow margins.
    """
    check_share("rate", rate)
    if not 0.0 < margin < 0.5:
        raise MeasureError(f"margin: {margin:g} found, a share between 0 and 0.5 expected, for instance 0.03.")
    z2 = two_sided_z(confidence) ** 2
    half_b = margin**2 * z2 - z2 * rate * (1.0 - rate) / 2.0
    c = z2 * z2 * (margin**2 - 0.25)
    root = (-half_b + math.sqrt(half_b**2 - margin**2 * c)) / margin**2
    return max(math.ceil(root - 1e-9), 1)


def films_for_change(
    before: float,
    after: float,
    *,
    power: float = POWER,
    significance: float = SIGNIFICANCE,
    exact_test: bool = True,
) -> int:
    """Films in each of two equal groups to see a rate change, two-sided.

    Parameters
    ----------
    before, after : float
        The two rates, different.
    power, significance : float
        Chance to find the change, and to find one where there is none.
    exact_test : bool
        With the continuity correction that Fisher's exact test asks for; without, for the chi-squared test.

    Raises
    ------
    MeasureError
        Where the rates are equal or anything is no share between 0 and 1.

    Notes
    -----
    Fleiss JL, Levin B, Paik MC. Statistical methods for rates and proportions, 3rd ed, 2003, section 4.2;
    correction of Casagrande JT, Pike MC, Smith PG. Biometrics 1978;34:483-486, as simplified by Fleiss JL,
    Tytun A, Ury HK. Biometrics 1980;36:343-346.
    """
    named = {"rate before": before, "rate after": after, "power": power, "significance": significance}
    for name, share in named.items():
        check_share(name, share)
    gap = abs(before - after)
    if gap == 0.0:
        raise MeasureError(f"rates: {before:g} before and after found, two different ones expected.")
    mean = (before + after) / 2.0
    by_chance = two_sided_z(1.0 - significance) * math.sqrt(2.0 * mean * (1.0 - mean))
    by_change = NormalDist().inv_cdf(power) * math.sqrt(before * (1.0 - before) + after * (1.0 - after))
    films = ((by_chance + by_change) / gap) ** 2
    if exact_test:
        films = films / 4.0 * (1.0 + math.sqrt(1.0 + 4.0 / (films * gap))) ** 2
    return max(math.ceil(films - 1e-9), 2)


def design_effect(films_per_patient: float, similarity: float) -> float:
    """By how much to multiply the films where patients have several: 1 + (m - 1) ICC (Kish 1965).

    Parameters
    ----------
    films_per_patient : float
        Mean number, 1 or more.
    similarity : float
        Intraclass correlation of the outcome among films of one patient, 0 to 1.

    Raises
    ------
    MeasureError
        Where one of them is out of its range.
    """
    if films_per_patient < 1.0 or not 0.0 <= similarity <= 1.0:
        raise MeasureError(
            f"{films_per_patient:g} films a patient and similarity {similarity:g} found, "
            "1 or more and 0 to 1 expected."
        )
    return 1.0 + (films_per_patient - 1.0) * similarity
