import pytest

from measure.estimate import Estimate
from measure.landmarks import VERTEBRAE, Landmark, Landmarks
from measure.posture import NeckPosture
from measure.spine import PITCH_MM, height_above_carina_mm, mm_per_row, posture_by_carina, reaches_c7

MM_PER_ROW = Estimate(0.2, 0.0)
CARINA = Landmark(1500.0, 1000.0, 5.0)


def row_of(level):
    return CARINA.row - height_above_carina_mm(VERTEBRAE.index(level)).value / MM_PER_ROW.value


def test_a_vertebra_at_the_carina_measures_what_is_published():
    """Song YG et al. Br J Anaesth 2015;115:252-257: 22.6 +- 2.1 mm with its disc on the chest film, n = 524."""
    marks = Landmarks(vertebrae={"T5": Landmark(1000.0, 1.0, 0.0), "T7": Landmark(1000.0 + 2 * 226.0, 1.0, 0.0)})
    scale = mm_per_row(marks)
    assert scale is not None
    assert scale.value == pytest.approx(0.1)
    assert scale.sd / scale.value == pytest.approx(2.1 / 22.6)


@pytest.mark.parametrize("names", [(), ("T4",)])
def test_one_vertebra_is_no_ruler(names):
    assert mm_per_row(Landmarks(vertebrae={name: Landmark(1.0, 1.0, 1.0) for name in names})) is None


def test_vertebrae_upside_down_are_no_ruler():
    marks = Landmarks(vertebrae={"T4": Landmark(900.0, 1.0, 1.0), "T6": Landmark(500.0, 1.0, 1.0)})
    assert mm_per_row(marks) is None


def test_upper_vertebrae_are_shorter():
    levels = [height_above_carina_mm(VERTEBRAE.index(name)).value for name in ("C4", "C7", "T2", "T4", "T6")]
    assert levels == sorted(levels, reverse=True)
    assert levels[0] / (VERTEBRAE.index("T6") - VERTEBRAE.index("C4")) < PITCH_MM.value


@pytest.mark.parametrize(
    ("level", "likeliest"), [("C3", "extended"), ("C5", "neutral"), ("C6", "neutral"), ("T2", "flexed")]
)
def test_the_height_of_the_mandible_tells_the_posture_softly(level, likeliest):
    belief = posture_by_carina(Landmark(row_of(level), 1000.0, 5.0), CARINA, MM_PER_ROW)
    chances = {"neutral": belief.neutral, "flexed": belief.flexed, "extended": belief.extended}
    assert max(chances, key=chances.__getitem__) == likeliest
    assert sum(chances.values()) == pytest.approx(1.0)


def test_a_mandible_far_below_is_flexed_by_name():
    belief = posture_by_carina(Landmark(row_of("T4"), 1000.0, 5.0), CARINA, MM_PER_ROW)
    assert belief.posture is NeckPosture.FLEXED


@pytest.mark.parametrize(("above_mm", "reaches"), [(90.0, False), (130.0, False), (180.0, True)])
def test_whether_a_film_reaches_c7(above_mm, reaches):
    assert reaches_c7(Landmark(above_mm / 0.2, 1000.0, 5.0), MM_PER_ROW) is reaches
