import math
import pickle

import pytest

from measure.assess import assess
from measure.errors import MeasureError
from measure.landmarks import (
    CLEAR_SD_MM,
    HAND_SD_MM,
    KINDS,
    KNOWN_OBJECT,
    KnownObject,
    Landmark,
    Landmarks,
    hand_sd_px,
)


@pytest.mark.parametrize(
    "numbers", [(math.nan, 1, 1, 1), (1, math.inf, 1, 1), (1, 1, -0.1, 1), (1, 1, 1, 1.2), (1, 1, 1, math.nan)]
)
def test_half_built_marks_are_refused(numbers):
    row, column, sd_px, confidence = numbers
    with pytest.raises(MeasureError, match="landmark"):
        Landmark(row, column, sd_px, confidence=confidence)


@pytest.mark.parametrize(("name", "mean_difference_mm"), [("tip", 2.5), ("carina", 4.2)])
def test_hand_spread_gives_back_the_published_difference_of_two_readings(name, mean_difference_mm):
    """33 tips and 20 carinas read twice, blind: two readings differ by a Rayleigh of scale sd * sqrt 2."""
    sd_mm = hand_sd_px(name, mm_per_px=1.0, clear=True)
    assert sd_mm * math.sqrt(2.0) * math.sqrt(math.pi / 2.0) == pytest.approx(mean_difference_mm, rel=0.03)


def test_a_routine_mark_lies_between_the_two_published_agreements():
    """Two radiologists differ by 7.0 mm in the mean: J Digit Imaging 2021;34:846-852; for one, 6.2 mm on the
    distance."""
    published = 7.0 / (2.0 / math.sqrt(math.pi))
    routine, clear = (math.hypot(*table.values()) for table in (HAND_SD_MM, CLEAR_SD_MM))
    assert clear < routine < published
    assert routine**2 == pytest.approx((clear**2 + published**2) / 2.0)


def test_a_childs_film_is_read_enlarged():
    assert hand_sd_px("tip", 0.1, body_share=0.4) == pytest.approx(0.4 * hand_sd_px("tip", 0.1))


def test_hand_spread_scales_with_the_pixel():
    assert hand_sd_px("tip", 0.1) == pytest.approx(HAND_SD_MM["tip"] / 0.1)
    assert hand_sd_px("cords", 0.1) == hand_sd_px("carina", 0.1)


def points_of(kind):
    """As many points as the kind needs, beside one another."""
    return tuple(Landmark(700.0, 900.0 + 40.0 * number, 3.0) for number in range(kind.fewest))


def test_every_field_of_landmarks_has_its_row_in_the_table():
    fields = set(Landmarks.__dataclass_fields__) - {"tube_line", "spine"}  # proposed alone, never marked
    assert {kind.field for kind in KINDS.values()} == fields


@pytest.mark.parametrize("name", [name for name in KINDS if name != KNOWN_OBJECT])
def test_every_kind_goes_from_mark_to_reading_and_json(case_at, name):
    """A name in one table alone would be dropped without a word."""
    kind, marks = KINDS[name], case_at(4.0).landmarks
    placed = Landmarks.placed({"tip": (marks.tip,), "carina": (marks.carina,), name: points_of(kind)})
    reading = assess(case_at(4.0, landmarks=placed))
    kept = getattr(reading.landmarks, kind.field)
    assert kept
    said = reading.to_dict()
    plain = said[kind.field] if kind.field in said else said["landmarks"][kind.field]
    assert name in plain if kind.field == "vertebrae" else plain


@pytest.mark.parametrize(("name", "points"), [("nose", 1), ("cuff-walls", 1), ("cords", 2), (KNOWN_OBJECT, 2)])
def test_what_is_no_landmark_or_has_the_wrong_points_is_refused(name, points):
    with pytest.raises(MeasureError, match=name):
        Landmarks.placed({name: (Landmark(1.0, 1.0, 1.0),) * points})


def test_an_unknown_vertebra_is_refused_at_birth_and_the_others_cannot_be_changed():
    with pytest.raises(MeasureError, match="S1"):
        Landmarks(vertebrae={"S1": Landmark(1.0, 1.0, 1.0)})
    with pytest.raises(TypeError):
        Landmarks(vertebrae={"T1": Landmark(1.0, 1.0, 1.0)}).vertebrae["T2"] = None


def test_landmarks_travel_to_another_process():
    marks = Landmarks(tip=Landmark(1.0, 2.0, 3.0), vertebrae={"T1": Landmark(1.0, 1.0, 1.0)})
    assert pickle.loads(pickle.dumps(marks)) == marks


@pytest.mark.parametrize(("length_mm", "sd_mm"), [(0.0, 0.0), (-3.0, 0.0), (math.nan, 0.0), (5.0, -1.0)])
def test_an_object_without_a_length_is_refused(length_mm, sd_mm):
    with pytest.raises(MeasureError, match="known object"):
        KnownObject(Landmark(1, 1, 1), Landmark(2, 2, 1), length_mm, sd_mm)
