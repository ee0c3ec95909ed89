import pytest

from annotate.window.form import FIELDS, read_form
from measure.patient import Sex
from measure.posture import NeckPosture
from measure.tube import TubeKind

GIVEN = {
    "lip_mark": "23,5",
    "neck": "neutral",
    "tube_size": "8",
    "tube_outside": "11",
    "age": "18m",
    "sex": "female",
    "height": "80",
    "cuff_pressure": "2.4kPa",
    "mm_per_pixel": "0.143",
    "object_mm": "11",
    "tube_kind": "reinforced",
    "mandible": "C5",
    "clear": "yes",
}


def test_every_field_is_taken_up():
    assert set(GIVEN) == {field.key for field in FIELDS}
    known, problems = read_form(GIVEN)
    assert problems == {}
    case = known.case
    assert (case.lip_mark_cm, case.posture) == (23.5, NeckPosture.NEUTRAL)
    assert (case.tube.size_mm, case.tube.outside_diameter_mm) == (8.0, 11.0)
    assert (case.patient.age_years, case.patient.sex, case.patient.height_cm) == (1.5, Sex.FEMALE, 80.0)
    assert case.cuff_pressure.cmh2o == pytest.approx(24.47, abs=0.01)
    assert (known.mm_per_pixel, known.object_mm) == (0.143, 11.0)


def test_the_short_way_to_the_neck_and_the_tube():
    known, _ = read_form(GIVEN)
    assert (known.case.mandible, known.case.tube.kind, known.clear) == ("C5", TubeKind.REINFORCED, True)
    assert read_form({"mandible": "absent"})[0].case.mandible == "absent"
    assert read_form({"mandible": "412"})[0].mandible_row == 412.0


@pytest.mark.parametrize("key", sorted(GIVEN.keys() - {"clear"}))
def test_a_field_that_cannot_be_leaves_the_others(key):
    known, problems = read_form(GIVEN | {key: "twenty"})
    assert set(problems) == {key}
    assert "twenty" in problems[key]
    alone, _ = read_form({name: text for name, text in GIVEN.items() if name != key})
    assert known == alone


def test_fields_that_contradict_each_other_are_told_at_the_later_one():
    known, problems = read_form({"tube_size": "8", "tube_outside": "7"})
    assert set(problems) == {"tube_outside"}
    assert known.case.tube.size_mm == 8.0
    assert known.case.tube.outside_diameter_mm is None


def test_an_empty_form_knows_nothing():
    assert read_form({}) == read_form({"age": "  "})
