from dataclasses import replace

import pytest

from annotate.words.answer import headline_of, percent, place_of, reason_in_words
from annotate.words.screen import screen
from annotate.words.table import table
from measure.assess import Case, assess
from measure.insertion_depth import Route
from measure.landmarks import Landmark, Landmarks, Seen
from measure.magnification import from_factor
from measure.patient import Patient, Sex
from measure.posture import NeckPosture
from measure.reading import unreadable
from measure.spacing import Plane, Spacing, SpacingSource


def reading(height_cm, name="bed 3.dcm", **changes):
    carina = Landmark(1500.0, 1000.0, 15.0)
    tip = Landmark(1500.0 - 10.0 * height_cm / 0.14, 1000.0, 10.0)
    known = {
        "film": name,
        "landmarks": Landmarks(tip=tip, carina=carina),
        "spacing": Spacing(0.14, 0.14, Plane.DETECTOR, SpacingSource.IMAGER_PIXEL_SPACING),
        "magnification": from_factor(1.15),
        "patient": Patient(60.0, Sex.MALE, 178.0),
        "lip_mark_cm": 24.0,
        "posture": NeckPosture.NEUTRAL,
    }
    return assess(Case(**(known | changes)))


@pytest.mark.parametrize(
    ("height_cm", "changes", "words"),
    [
        (0.5, {}, "NOW: withdraw"),
        (0.5, {}, "from 24 to"),
        (4.8, {}, "Leave the tube at 24 cm at the lip"),
        (8.5, {"lip_mark_cm": 19.0}, "under direct vision"),
        (4.8, {"route": Route.NASAL, "patient": Patient(60.0)}, "at the nostril"),
        (4.8, {"landmarks": Landmarks(), "seen": Seen.NO_TUBE}, "NO TUBE SEEN"),
        (4.8, {"landmarks": Landmarks(), "seen": Seen.TRACHEOSTOMY}, "TRACHEOSTOMY TUBE"),
        (4.8, {"landmarks": Landmarks(), "seen": Seen.NO_FRONTAL_CHEST}, "NO UPRIGHT FRONTAL CHEST FILM"),
        (4.8, {"lip_mark_cm": 12.0}, "LIP MARK CONTRADICTS FILM"),
        (-2.0, {"spacing": None, "patient": Patient(4.0)}, "IN A MAIN BRONCHUS; scale unknown"),
        (15.0, {"lip_mark_cm": None}, "CHECK FIRST"),
    ],
)
def test_the_headline_says_what_to_do_or_why_nothing_can_be_said(height_cm, changes, words):
    assert words in headline_of(reading(height_cm, **changes))


def test_a_tube_that_is_left_though_it_may_lie_low_is_looked_at_again():
    """So unsure that one tip in ten lies under 1 cm, and none the better for a move."""
    unsure = Landmarks(tip=Landmark(1200.0, 1000.0, 130.0), carina=Landmark(1500.0, 1000.0, 130.0))
    words = headline_of(reading(4.2, landmarks=unsure))
    assert words.startswith("LOOK AGAIN NOW (under 1 cm 11 %): leave the tube at 24 cm")


def test_the_place_has_one_interval_and_how_surely():
    sure, unsure = place_of(reading(4.8)), place_of(reading(4.8, posture=NeckPosture.UNKNOWN))
    assert sure.startswith("4.8 cm (")
    assert "above the carina: within range (> 99 %)" in sure
    assert "above the carina: probably within range (9" in unsure
    assert "2.0 cm (" in place_of(reading(-2.0))
    assert "below the carina: probably in a main bronchus" in place_of(reading(-2.0))


@pytest.mark.parametrize(
    ("neck", "said"),
    [(NeckPosture.FLEXED, "With the neck flexed"), (NeckPosture.UNKNOWN, "The neck is not known; flexed,")],
)
def test_a_tip_surer_near_the_carina_than_out_of_range_is_explained(neck, said):
    """A flexed neck's range begins at 1 cm: under 1 cm 98 %, and yet too low with less."""
    low = reading(0.5, posture=neck)
    if neck is NeckPosture.UNKNOWN:
        low = replace(low, probabilities=replace(low.probabilities, too_low=0.81, within_range=0.17))
    words = reason_in_words(low)
    assert words.startswith(low.reason)
    assert f'{said} a tip this low may still be in range, so "too low" is less sure than "under 1 cm".' in words
    assert words in " ".join(screen(low).split())


@pytest.mark.parametrize("neck", [NeckPosture.NEUTRAL, NeckPosture.EXTENDED])
@pytest.mark.parametrize("height_cm", [0.5, 0.9, 4.8])
def test_where_nothing_puzzles_nothing_is_added(neck, height_cm):
    plain = reading(height_cm, posture=neck)
    assert reason_in_words(plain) == plain.reason


def test_a_film_that_cannot_be_read_says_so():
    assert headline_of(unreadable("x.dcm", "damaged")) == "CANNOT BE READ"


@pytest.mark.parametrize(("share", "words"), [(0.0, "< 1 %"), (0.004, "< 1 %"), (0.5, "50 %"), (1.0, "> 99 %")])
def test_a_probability_is_never_nothing_or_all(share, words):
    assert percent(share) == words


def test_a_table_puts_the_most_urgent_first():
    found = [
        reading(4.8, "well.dcm"),
        reading(4.8, "unseen.dcm", landmarks=Landmarks()),
        reading(0.4, "deep.dcm"),
        reading(2.0, "low.dcm"),
        unreadable("broken.dcm", "no film"),
    ]
    rows = [line for line in table(found, 110).splitlines() if ".dcm" in line]
    assert [row.split()[0] for row in rows] == ["broken.dcm", "deep.dcm", "low.dcm", "well.dcm", "unseen.dcm"]


@pytest.mark.parametrize("width", [40, 72, 100, 200])
def test_a_table_keeps_to_its_width(width):
    lines = table(
        [reading(0.4, f"a very long name of a film {n} of bed 12.dcm") for n in range(3)], width
    ).splitlines()
    assert max(map(len, lines)) <= max(width, 72)
