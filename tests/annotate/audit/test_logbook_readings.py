"""The logbook as a source: its current readings, measured again by one rule."""

import pytest

from annotate.logbook.rebuild import case_of_entry
from annotate.logbook.record import draft_of
from annotate.logbook.store import Logbook
from measure.accepted_range import own_range
from measure.assess import Case, assess
from measure.cuff import CuffPressure
from measure.estimate import Estimate
from measure.insertion_depth import Route
from measure.landmarks import KnownObject, Landmark, Landmarks, Source
from measure.magnification import View, from_factor
from measure.patient import Patient, Sex
from measure.posture import NeckPosture
from measure.spacing import Plane, Spacing, SpacingSource
from measure.tube import Tube

SPACING = Spacing(0.2, 0.2, Plane.DETECTOR, SpacingSource.IMAGER_PIXEL_SPACING, 0.005)


def case_at(tip_row, posture=NeckPosture.UNKNOWN, source=Source.HAND):
    """A film whose carina is at row 1000."""
    tip = Landmark(tip_row, 500.0, 7.0, source, 1.0 if source is Source.HAND else 0.9)
    return Case("x.dcm", Landmarks(tip, Landmark(1000.0, 500.0, 12.0)), SPACING, view=View.AP, posture=posture)


@pytest.fixture
def logbook(tmp_path, monkeypatch):
    """Saves a case by a reader; returns its number."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    for name in ("LIPMARK_LOGBOOK", "LIPMARK_KEY"):
        monkeypatch.delenv(name, raising=False)

    def save(case, film=1, reader="AB", supersedes=None):
        draft = draft_of(f"{film:064x}", None, case, assess(case), reader, supersedes=supersedes)
        with Logbook.open() as opened:
            return opened.save(draft).number

    return save


RICH = Case(
    film="",
    landmarks=Landmarks(
        tip=Landmark(700.0, 500.0, 7.0, Source.PROPOSED, 0.8, "seen twice"),
        carina=Landmark(1000.0, 510.0, 12.0),
        airway_path=(Landmark(800.0, 505.0, 5.0), Landmark(900.0, 507.0, 5.0)),
        tracheal_walls=(Landmark(800.0, 450.0, 5.0), Landmark(800.0, 550.0, 5.0)),
        vertebrae={"T1": Landmark(300.0, 520.0, 9.0), "T2": Landmark(400.0, 520.0, 9.0)},
        known_object=KnownObject(Landmark(1.0, 2.0, 3.0), Landmark(50.0, 2.0, 3.0), 10.5),
    ),
    spacing=SPACING,
    magnification=from_factor(1.15),
    view=View.AP,
    centre_row=1023.5,
    patient=Patient(60.0, Sex.FEMALE, 165.0),
    tube=Tube(7.5, 10.2, Estimate(6.0)),
    lip_mark_cm=22.0,
    route=Route.NASAL,
    posture=NeckPosture.FLEXED,
    cuff_pressure=CuffPressure.parse("25"),
    accepted_range=own_range("2.5-5.5"),
    weight_kg=70.0,
)


def test_case_comes_back_as_it_was(logbook):
    number = logbook(RICH)
    with Logbook.open() as opened:
        case = case_of_entry(opened.entry(number))
    assert case.film == f"entry {number}"
    assert assess(case).to_dict() | {"film": ""} == assess(RICH).to_dict()
    assert case.landmarks == RICH.landmarks
    assert case.accepted_range == RICH.accepted_range


def test_current_readings_are_audited_by_one_range(audit, logbook, tmp_path, rows_in):
    first = logbook(case_at(900.0), film=1)
    logbook(case_at(750.0, NeckPosture.NEUTRAL), film=1, supersedes=first)
    logbook(case_at(755.0), film=1, reader="CD")
    logbook(case_at(700.0, source=Source.PROPOSED), film=2)
    words = ("logbook", "--out", tmp_path / "out", "--range", "schwartz", "--neck", "neutral")
    status, told, err = audit(*words)
    assert status == 0, err
    assert "3 entries" in told
    found = rows_in(tmp_path / "out", "film, tip_row, source, reader, neck, accepted_range, on_film_cm, time")
    assert [row["tip_row"] for row in found] == [750.0, 755.0, 700.0]
    assert [row["source"] for row in found] == ["hand", "hand", "mixed"]
    assert [row["reader"] for row in found] == ["reader 1", "reader 2", "reader 1"]
    assert found[0]["film"] == found[1]["film"] != found[2]["film"]
    assert {row["accepted_range"] for row in found} == {"schwartz"}
    assert {row["neck"] for row in found} == {"neutral"}
    assert found[0]["on_film_cm"] == pytest.approx(5.0)
    assert all(row["time"] is not None for row in found)


def test_new_entry_is_another_source(audit, logbook, tmp_path):
    logbook(case_at(750.0))
    assert audit("logbook", "--out", tmp_path / "out")[0] == 0
    logbook(case_at(760.0), film=2)
    status, _, err = audit("logbook", "--out", tmp_path / "out")
    assert status == 2
    assert "source entries: then 1, now 2" in err


def test_empty_logbook_is_told(audit, logbook, tmp_path):
    status, _, err = audit("logbook", "--out", tmp_path / "out")
    assert status == 2
    assert "no file found there" in err
