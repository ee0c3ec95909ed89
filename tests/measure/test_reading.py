import json
from pathlib import Path

import jsonschema
import pytest

from measure.accepted_range import RANGE_NAMES
from measure.assess import assess
from measure.cuff import CuffPressure
from measure.follow_up import PreviousFilm
from measure.landmarks import Landmarks
from measure.posture import NeckPosture
from measure.reading import SCHEMA_VERSION, unreadable
from measure.tube import Tube

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "reading.schema.json").read_text(encoding="utf-8"))
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)


def object_of(reading):
    return json.loads(json.dumps(reading.to_dict(), allow_nan=False))


def test_the_schema_is_a_schema_and_carries_the_version_of_the_code():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["properties"]["schema_version"]["const"] == SCHEMA_VERSION


@pytest.mark.parametrize("height_cm", [-2.0, 0.2, 2.0, 3.1, 5.0, 7.0, 9.0])
@pytest.mark.parametrize("posture", [NeckPosture.NEUTRAL, NeckPosture.UNKNOWN])
def test_every_verdict_is_valid(case_at, height_cm, posture):
    VALIDATOR.validate(object_of(assess(case_at(height_cm, posture=posture))))


@pytest.mark.parametrize("choice", RANGE_NAMES)
def test_every_range_is_valid(case_at, choice):
    VALIDATOR.validate(object_of(assess(case_at(5.0, accepted_range=choice))))


def test_a_reading_with_everything_is_valid(case_at):
    earlier = PreviousFilm.from_reading(assess(case_at(3.0)))
    case = case_at(5.0, previous=earlier, cuff_pressure=CuffPressure(15.0), tube=Tube(8.0, 11.0))
    plain = object_of(assess(case))
    VALIDATOR.validate(plain)
    assert plain["change"] is not None
    assert plain["cuff"]["pressure"] is not None


def test_answers_without_a_number_are_valid(case_at):
    VALIDATOR.validate(object_of(unreadable("x.dcm", "damaged")))
    VALIDATOR.validate(object_of(assess(case_at(5.0, spacing=None))))
    VALIDATOR.validate(object_of(assess(case_at(5.0, landmarks=Landmarks()))))


def test_the_schema_refuses_what_is_no_reading(case_at):
    plain = object_of(assess(case_at(5.0)))
    without_tip = {key: value for key, value in plain.items() if key != "tip"}
    stray = {**plain, "landmarks": {"lung": plain["tip"]}}
    old = {**plain, "judged_cm": None}
    for broken in ({**plain, "verdict": "fine"}, {**plain, "extra": 1}, without_tip, stray, old):
        with pytest.raises(jsonschema.ValidationError):
            VALIDATOR.validate(broken)
