"""Marks of a turned film against NumPy's own turn of its pixels, and a Reading that the turn leaves as it is."""

from dataclasses import replace

import numpy as np
import pytest

from measure.assess import assess
from measure.case import Case
from measure.errors import MeasureError
from measure.landmarks import KnownObject, Landmark, Landmarks
from measure.spacing import Plane, Spacing, SpacingSource
from measure.turning import turned_landmark, turned_landmarks, turned_shape
from measure.verdict import Verdict

SHAPE = (1000, 800)
MARKS = Landmarks(
    tip=Landmark(420, 390, 8.0),
    carina=Landmark(560, 405, 12.0),
    airway_path=(Landmark(450, 392, 3.0), Landmark(500, 398, 3.0)),
    mandible=Landmark(90, 400, 12.0),
    vertebrae={"C5": Landmark(60, 400, 9.0), "T1": Landmark(180, 401, 9.0)},
    tracheal_walls=(Landmark(450, 370, 3.0), Landmark(450, 420, 3.0)),
    known_object=KnownObject(Landmark(700, 100, 3.0), Landmark(700, 200, 3.0), 30.0),
)


def case(turns: int, marks: Landmarks = MARKS) -> Case:
    """A film that lies so that `turns` quarters bring it upright; its pixels are taller than wide."""
    spacing = Spacing(0.42, 0.36, Plane.DETECTOR, SpacingSource.USER)
    if turns % 2:
        spacing = replace(spacing, row_mm=spacing.column_mm, column_mm=spacing.row_mm)
    shape = turned_shape(SHAPE, -turns)
    return Case(
        "film",
        turned_landmarks(marks, SHAPE, -turns),
        spacing,
        shape=shape,
        centre_row=(shape[0] - 1) / 2.0,
        pixel_aspect=spacing.row_mm / spacing.column_mm,
        quarter_turns=turns,
    )


@pytest.mark.parametrize("turns", range(-3, 8))
def test_a_mark_goes_where_numpy_turns_its_pixel(turns):
    pixels = np.zeros((7, 5))
    pixels[1, 3] = 1.0
    row, column = np.argwhere(np.rot90(pixels, turns))[0]
    mark = turned_landmark(Landmark(1, 3, 2.0), (7, 5), turns)
    assert (mark.row, mark.column, mark.sd_px) == (row, column, 2.0)
    second = turned_landmark(Landmark(0, 0, 2.0, other=Landmark(1, 3, 2.0)), (7, 5), turns).other
    assert second == mark


@pytest.mark.parametrize("turns", range(4))
def test_every_mark_comes_back(turns):
    there = turned_landmarks(MARKS, SHAPE, turns)
    assert (there == MARKS) is (turns == 0)
    assert turned_landmarks(there, turned_shape(SHAPE, turns), -turns) == MARKS


@pytest.mark.parametrize("turns", [1, 2, 3])
@pytest.mark.parametrize("below_carina", [False, True])
def test_a_turned_film_reads_as_the_upright_one(turns, below_carina):
    marks = replace(MARKS, tip=Landmark(640, 350, 8.0), airway_path=()) if below_carina else MARKS
    upright, turned = assess(case(0, marks)), assess(case(turns, marks))
    assert (upright.verdict is Verdict.IN_A_MAIN_BRONCHUS) is below_carina
    assert turned.verdict is upright.verdict
    assert turned.reason == upright.reason
    assert turned.distance == upright.distance
    assert turned.adjustment == upright.adjustment
    assert turned.inputs.neck_posture is upright.inputs.neck_posture
    assert turned.landmarks == case(turns, marks).landmarks
    assert turned.inputs.spacing == case(turns).spacing
    assert "measured turned" in turned.cautions[0]
    assert turned.cautions[1:] == upright.cautions


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_rough_scale_of_a_turned_film_is_that_of_the_upright_one(turns):
    upright, turned = (assess(replace(case(n), spacing=None)) for n in (0, turns))
    assert upright.inputs.spacing.rough
    assert turned.distance == upright.distance


@pytest.mark.parametrize(("turns", "shape"), [(4, SHAPE), (-1, SHAPE), (1, None)])
def test_turns_that_cannot_be_are_refused(turns, shape):
    with pytest.raises(MeasureError, match="quarter turns"):
        replace(case(0), quarter_turns=turns, shape=shape)
