"""Posture from the mandible's level case by case, and the published movements of the tip."""

import numpy as np
import pytest
from scipy import stats

from measure import posture
from measure.estimate import Estimate
from measure.landmarks import VERTEBRAE, Landmark, Landmarks
from measure.patient import Patient
from measure.posture import NeckPosture, movement_between, posture_from_mandible, unknown_posture_shift

ADULT, CHILD = Patient(50.0), Patient(6.0)
FLEXED, NEUTRAL, EXTENDED, UNKNOWN = (
    NeckPosture.FLEXED,
    NeckPosture.NEUTRAL,
    NeckPosture.EXTENDED,
    NeckPosture.UNKNOWN,
)
LEVEL_PX = 60.0


def _row(level: str) -> float:
    return 100.0 + LEVEL_PX * VERTEBRAE.index(level)


def _marks(mandible_row: float, *levels: str) -> Landmarks:
    vertebrae = {level: Landmark(_row(level), 500.0, 2.0) for level in levels}
    return Landmarks(mandible=Landmark(mandible_row, 480.0, 2.0), vertebrae=vertebrae)


@pytest.mark.parametrize(
    ("level", "expected"),
    [
        ("C3", EXTENDED),
        ("C4", EXTENDED),
        ("C5", NEUTRAL),
        ("C6", NEUTRAL),
        ("C7", UNKNOWN),
        ("T1", FLEXED),
        ("T2", FLEXED),
        ("T3", FLEXED),
    ],
)
@pytest.mark.parametrize("marked", [VERTEBRAE, ("C3", "T3"), ("C4", "C7", "T2")])
def test_posture_by_level(level: str, expected: NeckPosture, marked: tuple[str, ...]) -> None:
    """C5-C6 neutral, T1 or lower flexed, C3-C4 or higher extended: Goodman LR et al. AJR 1976;127:433-434."""
    finding = posture_from_mandible(_marks(_row(level), *marked))
    assert finding.posture is expected
    assert level in finding.reason


@pytest.mark.parametrize(
    ("offset", "expected"), [(-0.6, EXTENDED), (-0.4, NEUTRAL), (0.5, NEUTRAL), (1.4, NEUTRAL), (1.6, UNKNOWN)]
)
def test_a_body_reaches_half_way_to_its_neighbours(offset: float, expected: NeckPosture) -> None:
    row = _row("C5") + offset * LEVEL_PX
    assert posture_from_mandible(_marks(row, "C4", "C7")).posture is expected


def test_interpolation_follows_uneven_spacing() -> None:
    uneven = {"C4": 100.0, "C6": 180.0, "T1": 320.0}
    marks = Landmarks(
        mandible=Landmark(250.0, 480.0, 2.0),
        vertebrae={name: Landmark(row, 500.0, 2.0) for name, row in uneven.items()},
    )
    assert "C7" in posture_from_mandible(marks).reason


def test_one_level_beyond_the_marks_is_read() -> None:
    assert posture_from_mandible(_marks(_row("C6"), "C7", "T1")).posture is NEUTRAL
    assert posture_from_mandible(_marks(_row("T1"), "C6", "C7")).posture is FLEXED


def test_two_levels_beyond_the_marks_is_not_read_unless_it_changes_nothing() -> None:
    far_above = posture_from_mandible(_marks(_row("C4"), "C7", "T1"))
    assert far_above.posture is UNKNOWN
    assert "more than one level above" in far_above.reason
    far_below = posture_from_mandible(_marks(_row("C7"), "C4", "C5"))
    assert far_below.posture is UNKNOWN
    assert "more than one level below" in far_below.reason
    assert posture_from_mandible(_marks(_row("C4") - 3 * LEVEL_PX, "C4", "C5")).posture is EXTENDED
    assert posture_from_mandible(_marks(_row("T4"), "C7", "T1")).posture is FLEXED


@pytest.mark.parametrize(
    ("marks", "reason"),
    [
        (Landmarks(), "mandible's lower border is not marked"),
        (_marks(200.0), "vertebrae marked: 0"),
        (_marks(200.0, "C6"), "vertebrae marked: 1"),
        (
            Landmarks(
                mandible=Landmark(200.0, 1.0, 2.0),
                vertebrae={"C5": Landmark(300.0, 1.0, 2.0), "C6": Landmark(250.0, 1.0, 2.0)},
            ),
            "do not follow one another",
        ),
        (
            Landmarks(
                mandible=Landmark(200.0, 1.0, 2.0),
                vertebrae={"C5": Landmark(300.0, 1.0, 2.0), "S1": Landmark(350.0, 1.0, 2.0)},
            ),
            "S1 marked",
        ),
    ],
)
def test_undetermined_says_why(marks: Landmarks, reason: str) -> None:
    finding = posture_from_mandible(marks)
    assert finding.posture is UNKNOWN
    assert reason in finding.reason


def test_adult_means_are_those_of_the_icu_study() -> None:
    """1.9 cm towards the carina in flexion, 1.9 cm away in extension: Conrardy PA et al. Crit Care Med 1976."""
    assert movement_between(NEUTRAL, FLEXED, ADULT).value == -1.9
    assert movement_between(NEUTRAL, EXTENDED, ADULT).value == 1.9
    assert movement_between(FLEXED, NEUTRAL, ADULT).value == 1.9
    assert movement_between(FLEXED, EXTENDED, ADULT).value == pytest.approx(3.8)


@pytest.mark.parametrize(
    ("to", "mean", "furthest_in", "furthest_out", "low", "high"),
    [(FLEXED, -0.55, -2.3, 1.9, -5.1, 1.3), (EXTENDED, 0.63, -2.1, 3.3, -1.5, 5.3)],
)
def test_adult_spread_covers_the_second_study(
    to: NeckPosture, mean: float, furthest_in: float, furthest_out: float, low: float, high: float
) -> None:
    """50 anaesthetised adults: about as many of them as promised lie in the 95 % interval."""
    movement = movement_between(NEUTRAL, to, ADULT)
    assert (round(movement.low, 1), round(movement.high, 1)) == (low, high)
    expected_range = stats.norm.expect(lambda x: x * 50.0 * stats.norm.cdf(x) ** 49) * 2.0
    patients = stats.norm(mean, (furthest_out - furthest_in) / expected_range)
    assert patients.cdf(movement.high) - patients.cdf(movement.low) > 0.90
    rms = np.sqrt(np.mean((patients.rvs(200_000, random_state=6) - movement.value) ** 2))
    assert movement.sd == pytest.approx(rms, rel=0.01)


def test_range_of_fifty_in_standard_deviations() -> None:
    """Twice the mean of the largest of 50 standard normal values, by numerical integration."""
    largest = stats.norm.expect(lambda x: x * 50.0 * stats.norm.cdf(x) ** 49)
    assert pytest.approx(2.0 * largest, abs=0.001) == posture.RANGE_OVER_SD_OF_50


@pytest.mark.parametrize(("to", "greatest_mm", "sign"), [(EXTENDED, 14.16, 1.0), (FLEXED, 14.28, -1.0)])
def test_child_of_six_by_hand(to: NeckPosture, greatest_mm: float, sign: float) -> None:
    """0.71 x 6 + 9.9 = 14.16 mm up, 0.83 x 6 + 9.3 = 14.28 mm down: Weiss M et al. BJA 2006;96:486-491."""
    movement = movement_between(NEUTRAL, to, CHILD)
    near, far = sorted((movement.low, movement.high), key=abs)
    assert near == pytest.approx(0.0, abs=1e-12)
    assert far == pytest.approx(sign * greatest_mm / 10.0)


def test_child_by_height_alone_is_no_adult() -> None:
    by_height = movement_between(NEUTRAL, FLEXED, Patient(height_cm=113.0))  # 6 x 6 + 77
    assert by_height.value == pytest.approx(movement_between(NEUTRAL, FLEXED, CHILD).value)


def test_unknown_posture_has_the_published_movement_as_half_width() -> None:
    assert unknown_posture_shift(ADULT).value == 0.0
    assert unknown_posture_shift(ADULT).high == pytest.approx(1.9)
    assert unknown_posture_shift(CHILD).high == pytest.approx(1.428)
    assert unknown_posture_shift(Patient(1.0)).high == pytest.approx(1.061)  # up, below 5 years


@pytest.mark.parametrize("patient", [ADULT, CHILD, Patient()])
def test_movement_is_consistent(patient: Patient) -> None:
    for start in NeckPosture:
        for end in NeckPosture:
            there, back = movement_between(start, end, patient), movement_between(end, start, patient)
            assert there.value == pytest.approx(-back.value)
            assert there.sd == pytest.approx(back.sd)
    for known in (NEUTRAL, FLEXED, EXTENDED):
        assert movement_between(known, known, patient) == Estimate(0.0)
    assert movement_between(UNKNOWN, UNKNOWN, patient).sd > unknown_posture_shift(patient).sd
