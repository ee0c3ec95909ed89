"""A Reading goes out as JSON and comes back."""

import json
import math
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from measure.assess import assess
from measure.cuff import CuffPressure
from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.follow_up import PreviousFilm
from measure.landmarks import VERTEBRAE, KnownObject, Landmark, Source
from measure.patient import Patient, Sex
from measure.posture import NeckPosture
from measure.reading import DECIMALS, Reading, unreadable
from measure.row import COLUMNS, column_type
from measure.spacing import Plane, Spacing, SpacingSource
from measure.tube import Tube, TubeKind

STORED = json.loads((Path(__file__).parents[1] / "annotate/logbook/entries_schema_1.json").read_text())
LAST_DIGIT = 1.5 * 10.0**-DECIMALS
"""Value and both ends of an interval are rounded each: coming back, an end may lie one digit aside."""


def through_json(reading):
    return json.loads(json.dumps(reading.to_dict(), allow_nan=False))


def alike(one, other):
    """The same JSON, numbers to their last digit."""
    if isinstance(one, dict):
        return isinstance(other, dict) and one.keys() == other.keys() and all(alike(one[k], other[k]) for k in one)
    if isinstance(one, list):
        return isinstance(other, list) and len(one) == len(other) and all(map(alike, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, abs_tol=LAST_DIGIT)
    return type(one) is type(other) and one == other


def points(**bounds):
    place = st.floats(10.0, 2500.0)
    return st.builds(
        Landmark,
        place,
        place,
        st.floats(0.5, 60.0),
        st.sampled_from(Source),
        st.floats(0.0, 1.0),
        st.text(max_size=5),
    )


MARKS = {
    "airway_path": st.lists(points(), max_size=3).map(tuple),
    "tube_line": st.lists(points(), max_size=2).map(tuple),
    "cords": st.none() | points(),
    "cuff_upper": st.none() | points(),
    "mandible": st.none() | points(),
    "tracheal_walls": st.none() | st.tuples(points(), points()),
    "cuff_walls": st.none() | st.tuples(points(), points()),
    "vertebrae": st.dictionaries(st.sampled_from(VERTEBRAE), points(), max_size=4),
    "known_object": st.none() | st.builds(KnownObject, points(), points(), st.floats(1.0, 50.0)),
}
PATIENTS = st.builds(
    Patient,
    st.none() | st.floats(0.0, 100.0),
    st.none() | st.sampled_from(Sex),
    st.none() | st.floats(60.0, 200.0),
)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    height_cm=st.floats(-4.0, 14.0),
    marks=st.fixed_dictionaries({}, optional=MARKS),
    patient=PATIENTS,
    posture=st.sampled_from(NeckPosture),
    lip_mark_cm=st.none() | st.floats(12.0, 30.0),
    spacing=st.sampled_from(SpacingSource).map(lambda s: Spacing(0.14, 0.15, Plane.DETECTOR, s, 0.01, "n"))
    | st.none(),
    tube=st.builds(Tube, size_mm=st.none() | st.floats(6.0, 9.0), kind=st.sampled_from(TubeKind)),
    accepted=st.sampled_from(["goodman", "prehospital", "teaching-2-5"]),
    followed=st.booleans(),
)
def test_every_reading_comes_back(
    case_at, height_cm, marks, patient, posture, lip_mark_cm, spacing, tube, accepted, followed
):
    case = case_at(
        height_cm, patient=patient, posture=posture, lip_mark_cm=lip_mark_cm, spacing=spacing, tube=tube,
        accepted_range=accepted, cuff_pressure=CuffPressure(32.0), shape=(2800, 2400),
    )  # fmt: skip
    case = replace(case, landmarks=replace(case.landmarks, **marks))
    if followed:
        case = replace(case, previous=PreviousFilm.from_reading(assess(case_at(4.0))))
    reading = assess(case)
    back = Reading.from_dict(through_json(reading))
    assert alike(back.to_dict(), reading.to_dict())
    assert (back.verdict, back.reason, back.cautions) == (reading.verdict, reading.reason, reading.cautions)


def test_what_comes_back_is_the_same_down_to_its_types(case_at):
    reading = assess(case_at(2.0, tube=Tube(8.0, cuff_upper_from_tip_cm=Estimate(6.0, 0.4))))
    back = Reading.from_dict(through_json(reading))
    assert back.adjustment is not None
    assert reading.adjustment is not None
    assert back.adjustment.action is reading.adjustment.action
    assert back.adjustment.urgency is reading.adjustment.urgency
    assert back.landmarks.carina == reading.landmarks.carina
    assert back.inputs is not None
    own = back.inputs.tube.cuff_upper_from_tip_cm
    assert own is not None
    assert (own.value, own.sd) == pytest.approx((6.0, 0.4), abs=LAST_DIGIT)
    assert back.inputs.patient == Patient(60.0, Sex.MALE, 178.0)


def test_a_second_place_comes_back_and_is_told(case_at):
    case = case_at(3.0)
    plain = through_json(assess(case))
    assert "other" not in plain["tip"]
    other = Landmark(300.0, 410.0, 9.0, Source.PROPOSED, 0.25)
    tip = replace(case.landmarks.tip, source=Source.PROPOSED, confidence=0.7, other=other)
    reading = assess(replace(case, landmarks=replace(case.landmarks, tip=tip)))
    assert Reading.from_dict(through_json(reading)).landmarks.tip.other == other
    assert any("tip may also lie at row 300, column 410 (probability 25%)" in c for c in reading.cautions)


def test_a_range_without_an_upper_limit_keeps_none(case_at):
    back = Reading.from_dict(through_json(assess(case_at(4.0, accepted_range="prehospital"))))
    assert back.accepted_range is not None
    assert math.isinf(back.accepted_range.high_cm.value)


def test_a_film_that_could_not_be_read_comes_back():
    reading = unreadable("x.dcm", "damaged")
    assert Reading.from_dict(through_json(reading)) == reading


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"schema_version": "3.0"}, "'3.0' found, 2.0 or 1.0 expected"),
        ({"verdict": "fine"}, "'fine' is not a valid Verdict"),
        ({"reason": 7}, "7 found, str expected"),
        ({"tip": {"row": "x", "column": 1, "sd_px": 1}}, "'x' found, a number expected"),
        ({"distance": {}}, "follows_path|on_film"),
        ({"distance": {"on_film_cm": 1}}, "on_film_low_cm|follows_path"),
        ({"inputs": {"lip_mark_cm": None, "neck_posture": "sideways"}}, "JSON"),
        ({"adjustment": {"action": "leave"}}, "JSON"),
    ],
)
def test_what_is_no_reading_is_refused(case_at, change, words):
    with pytest.raises(MeasureError, match=words):
        Reading.from_dict(through_json(assess(case_at(4.0))) | change)


@pytest.mark.parametrize("entry", STORED)
def test_a_reading_of_schema_1_comes_back_without_what_it_judged_by_another_rule(entry):
    stored = entry["reading"]
    assert stored["schema_version"] == "1.0"
    back = Reading.from_dict(stored)
    assert (back.probabilities, back.adjustment, back.change) == (None, None, None)
    assert back.verdict.value == stored["verdict"]
    assert back.distance is not None
    assert back.distance.on_film.value == stored["distance"]["on_film_cm"]
    assert math.isinf(back.distance.aside_on_film.sd)
    assert PreviousFilm.from_reading(back).lip_mark_cm == stored["inputs"]["lip_mark_cm"]


def test_a_command_that_needs_no_json_does_not_load_the_library_for_it():
    asked = "import sys, annotate.commands.read, measure.assess; print('cattrs' in sys.modules)"
    told = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert told.stdout == "False\n"


def test_the_row_has_the_same_columns_for_every_reading(case_at):
    rows = [assess(case_at(h)).row() for h in (-1.0, 4.0, 9.0)] + [unreadable("x", "damaged").row()]
    assert all(tuple(row) == COLUMNS for row in rows)
    kinds = {"double": float, "string": str, "bool": bool}
    for row in rows:
        for name, value in row.items():
            assert value is None or type(value) is kinds[column_type(name)], name


def test_the_row_tells_the_move_with_its_sign_and_a_rough_scale(case_at):
    row = assess(case_at(0.3)).row()
    assert (row["action"], row["urgency"], row["rough"]) == ("withdraw", "now", False)
    assert row["move_cm"] < 0.0
    assert row["to_mark_cm"] == pytest.approx(24.0 + row["move_cm"])
    zones = ("in_main_bronchus", "too_low", "within_range", "too_high")
    assert sum(row[f"chance_{zone}"] for zone in zones) == pytest.approx(1.0, abs=4 * LAST_DIGIT)
    rough = assess(case_at(5.0, spacing=None, shape=(3000, 2500))).row()
    assert rough["rough"] is True
