"""The carina that a reader confirmed on the patient's film before is weighed in when the next film arrives."""

import io
import json
from dataclasses import replace

import pytest
from pydicom.uid import generate_uid

from annotate.ward.film_reader import read_film
from synthetic_images.dicom_out import to_dataset
from synthetic_images.film import make_film
from synthetic_images.recipe import draw_recipe

SIDE_PX = 512
CARRIED = "carried from the film before by the bones"
GAVE_NONE = "The film before gave no carina for this one"


@pytest.fixture(scope="module")
def bodies():
    """One body on two films, the later with a tube elsewhere, and another's: their bytes for a patient."""
    yesterday = draw_recipe(8100, difficulty=0.3, rows=SIDE_PX, columns=SIDE_PX)
    stand = replace(yesterday.stand, centre_z_mm=yesterday.stand.centre_z_mm + 20.0, roll_deg=3.0)
    other = draw_recipe(8177, difficulty=0.3, rows=SIDE_PX, columns=SIDE_PX)
    recipes = {"yesterday": yesterday, "today": replace(yesterday, stand=stand), "stranger": other}
    made = {name: make_film(recipe) for name, recipe in recipes.items()}

    def of(name, patient, day):
        dataset = to_dataset(made[name])
        dataset.PatientID, dataset.AcquisitionDate = patient, f"200001{day:02d}"
        dataset.SOPInstanceUID = dataset.file_meta.MediaStorageSOPInstanceUID = generate_uid()
        held = io.BytesIO()
        dataset.save_as(held, enforce_file_format=True)
        return held.getvalue()

    of.carina = {name: film.truth.points["carina"] for name, film in made.items()}
    return of


@pytest.fixture
def arrive(ward):
    """Receives a film and waits for its answer; its name in addresses."""

    def run(content):
        known = {film["film"] for film in ward.api()}
        ward.service.reception.receive(content, "test")
        ward.answered(len(known) + 1)
        return next(film["film"] for film in ward.api() if film["film"] not in known)

    return run


@pytest.fixture
def decide(ward):
    """A reader presses a button on a film's page."""

    def run(film, marks, say="confirm"):
        client = ward.signed_in()
        form = {"form_token": ward.form_token(client), "say": say, "marks": json.dumps(marks)}
        form["seen"] = str(ward.service.register.film(film).answer.number)
        assert client.post(f"/films/{film}/decide", data=form).status_code == 200

    return run


def carina_of(ward, film):
    return ward.service.ward.review.known(film).proposal.landmarks.carina


def test_a_carina_placed_yesterday_is_in_todays_proposal(ward, bodies, arrive, decide):
    placed = bodies.carina["yesterday"]
    decide(arrive(bodies("yesterday", "ID-SHIFTED", 1)), {"carina": [placed.row, placed.column]})
    content = bodies("today", "ID-SHIFTED", 2)
    film = arrive(content)
    mark, alone = carina_of(ward, film), read_film(film, content).known.proposal.landmarks.carina
    assert (mark.row, mark.column) != (alone.row, alone.column)
    assert abs(mark.row - bodies.carina["today"].row) * 400.0 / SIDE_PX <= 10.0
    answer = ward.service.register.film(film).answer
    assert answer.answer["carina"]["source"] == "proposed"
    assert f"Carina: {CARRIED}" in answer.screen
    client = ward.signed_in()
    assert CARRIED in client.get(f"/films/{film}/reading.txt").text
    by_hand = {"carina": [mark.row, mark.column]}
    headers = {"X-Form-Token": ward.form_token(client)}
    assert CARRIED in str(client.post(f"/films/{film}/assess", json={}, headers=headers).json()["noted"])
    assert CARRIED not in str(client.post(f"/films/{film}/assess", json=by_hand, headers=headers).json()["noted"])


def test_a_film_that_does_not_fit_is_told_and_changes_nothing(ward, bodies, arrive, decide):
    placed = bodies.carina["stranger"]
    decide(arrive(bodies("stranger", "ID-MIXED", 1)), {"carina": [placed.row, placed.column]})
    content = bodies("today", "ID-MIXED", 2)
    film = arrive(content)
    assert carina_of(ward, film) == read_film(film, content).known.proposal.landmarks.carina
    assert f"{GAVE_NONE}: the bones of the two films do not fit" in str(
        ward.service.register.film(film).answer.answer["cautions"]
    )


def test_what_nobody_has_confirmed_or_another_patient_has_is_not_carried(ward, bodies, arrive, decide):
    placed = bodies.carina["yesterday"]
    arrive(bodies("yesterday", "ID-UNSEEN", 1))
    decide(arrive(bodies("yesterday", "ID-NEIGHBOUR", 3)), {"carina": [placed.row, placed.column]})
    film = arrive(bodies("today", "ID-UNSEEN", 2))
    assert carina_of(ward, film).note == ""
    assert "film before" not in str(ward.service.register.film(film).answer.answer["cautions"])
