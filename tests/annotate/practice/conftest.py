from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from annotate.practice.compare import Answer, Choice, compare, withdraw_cm, zone_of
from annotate.practice.record import record_of
from annotate.practice.rounds import start_round
from annotate.practice.synthetic import recipe_of, task_of
from annotate.practice.task import FilmSpec
from annotate.practice.teaching import teach
from measure.assess import assess
from measure.landmarks import Landmark
from measure.patient import AgeGroup
from synthetic_images.anatomy import build_anatomy
from synthetic_images.film import SyntheticFilm
from synthetic_images.recipe import Placement
from synthetic_images.truth import find_truth
from synthetic_images.tube import place_tube

START = datetime(2026, 3, 2, 8, tzinfo=UTC)


def pixelless(spec, **dials):
    """A task with the true geometry and a grey film: the marks need no picture."""
    recipe = replace(recipe_of(spec), **dials)
    body = build_anatomy(recipe)
    ramp = np.tile(np.linspace(0, 4000, recipe.columns), (recipe.rows, 1)).astype(np.uint16)
    made = SyntheticFilm(ramp, recipe, body.camera, find_truth(body, place_tube(body)))
    return task_of(spec, made)


def moved(mark, down_mm=0.0, left_mm=0.0, mm=0.4004):
    """A mark elsewhere: down the film, and towards the patient's left."""
    return Landmark(mark.row + down_mm / mm, mark.column + left_mm / mm, 0.0)


class Trainee:
    """Marks with a known bias and spread, and chooses what follows from the own marks."""

    def __init__(self, seed=0, tip_down_mm=0.0, carina_down_mm=0.0, sd_mm=1.0):
        self.random = np.random.default_rng(seed)
        self.tip_down_mm, self.carina_down_mm, self.sd_mm = tip_down_mm, carina_down_mm, sd_mm

    def answer(self, task):
        spacing = task.film.spacing.row_mm

        def mark(at, down_mm):
            if at is None:
                return None
            row, column = self.random.normal((down_mm, 0.0), self.sd_mm) / spacing
            return Landmark(at.row + row, at.column + column, 0.0)

        tip, carina = mark(task.key.tip, self.tip_down_mm), mark(task.key.carina, self.carina_down_mm)
        truth = compare(task, Answer(task.key.tip, task.key.carina, Choice.CANNOT_SAY))
        if truth.expected in (Choice.NO_TUBE, Choice.CANNOT_SAY):
            return Answer(tip, carina, truth.expected, None, 9.0)
        own = assess(task.marked(tip, carina))
        seconds = float(self.random.uniform(10.0, 50.0))
        zone = zone_of(own.distance.on_film.value, own.accepted_range)
        return Answer(tip, carina, zone, withdraw_cm(own), seconds)


def play(round_, trainee, make=pixelless, until=None):
    """Answer every film of a round."""
    time = datetime.fromisoformat(round_.settings.ident)
    while (spec := round_.next()) is not None and len(round_.done) != until:
        comparison = compare(make(spec), trainee.answer(make(spec)))
        record = record_of(round_.settings, len(round_.done), comparison, teach(comparison))
        time += timedelta(minutes=1)
        round_ = round_.answered(replace(record, time=time))
    return round_


@pytest.fixture(scope="session")
def practice():
    """The helpers, for tests in other files of this folder."""
    return SimpleNamespace(pixelless=pixelless, moved=moved, Trainee=Trainee, play=play, START=START)


@pytest.fixture(scope="session")
def thirty_tasks():
    """Adults with the tip in the trachea."""
    return [pixelless(FilmSpec(seed, 0.3, Placement.TRACHEA)) for seed in range(30)]


@pytest.fixture
def task():
    """An adult with the tip in the trachea."""
    return pixelless(FilmSpec(3, 0.2, Placement.TRACHEA))


@pytest.fixture(scope="session")
def biased():
    """Three rounds of a trainee who marks tips 3 mm too high, spread 1 mm a mark."""
    trainee, records = Trainee(seed=4, tip_down_mm=-3.0), ()
    for day in range(3):
        round_ = start_round(records, START + timedelta(days=day), 20, 0.3, AgeGroup.ADULT)
        records = (*records, *play(round_, trainee).done)
    return records
