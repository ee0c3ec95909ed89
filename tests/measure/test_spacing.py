import math

import pytest

from measure.errors import MeasureError
from measure.landmarks import KnownObject, Landmark
from measure.spacing import Plane, Spacing, SpacingSource, from_known_object


@pytest.mark.parametrize("bad", [0.0, -0.14, 0.049, 2.01, math.nan, math.inf])
def test_absurd_pixels_are_refused_with_what_was_found(bad):
    with pytest.raises(MeasureError, match=r"row spacing of .* found.*0\.05 to 2"):
        Spacing(bad, 0.14, Plane.DETECTOR, SpacingSource.USER)


def test_known_object_across_and_down_with_non_square_pixels():
    """An object of 11 mm; rows are twice as far apart as columns."""
    start = Landmark(100.0, 100.0, 1.0)
    across = from_known_object(KnownObject(start, Landmark(100.0, 180.0, 1.0), 11.0), pixel_aspect=2.0)
    down = from_known_object(KnownObject(start, Landmark(140.0, 100.0, 1.0), 11.0), pixel_aspect=2.0)
    for spacing in (across, down):
        assert spacing.column_mm == pytest.approx(11.0 / 80.0)
        assert spacing.row_mm == pytest.approx(22.0 / 80.0)
        assert spacing.plane is Plane.PATIENT


def test_known_object_carries_the_marks_error():
    start, end = Landmark(0, 0, 3.0), Landmark(0, 100, 4.0)
    spacing = from_known_object(KnownObject(start, end, 11.0))
    assert spacing.relative_sd == pytest.approx(0.05)
    unsure = from_known_object(KnownObject(start, end, 11.0, length_sd_mm=1.32))
    assert unsure.relative_sd == pytest.approx(0.13)


@pytest.mark.parametrize(("length_mm", "end"), [(0.0, 50.0), (-3.0, 50.0), (11.0, 0.0), (math.nan, 50.0)])
def test_an_object_without_length_is_refused(length_mm, end):
    with pytest.raises(MeasureError, match="known object"):
        from_known_object(KnownObject(Landmark(0, 0, 1.0), Landmark(0, end, 1.0), length_mm))
