"""Posture from the mandible's level case by case, and the published movements of the tip."""

import numpy as np
import pytest
from scipy import stats

from measure import posture
from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.landmarks import VERTEBRAE, Landmark, Landmarks
from measure.patient import Patient
from measure.posture import (
    NeckPosture,
    PostureBelief,
    given_posture,
    mixed,
    movements_between,
    posture_at,
    posture_from_mandible,
    posture_without_mandible,
    shifts_from_neutral,
    unknown_posture,
)

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
    ],
)
def test_undetermined_says_why(marks: Landmarks, reason: str) -> None:
    finding = posture_from_mandible(marks)
    assert finding.posture is UNKNOWN
    assert reason in finding.reason


def shift(belief: PostureBelief, patient: Patient = ADULT) -> Estimate:
    return mixed(shifts_from_neutral(belief, patient))


@pytest.mark.parametrize(("to", "sign"), [(FLEXED, -1.0), (EXTENDED, 1.0)])
def test_a_named_posture_shifts_as_the_accepted_ranges_do(to: NeckPosture, sign: float) -> None:
    """Goodman 1976: 5, 3 and 7 cm; 1.9 cm in Conrardy 1976 and 2.1 +- 1.0 cm in trial KCT0005319 lie close by."""
    found = shift(given_posture(to))
    assert found.value == sign * 2.0
    assert found.low < sign * 1.9 < found.high
    assert found.low < sign * 2.1 < found.high


@pytest.mark.parametrize("to", [FLEXED, EXTENDED])
def test_a_possible_posture_lies_between_the_studies(to: NeckPosture) -> None:
    """The studies' means run from 0.55 to 2.1 cm; 50 anaesthetised adults and the ICU's 1.9 cm are both
    covered."""
    (part,) = shifts_from_neutral(
        unknown_posture("", flexed=float(to is FLEXED), extended=float(to is EXTENDED)), ADULT
    )
    assert abs(part.shift_cm.value) == pytest.approx(1.2)
    assert part.shift_cm.sd == pytest.approx(1.0, abs=0.02)
    means = [abs(study.mean_cm) for study in posture.STUDIES[to]]
    assert min(means) < abs(part.shift_cm.value) < max(means)
    for study in posture.STUDIES[to]:
        assert part.shift_cm.low < study.mean_cm < part.shift_cm.high


def test_an_unknown_posture_is_less_sure_than_any_known_one() -> None:
    for patient in (ADULT, CHILD, Patient()):
        unknown = shift(given_posture(UNKNOWN), patient).sd
        for known in (NEUTRAL, FLEXED, EXTENDED):
            assert shift(given_posture(known), patient).sd < unknown, (patient, known)


def test_range_of_fifty_in_standard_deviations() -> None:
    """Twice the mean of the largest of 50 standard normal values, by numerical integration."""
    largest = stats.norm.expect(lambda x: x * 50.0 * stats.norm.cdf(x) ** 49)
    assert pytest.approx(2.0 * largest, abs=0.001) == posture.RANGE_OVER_SD_OF_50


@pytest.mark.parametrize(("to", "greatest_mm", "sign"), [(EXTENDED, 14.16, 1.0), (FLEXED, 14.28, -1.0)])
def test_child_of_six_by_hand(to: NeckPosture, greatest_mm: float, sign: float) -> None:
    """0.71 x 6 + 9.9 = 14.16 mm up, 0.83 x 6 + 9.3 = 14.28 mm down: Weiss M et al. BJA 2006;96:486-491."""
    found = shift(given_posture(to), CHILD)
    near, far = sorted((found.low, found.high), key=abs)
    assert near == pytest.approx(0.0, abs=1e-12)
    assert far == pytest.approx(sign * greatest_mm / 10.0)


def test_child_by_height_alone_is_no_adult() -> None:
    by_height = shift(given_posture(FLEXED), Patient(height_cm=113.0))  # 6 x 6 + 77
    assert by_height.value == pytest.approx(shift(given_posture(FLEXED), CHILD).value)


def test_over_c7_it_is_as_likely_neutral_as_flexed() -> None:
    belief = posture_at("C7")
    assert (belief.posture, belief.neutral, belief.flexed, belief.extended) == (UNKNOWN, 0.5, 0.5, 0.0)


def test_a_mandible_that_is_not_on_the_film_excludes_flexion() -> None:
    belief = posture_without_mandible()
    assert belief.flexed == 0.0
    assert belief.extended == pytest.approx(0.1 / 0.8)


def test_mixture_of_a_hundred_thousand_necks() -> None:
    random = np.random.default_rng(2)
    parts = shifts_from_neutral(given_posture(UNKNOWN), ADULT)
    drawn = random.choice(len(parts), 100_000, p=[part.probability for part in parts])
    necks = random.normal(*np.array([(part.shift_cm.value, part.shift_cm.sd) for part in parts])[drawn].T)
    assert mixed(parts).value == pytest.approx(necks.mean(), abs=0.01)
    assert mixed(parts).sd == pytest.approx(necks.std(), rel=0.01)


@pytest.mark.parametrize("patient", [ADULT, CHILD, Patient()])
def test_movement_is_consistent(patient: Patient) -> None:
    for start in NeckPosture:
        for end in NeckPosture:
            before, after = given_posture(start), given_posture(end)
            there, back = (
                mixed(movements_between(one, other, patient)) for one, other in ((before, after), (after, before))
            )
            assert there.value == pytest.approx(-back.value)
            assert there.sd == pytest.approx(back.sd)
    for known in (NEUTRAL, FLEXED, EXTENDED):
        (part,) = movements_between(given_posture(known), given_posture(known), patient)
        assert part.shift_cm == Estimate(0.0)


@pytest.mark.parametrize("shares", [(0.5, 0.5, 0.5), (1.2, -0.2, 0.0)])
def test_beliefs_that_are_no_probabilities_are_refused(shares: tuple[float, float, float]) -> None:
    with pytest.raises(MeasureError, match="add up to 1"):
        PostureBelief(UNKNOWN, "", *shares)
