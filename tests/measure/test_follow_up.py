import json

import numpy as np
import pytest

from measure.assess import assess
from measure.errors import MeasureError
from measure.estimate import Estimate
from measure.follow_up import PreviousFilm, change_since
from measure.patient import Patient
from measure.posture import NeckPosture, given_posture, shifts_from_neutral
from measure.reading import Reading, unreadable

ADULT = Patient(60.0)
FACTOR = Estimate(1.1, 0.03)


def previous(height_cm=3.0, lip_mark_cm=24.0, posture=NeckPosture.NEUTRAL):
    return PreviousFilm("monday.dcm", Estimate(height_cm, 0.2), lip_mark_cm, given_posture(posture))


def since(before, height_cm, lip_mark_cm, posture=NeckPosture.NEUTRAL, sd_cm=0.2):
    return change_since(before, Estimate(height_cm, sd_cm), lip_mark_cm, given_posture(posture), ADULT, FACTOR)


def test_a_withdrawn_tube_explains_the_change():
    change = since(previous(), 5.2, 22.0)
    assert change.by_lip_mark_cm is not None
    assert change.by_lip_mark_cm.value == pytest.approx(2.0 * FACTOR.value)
    assert change.unexplained_cm.value == pytest.approx(0.0)
    assert not change.flagged


def test_a_tip_that_moved_without_its_mark_is_flagged():
    change = since(previous(), 0.5, 24.0)
    assert change.unexplained_cm.value == pytest.approx(-2.5)
    assert change.flagged


def test_flexion_explains_what_conrardy_measured():
    """Conrardy PA et al. Crit Care Med 1976;4:8-12: flexion moves the tip 1.9 cm towards the carina."""
    change = since(previous(5.0), 3.1, 24.0, NeckPosture.FLEXED)
    assert change.by_posture_cm.low < -1.9 < change.by_posture_cm.high
    assert change.probability_moved < 0.5
    assert not change.flagged


def test_an_unknown_posture_widens_what_is_unexplained():
    known = since(previous(), 1.3, 24.0)
    unknown = since(previous(), 1.3, 24.0, NeckPosture.UNKNOWN)
    assert known.flagged
    assert not unknown.flagged


def test_the_chance_of_a_movement_is_that_of_a_monte_carlo():
    """The neck unknown on both films: 200,000 pairs of necks, heights and magnifications."""
    before = PreviousFilm("monday.dcm", Estimate(4.0, 0.3), 23.0, given_posture(NeckPosture.UNKNOWN))
    change = since(before, 2.2, 23.0, NeckPosture.UNKNOWN, sd_cm=0.3)
    random = np.random.default_rng(8)
    parts = shifts_from_neutral(given_posture(NeckPosture.UNKNOWN), ADULT)

    def necks():
        drawn = random.choice(len(parts), 200_000, p=[part.probability for part in parts])
        return random.normal(*np.array([(part.shift_cm.value, part.shift_cm.sd) for part in parts])[drawn].T)

    rest = random.normal(-1.8, 0.3 * 2**0.5, 200_000) - (necks() - necks())
    rest -= random.normal(0.0, 0.25 * 2**0.5 * FACTOR.value, 200_000)
    assert change.probability_moved == pytest.approx(np.mean(np.abs(rest) >= 1.0), abs=0.01)


def test_another_magnification_is_no_movement():
    """A tube at 5 cm along the airway on a film that magnifies by 1.25, then by 1.05."""
    before = PreviousFilm(
        "monday.dcm", Estimate(6.25, 0.2), 23.0, given_posture(NeckPosture.NEUTRAL), Estimate(1.25, 0.03)
    )
    now = change_since(
        before, Estimate(5.25, 0.2), 23.0, given_posture(NeckPosture.NEUTRAL), ADULT, Estimate(1.05, 0.03)
    )
    assert now.change_cm.value == pytest.approx(0.0)
    assert not now.flagged


def test_without_marks_nothing_is_laid_to_them():
    change = since(previous(lip_mark_cm=None), 3.0, 24.0)
    assert change.by_lip_mark_cm is None


def test_an_earlier_reading_is_taken_up_from_its_json(case_at):
    reading = assess(case_at(4.0))
    taken = PreviousFilm.from_reading(Reading.from_dict(json.loads(json.dumps(reading.to_dict()))))
    assert reading.distance is not None
    assert taken.height_on_film_cm.value == pytest.approx(reading.distance.on_film.value, abs=1e-4)
    assert taken.height_on_film_cm.sd == pytest.approx(reading.distance.on_film.sd, abs=1e-4)
    assert (taken.lip_mark_cm, taken.neck.posture) == (24.0, NeckPosture.NEUTRAL)
    assert taken.film_per_patient is not None
    assert taken.film_per_patient.value == pytest.approx(reading.inputs.film_per_patient.value, abs=1e-4)
    assert PreviousFilm.from_reading(reading, lip_mark_cm=21.0).lip_mark_cm == 21.0


def test_a_reading_without_a_distance_is_refused():
    with pytest.raises(MeasureError, match="previous film"):
        PreviousFilm.from_reading(unreadable("x.dcm", "damaged"))
