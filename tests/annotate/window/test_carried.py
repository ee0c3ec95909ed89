"""The carina that a hand placed on the film before is weighed in with what is seen, and remains a proposal."""

import os
from dataclasses import replace

import pytest

from annotate.logbook.store import Logbook
from annotate.window.purpose import FirstReading, SecondReading
from annotate.window.search import Search
from annotate.window.session import Session
from imaging import carrying
from imaging.load import load_film
from measure.landmarks import Landmarks, Source
from synthetic_images.dicom_out import write_dicom
from synthetic_images.film import make_film
from synthetic_images.recipe import draw_recipe

SIDE_PX = 512
CARRIED = "carried from the film before by the bones"
GAVE_NONE = "The film before gave no carina for this one"


@pytest.fixture(scope="module")
def films(tmp_path_factory):
    """One body on two films and another's on a third, said to be one patient's, and their true carinas."""
    folder = tmp_path_factory.mktemp("patient")
    yesterday = draw_recipe(8100, difficulty=0.3, rows=SIDE_PX, columns=SIDE_PX)
    stand = replace(yesterday.stand, centre_z_mm=yesterday.stand.centre_z_mm + 20.0, roll_deg=3.0)
    other = draw_recipe(8177, difficulty=0.3, rows=SIDE_PX, columns=SIDE_PX)
    recipes = {"yesterday": yesterday, "today": replace(yesterday, stand=stand), "stranger": other}
    return {
        name: (write_dicom(made := make_film(recipe), folder / f"{name}.dcm"), made.truth.points["carina"])
        for name, recipe in recipes.items()
    }


def of_one_patient(path):
    loaded = load_film(path)
    return replace(loaded, identifiers=replace(loaded.identifiers, patient_id="bed 7", issuer_of_patient_id=""))


@pytest.fixture
def read_before(films, search):
    """Reads a film by hand and keeps it."""

    def run(name, reader="AB", by_hand=("tip", "carina")):
        path, carina = films[name]
        session = Session([path], FirstReading(reader), load=of_one_patient, search=search)
        session.open(0)
        marking = session.marking
        marking.proposal = session.look(marking)
        for point, at in {"carina": (carina.row, carina.column), "tip": (carina.row - 50, carina.column)}.items():
            if point in by_hand:
                marking.change(marking.marks.put(point, 0, at))
        assert "Saved" in session.save()
        return path

    return run


@pytest.fixture
def seen_alone(films, search):
    """What is proposed for today's film without the film before."""
    return search.find(of_one_patient(films["today"][0]), lambda: True)


@pytest.fixture
def never_in_this_process(monkeypatch):
    """Registering two films here would hold the window up."""

    def refuse(*_):
        raise AssertionError("carried in the window's own process")

    monkeypatch.setattr(carrying, "carried_carina", refuse)
    monkeypatch.setattr("annotate.window.search.with_carried_carina", carrying.with_carried_carina)


@pytest.mark.usefixtures("never_in_this_process")
def test_the_film_before_of_this_sitting_gives_its_carina_and_the_reader_is_told(open_window, films, seen_alone):
    (yesterday, carina), (today, true) = films["yesterday"], films["today"]
    reader = open_window(yesterday, today, load=of_one_patient, ahead=1).proposed()
    for name, at in {"tip": (carina.row - 50, carina.column), "carina": (carina.row, carina.column)}.items():
        reader.marking.change(reader.marking.marks.put(name, 0, at))
    reader.press("Ctrl+S")
    reader.press("N")
    reader.until(lambda: not reader.marking.looking, "the proposal")
    [mark] = reader.marking.points("carina")
    assert mark != seen_alone.landmarks.carina
    assert abs(mark.row - true.row) * 400.0 / SIDE_PX <= 10.0
    assert mark.source is Source.PROPOSED
    assert f"The carina is only proposed, {CARRIED}" in reader.shown()
    assert "weighed with what is seen: drag it (C), or accept both with A." in reader.shown()
    assert f"Carina: {CARRIED}" in reader.shown()
    reader.press("A")
    assert reader.marking.points("carina")[0].source is Source.HAND
    assert CARRIED not in reader.shown()


@pytest.mark.usefixtures("never_in_this_process")
def test_the_file_given_as_the_film_before_gives_the_carina_that_anyone_placed(open_window, films, read_before):
    yesterday = read_before("yesterday", "CD")
    reader = open_window(films["today"][0], load=of_one_patient, beside=yesterday).proposed()
    assert CARRIED in reader.shown()


def test_a_film_before_that_does_not_fit_is_told_and_changes_nothing(open_window, films, read_before, seen_alone):
    stranger = read_before("stranger")
    reader = open_window(films["today"][0], load=of_one_patient, beside=stranger).proposed()
    assert f"{GAVE_NONE}: the bones of the two films do not fit" in reader.shown()
    assert reader.marking.proposal.landmarks == seen_alone.landmarks


def test_another_patients_film_gives_nothing(open_window, films, read_before, seen_alone):
    yesterday = read_before("yesterday")

    def load(path):
        loaded = of_one_patient(path)
        who = replace(loaded.identifiers, patient_id="bed 8")
        return loaded if path == yesterday else replace(loaded, identifiers=who)

    reader = open_window(films["today"][0], load=load, beside=yesterday).proposed()
    assert f"{GAVE_NONE}: it is another patient" in reader.shown()
    assert reader.marking.proposal.landmarks == seen_alone.landmarks


@pytest.mark.parametrize("by_hand", [(), ("tip",)])
def test_a_carina_that_no_hand_has_placed_is_neither_carried_nor_told_of(
    open_window, films, read_before, seen_alone, by_hand
):
    yesterday = read_before("yesterday", by_hand=by_hand)
    reader = open_window(films["today"][0], load=of_one_patient, beside=yesterday).proposed()
    assert reader.marking.proposal == seen_alone
    assert not any(told in reader.shown() for told in (CARRIED, GAVE_NONE))


def test_a_file_that_cannot_be_read_is_told(open_window, films, seen_alone, tmp_path):
    reader = open_window(films["today"][0], load=of_one_patient, beside=tmp_path / "gone.dcm").proposed()
    assert f"{GAVE_NONE}: it cannot be read" in reader.shown()
    assert "gone" not in str(reader.marking.reading.to_dict())
    assert reader.marking.proposal.landmarks == seen_alone.landmarks


def test_without_a_film_before_a_film_that_was_searched_ahead_is_there_at_once(open_window, films, monkeypatch):
    monkeypatch.setattr(Search, "carry", None)
    today, stranger = films["today"][0], films["stranger"][0]
    reader = open_window(today, stranger, load=of_one_patient, ahead=1).proposed()
    reader.until(lambda: len(reader.session._found) == 2, "the search ahead")
    reader.press("N")
    assert not reader.marking.looking


def test_a_second_reader_is_blind_to_the_film_before(open_window, films, read_before):
    yesterday = read_before("yesterday")
    reader = open_window(films["today"][0], load=of_one_patient, beside=yesterday, purpose=SecondReading("CD"))
    reader.until(lambda: not reader.marking.waits, "how the film lies")
    assert reader.marking.landmarks == Landmarks()
    assert "film before" not in reader.shown()


class Deadly:
    """A film that ends the process which takes it out of its wrapping."""

    def __reduce__(self):
        return os._exit, (9,)


def test_a_film_before_that_kills_the_process_leaves_what_was_found(films, seen_alone):
    earlier = carrying.Earlier(Deadly(), seen_alone.landmarks.carina)
    search = Search()
    try:
        found = search.carry(seen_alone, of_one_patient(films["today"][0]), earlier, lambda: True)
    finally:
        search.close()
    assert found == replace(seen_alone, reasons=found.reasons)
    assert found.reasons[-1] == f"{GAVE_NONE}: it ended the process that read it (status 9), twice."


def test_what_is_kept_of_a_carried_carina_is_a_proposal(films, read_before, search):
    """Saved as it is, it is never carried on: a hand must have confirmed it."""
    yesterday = read_before("yesterday")
    session = Session(
        [films["today"][0]], FirstReading("AB"), load=of_one_patient, search=search, beside=yesterday
    )
    session.open(0)
    session.marking.proposal = session.look(session.marking)
    session.save()
    with Logbook.open() as logbook:
        entry = logbook.entries()[-1]
    assert CARRIED in str(entry.landmarks["carina"]["note"])
    assert not carrying.carina_by_hand(session.marking.reading)
