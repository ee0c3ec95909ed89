import math

import pytest

from measure.errors import MeasureError
from measure.magnification import PLAUSIBLE, View, from_distances, from_factor, plausible


def test_factor_is_source_to_detector_over_source_to_object():
    """PS3.3 C.8.7.10 (Estimated Radiographic Magnification Factor): SID / SOD."""
    assert from_distances(1800.0, 1650.0).factor.value == pytest.approx(1800.0 / 1650.0)


@pytest.mark.parametrize("factor", [0.99, 0.0, -1.2, 1.7, math.nan, math.inf])
def test_impossible_factors_are_refused(factor):
    with pytest.raises(MeasureError, match="expected"):
        from_factor(factor)


@pytest.mark.parametrize(
    ("detector_mm", "patient_mm"), [(0.0, 900.0), (1100.0, 0.0), (-1100.0, -900.0), (900, 1100)]
)
def test_distances_that_make_no_film_are_refused(detector_mm, patient_mm):
    with pytest.raises(MeasureError):
        from_distances(detector_mm, patient_mm)


@pytest.mark.parametrize(
    ("view", "source_to_detector_mm", "trachea_to_detector_mm"),
    [(View.AP, 1000.0, 200.0), (View.AP, 1300.0, 110.0), (View.PA, 1800.0, 60.0), (View.PA, 1800.0, 150.0)],
)
def test_plausible_range_holds_common_geometries(view, source_to_detector_mm, trachea_to_detector_mm):
    """SID 100 to 130 cm portable AP and 180 cm erect PA are common practice."""
    low, high = PLAUSIBLE[view]
    factor = source_to_detector_mm / (source_to_detector_mm - trachea_to_detector_mm)
    assert low <= factor <= high
    assert PLAUSIBLE[View.UNKNOWN][0] <= factor <= PLAUSIBLE[View.UNKNOWN][1]


@pytest.mark.parametrize("view", list(View))
def test_plausible_interval_covers_its_whole_range(view):
    factor = plausible(view).factor
    assert factor.low <= PLAUSIBLE[view][0]
    assert factor.high >= PLAUSIBLE[view][1]
    assert not plausible(view).known
