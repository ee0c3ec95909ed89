"""When films were taken orders them, and no date is kept."""

from datetime import datetime, timedelta

import pytest

from annotate.logbook.privacy import film_hours, pseudonym
from annotate.logbook.record import draft_of
from annotate.logbook.store import Logbook
from annotate.logbook.trend import films_of, previous_entry, trend
from measure.assess import Case, assess
from measure.landmarks import Landmark, Landmarks
from measure.spacing import Plane, Spacing, SpacingSource

TAKEN = datetime(2026, 3, 2, 6, 30)


@pytest.fixture(autouse=True)
def own_key(tmp_path, monkeypatch):
    monkeypatch.setenv("LIPMARK_KEY", str(tmp_path / "key"))


def hours(after=0.0, patient="bed 7"):
    return film_hours(patient, f"{TAKEN + timedelta(hours=after):%Y%m%d%H%M%S}")


def test_films_of_a_patient_stand_at_their_true_distance():
    assert hours(13.5) - hours() == pytest.approx(13.5)


def test_the_moment_itself_is_secret_and_the_patients_own(tmp_path, monkeypatch):
    first = hours()
    assert abs(first - hours(patient="bed 8")) > 1.0
    monkeypatch.setenv("LIPMARK_KEY", str(tmp_path / "another key"))
    assert abs(first - hours()) > 1.0


@pytest.mark.parametrize(("patient", "taken"), [("", "20260302063000"), ("bed 7", ""), ("bed 7", "20260302")])
def test_without_patient_or_time_there_are_no_hours(patient, taken):
    assert film_hours(patient, taken) is None


def kept(logbook, number, when):
    marks = Landmarks(tip=Landmark(500.0 + 10.0 * number, 400.0, 3.0), carina=Landmark(800.0, 400.0, 3.0))
    case = Case(f"{number}", marks, Spacing(0.2, 0.2, Plane.DETECTOR, SpacingSource.IMAGER_PIXEL_SPACING))
    draft = draft_of(f"{number:064x}", pseudonym("bed 7"), case, assess(case), "AB", film_hours=when)
    return logbook.save(draft)


def test_the_trend_follows_the_films_not_the_reading(tmp_path):
    with Logbook.open(str(tmp_path / "log.sqlite")) as logbook:
        kept(logbook, 3, hours(30.0))
        kept(logbook, 1, hours(0.0))
        kept(logbook, 2, hours(12.0))
        points = trend(films_of(logbook, pseudonym("bed 7")))
        assert [int(point.entry.film, 16) for point in points] == [1, 2, 3]
        assert [point.hours for point in points] == pytest.approx([0.0, 12.0, 30.0])
        before = previous_entry(logbook, pseudonym("bed 7"), f"{9:064x}", hours(20.0))
        assert int(before.film, 16) == 2


def test_where_one_film_has_no_time_the_order_is_that_of_the_reading(tmp_path):
    with Logbook.open(str(tmp_path / "log.sqlite")) as logbook:
        kept(logbook, 3, hours(30.0))
        kept(logbook, 1, None)
        kept(logbook, 2, hours(12.0))
        points = trend(films_of(logbook, pseudonym("bed 7")))
        assert [int(point.entry.film, 16) for point in points] == [3, 1, 2]
        assert {point.hours for point in points} == {None}
        assert str(TAKEN.year) not in str([point.entry.inputs for point in points])
