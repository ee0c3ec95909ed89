import json
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from annotate.logbook.store import Logbook
from annotate.window.drafts import Drafts
from annotate.window.marking import Marking
from annotate.window.purpose import FirstReading, NotSavedError, Purpose, SecondReading
from annotate.window.session import Session
from imaging.case import Request, case_of
from imaging.film import Film
from imaging.load import load_film
from imaging.propose import Proposal
from measure.assess import assess
from measure.estimate import Estimate
from measure.landmarks import Landmark, Landmarks, Source
from measure.spine import SpineSeen

PROPOSED = Landmarks(
    tip=Landmark(600.0, 600.0, 5.0, Source.PROPOSED, 0.9),
    carina=Landmark(900.0, 610.0, 8.0, Source.PROPOSED, 0.8),
    airway_path=(
        Landmark(650.0, 602.0, 6.0, Source.PROPOSED, 0.8),
        Landmark(800.0, 606.0, 6.0, Source.PROPOSED, 0.8),
    ),
)


@pytest.fixture
def marking(dicom_film):
    path = dicom_film()
    return Marking(str(path), load_film(path), Proposal(PROPOSED))


def as_words(marks):
    words = []
    for name, points in marks.placed.items():
        ats = [f"{row!r},{column!r}" for row, column in points]
        words += [f"--{name}", *ats] if name in ("tip", "carina") else ["--mark", name, *ats]
    return words


def test_accepted_proposals_read_as_marks_on_the_command_line(marking, read_json):
    marking.change(marking.accepted())
    assert set(marking.marks.placed) == {"tip", "carina", "airway-path"}
    assert marking.reading.to_dict() == read_json(marking.name, *as_words(marking.marks))


def test_a_moved_point_of_a_proposed_path_makes_the_path_the_hands(marking):
    marking.change(marking.moved("airway-path", 1, (800.0, 650.0)))
    assert marking.marks.placed["airway-path"] == ((650.0, 602.0), (800.0, 650.0))
    assert {point.source for point in marking.points("airway-path")} == {Source.HAND}


def test_what_is_not_visible_is_not_measured_with(marking):
    assert marking.reading.distance is not None
    marking.change(marking.marks.called_not_visible("carina"))
    assert marking.reading.distance is None
    assert "The carina is marked as not visible." in marking.reading.cautions


def test_points_stay_on_the_film(marking):
    marking.change(marking.moved("tip", 0, (-40.0, 1e6)))
    assert marking.marks.placed["tip"] == ((-0.5, marking.film.shape[1] - 0.5),)


def test_a_spacing_that_cannot_be_is_told_and_the_films_own_holds(marking):
    before = marking.reading
    marking.type("mm_per_pixel", "14")
    assert "mm_per_pixel" in marking.answer.problems
    assert marking.reading == before


def test_non_square_pixels_and_the_users_spacing(read_json, png_film):
    marking = Marking(str(png_film), load_film(png_film))
    marking.change(marking.marks.put("tip", 0, (600.0, 500.0)).put("carina", 0, (900.0, 900.0)))
    marking.type("mm_per_pixel", "0.2,0.1")
    words = (*as_words(marking.marks), "--mm-per-pixel", "0.2,0.1")
    assert marking.reading.to_dict() == read_json(png_film, *words)


def test_the_spine_that_the_program_sees_gives_the_rough_scale_as_for_the_command(png_film):
    film, spine = load_film(png_film), SpineSeen(pitch_rows=Estimate(110.0, 5.0))
    proposal = Proposal(replace(PROPOSED, spine=spine))
    reading = Marking("film", film, proposal).reading
    assert "vertebrae" in reading.inputs.spacing.note
    assert reading == assess(case_of("film", film, Request(), proposal))


def test_a_draft_is_taken_up_by_the_same_reader_for_the_same_purpose_alone(marking, tmp_path):
    marking.change(marking.accepted())
    marking.type("age", "60")
    Drafts("reading", "AB", tmp_path).write(marking)
    for purpose, reader, found in (("reading", "AB", True), ("reading", "CD", False), ("second", "AB", False)):
        again = Marking("elsewhere", marking.film)
        assert Drafts(purpose, reader, tmp_path).restore(again) is found
        assert (again.marks == marking.marks) is found


def test_a_draft_names_nobody_and_is_private(dicom_film, tmp_path):
    path = dicom_film("Secret Bed.dcm")
    marking = Marking(str(path), load_film(path), Proposal(PROPOSED))
    marking.change(marking.accepted())
    Drafts("reading", "AB", tmp_path / "drafts").write(marking)
    [draft] = (tmp_path / "drafts").iterdir()
    assert not any(word in draft.name + draft.read_text() for word in ("Secret", "4711", "AB"))
    assert draft.stat().st_mode & 0o077 == 0


def test_a_damaged_draft_is_told_laid_aside_and_the_film_opens(dicom_film, tmp_path):
    path, drafts = dicom_film(), Drafts("look", "AB", tmp_path / "drafts")
    marking = Marking(str(path), load_film(path))
    marking.change(marking.marks.put("tip", 0, (1.0, 2.0)))
    drafts.write(marking)
    [draft] = (tmp_path / "drafts").iterdir()
    draft.write_text(draft.read_text()[:20])
    session = Session([path], Purpose(), drafts)
    session.open(0)
    assert session.marking is not None
    assert "cannot be read" in session.notice
    assert [one.suffix for one in (tmp_path / "drafts").iterdir()] == [".damaged"]


def test_a_killed_process_has_lost_nothing(dicom_film, tmp_path):
    path = dicom_film()
    program = f"""
import os, signal
from pathlib import Path
from annotate.logbook.store import Logbook
from annotate.window.drafts import Drafts
from annotate.window.purpose import Purpose
from annotate.window.session import Session
session = Session([Path({str(path)!r})], Purpose(), Drafts("look", "AB", Path({str(tmp_path / "drafts")!r})))
session.open(0)
for row in range(100, 150):
    session.marking.change(session.marking.marks.put("tip", 0, (float(row), 300.5)))
    session.keep_draft()
os.kill(os.getpid(), signal.SIGKILL)
"""
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == -9
    session = Session([path], Purpose(), Drafts("look", "AB", tmp_path / "drafts"))
    session.open(0)
    assert session.marking.marks.placed == {"tip": ((149.0, 300.5),)}
    assert session.unsaved == [path]


def test_a_disk_that_takes_no_draft_is_told(dicom_film, tmp_path):
    (tmp_path / "drafts").write_text("a file where the folder should be")
    path = dicom_film()
    session = Session([path], Purpose(), Drafts("look", "AB", tmp_path / "drafts"))
    session.open(0)
    session.marking.change(session.marking.marks.put("tip", 0, (1.0, 2.0)))
    session.keep_draft()
    assert "draft cannot be written" in session.notice


def test_films_left_with_unsaved_marks_are_remembered(dicom_film, tmp_path):
    paths = [dicom_film("a.dcm"), dicom_film("b.dcm")]
    session = Session(paths, Purpose(), Drafts("look", "AB", tmp_path / "drafts"))
    session.open(0)
    session.marking.change(session.marking.marks.put("tip", 0, (1.0, 2.0)))
    session.keep_draft()
    session.open(1)
    assert session.unsaved == [paths[0]]
    session.open(0)
    session.marking.change(session.marking.marks.__class__())
    session.keep_draft()
    assert session.unsaved == []
    assert list((tmp_path / "drafts").iterdir()) == []


def test_unforeseen_trouble_with_a_film_is_told_and_the_list_goes_on(dicom_film):
    def load(path):
        if path.name == "a.dcm":
            raise ZeroDivisionError
        return load_film(path)

    session = Session([dicom_film("a.dcm"), dicom_film("b.dcm")], Purpose(), load=load)
    session.open(0)
    assert "unforeseen ZeroDivisionError" in session.trouble
    session.open(1)
    assert session.trouble == ""


def test_nothing_is_proposed_to_a_second_reader(dicom_film):
    session = Session([dicom_film()], SecondReading("CD"))
    session.open(0)
    assert session.marking.landmarks == Landmarks()
    with pytest.raises(NotSavedError, match="place the tip"):
        session.save()


def test_the_same_film_elsewhere_has_the_same_drafts(tmp_path):
    grey = np.random.default_rng(1).integers(0, 255, (300, 300)).astype(np.uint8)
    for name in ("a.png", "b.png"):
        Image.fromarray(grey).save(tmp_path / name)
    first, second = (Marking(name, load_film(tmp_path / name)) for name in ("a.png", "b.png"))
    first.change(first.marks.put("tip", 0, (1.0, 2.0)))
    Drafts("look", "AB", tmp_path / "drafts").write(first)
    assert Drafts("look", "AB", tmp_path / "drafts").restore(second)


def test_a_film_of_pixels_alone_can_be_marked():
    marking = Marking("bare", Film(np.zeros((300, 200), np.float32)))
    assert json.dumps(marking.reading.to_dict())


def test_a_reader_is_blind_to_the_own_first_reading_too(dicom_film):
    path = dicom_film()
    first = Session([path], FirstReading("AB"))
    first.open(0)
    first.marking.change(first.marking.marks.put("tip", 0, (600.0, 600.0)).put("carina", 0, (900.0, 600.0)))
    first.save()
    second = Session([path], SecondReading("AB"))
    second.open(0)
    assert second.marking.landmarks == Landmarks()
    second.marking.change(second.marking.marks.put("tip", 0, (610.0, 600.0)).put("carina", 0, (900.0, 585.0)))
    assert "tip 2.0 mm, carina 3.0 mm" in second.save()
    assert second.purpose.compared(second.marking).tip.row == 600.0
    with Logbook.open() as logbook:
        assert [entry.supersedes for entry in logbook.entries()] == [None, None]
    for purpose, row in ((FirstReading("AB"), 600.0), (SecondReading("AB"), 610.0)):
        again = Session([path], purpose)
        again.open(0)
        assert again.marking.points("tip")[0].row == row
