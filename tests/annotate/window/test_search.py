"""Films that kill, hang and grow cost the window nothing but their own proposals."""

import sys
from functools import partial

import pytest

from annotate.window.search import Search
from imaging.load import load_film

HARMS = """
import os, time
from imaging.propose import Proposal
from measure.landmarks import Landmark, Landmarks, Source

def look(harm_at, film):
    harm = harm_at.get(film.fingerprint)
    if harm == "kill":
        os.kill(os.getpid(), 9)
    if harm == "hang":
        time.sleep(1000.0)
    if harm == "grow":
        bytearray(10**12)
    return Proposal(Landmarks(tip=Landmark(500.0, 500.0, 5.0, Source.PROPOSED, 0.9)))
"""

REASONS = {
    "kill": "ended the process that read it (signal 9), twice",
    "hang": "took longer than 4 s",
    "grow": "needs more memory than a film should",
}


@pytest.fixture
def harmed(tmp_path, monkeypatch):
    """A search that some films harm: harmed({path: harm})."""
    (tmp_path / "harms.py").write_text(HARMS)
    monkeypatch.syspath_prepend(tmp_path)
    import harms

    made = []

    def search(harm_at):
        known = {load_film(path).fingerprint: harm for path, harm in harm_at.items()}
        made.append(Search(partial(harms.look, known), deadline_s=4.0))
        return made[-1]

    yield search
    for each in made:
        each.close()
    sys.modules.pop("harms", None)


def test_a_killer_a_hanger_and_a_hog_leave_the_window_alive(open_window, film, dicom_film, harmed):
    harms = {dicom_film(f"{harm}.dcm", PatientAge=f"0{30 + place}Y"): harm for place, harm in enumerate(REASONS)}
    reader = open_window(*harms, film, search=harmed(harms))
    for path, harm in harms.items():
        told = REASONS[harm]
        reader.until(lambda told=told: told in reader.shown(), f"why nothing was found on {path.name}")
        assert path.name in reader.shown()
        reader.press("T")
        reader.click(600, 600)
        assert reader.at("tip") == pytest.approx((600, 600), abs=3)
        reader.press("N")
    reader.proposed()
    assert reader.at("tip") == (500.0, 500.0)


def test_a_window_that_is_closed_does_not_wait_for_a_film_that_hangs(open_window, dicom_film, harmed):
    path = dicom_film("hang.dcm")
    search = harmed({path: "hang"})
    search._watched._deadline_s = 1000.0
    reader = open_window(path, search=search)
    reader.settle()
    assert reader.marking.looking
    reader.close_unasked()
    assert reader.desk._search._shutdown
