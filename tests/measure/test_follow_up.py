import json

import pytest

from measure.assess import assess
from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.follow_up import PreviousFilm, change_since
from measure.patient import Patient
from measure.posture import NeckPosture

ADULT = Patient(60.0)
FACTOR = Estimate(1.1, 0.03)


def previous(height_cm=3.0, lip_mark_cm=24.0, posture=NeckPosture.NEUTRAL):
    return PreviousFilm("monday.dcm", Estimate(height_cm, 0.2), lip_mark_cm, posture)


def test_a_withdrawn_tube_explains_the_change():
    change = change_since(previous(), Estimate(5.2, 0.2), 22.0, NeckPosture.NEUTRAL, ADULT, FACTOR)
    assert change.by_lip_mark_cm is not None
    assert change.by_lip_mark_cm.value == pytest.approx(2.0 * FACTOR.value)
    assert change.unexplained_cm.value == pytest.approx(0.0)
    assert not change.flagged


def test_a_tip_that_moved_without_its_mark_is_flagged():
    change = change_since(previous(), Estimate(0.5, 0.2), 24.0, NeckPosture.NEUTRAL, ADULT, FACTOR)
    assert change.unexplained_cm.value == pytest.approx(-2.5)
    assert change.flagged


def test_flexion_explains_what_conrardy_measured():
    """Conrardy PA et al. Crit Care Med 1976;4:8-12: flexion moves the tip 1.9 cm towards the carina."""
    change = change_since(previous(5.0), Estimate(3.1, 0.2), 24.0, NeckPosture.FLEXED, ADULT, FACTOR)
    assert change.by_posture_cm.value == pytest.approx(-1.9)
    assert not change.flagged


def test_an_unknown_posture_widens_what_is_unexplained():
    known = change_since(previous(), Estimate(1.5, 0.2), 24.0, NeckPosture.NEUTRAL, ADULT, FACTOR)
    unknown = change_since(previous(), Estimate(1.5, 0.2), 24.0, NeckPosture.UNKNOWN, ADULT, FACTOR)
    assert known.flagged
    assert not unknown.flagged


def test_without_marks_nothing_is_laid_to_them():
    change = change_since(previous(lip_mark_cm=None), Estimate(3.0, 0.2), 24.0, NeckPosture.NEUTRAL, ADULT, FACTOR)
    assert change.by_lip_mark_cm is None


def test_an_earlier_reading_is_taken_up_from_its_json(case_at):
    reading = assess(case_at(4.0))
    taken = PreviousFilm.from_reading(json.loads(json.dumps(reading.to_dict())))
    assert reading.distance is not None
    assert taken.height_on_film_cm.value == pytest.approx(reading.distance.on_film.value, abs=1e-4)
    assert taken.height_on_film_cm.sd == pytest.approx(reading.distance.on_film.sd, abs=1e-4)
    assert (taken.lip_mark_cm, taken.posture) == (24.0, NeckPosture.NEUTRAL)
    assert PreviousFilm.from_reading(reading.to_dict(), lip_mark_cm=21.0).lip_mark_cm == 21.0


@pytest.mark.parametrize(
    "junk",
    [
        {},
        {"distance": None, "inputs": {}},
        {"distance": {}, "inputs": {}},
        {
            "distance": {"on_film_cm": "x", "on_film_low_cm": 1, "on_film_high_cm": 2},
            "inputs": {"lip_mark_cm": None, "neck_posture": "neutral"},
        },
        {
            "distance": {"on_film_cm": 1, "on_film_low_cm": 1, "on_film_high_cm": 2},
            "inputs": {"lip_mark_cm": None, "neck_posture": "sideways"},
        },
    ],
)
def test_what_is_no_reading_is_refused(junk):
    with pytest.raises(MeasureError, match="previous film"):
        PreviousFilm.from_reading(junk)
