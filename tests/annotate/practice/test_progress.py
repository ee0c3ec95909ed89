"""The figures find what was put in, and agree with other people's libraries."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pingouin
import pytest
from sklearn.metrics import cohen_kappa_score, confusion_matrix

from annotate.practice.compare import Choice, compare
from annotate.practice.progress import BEGINNER, MASTER, ZONES, learning_of, missed, progress_of, worst
from annotate.practice.record import record_of
from annotate.practice.rounds import start_round
from annotate.practice.teaching import Lesson, Mistake
from measure.patient import AgeGroup

TRUE_BIAS_MM = {
    "distance": 2.97,
    "tip along the airway": -2.97,
    "tip across it": 0.0,
    "carina along the airway": 0.0,
    "carina across it": 0.0,
}
"""3 mm straight up the film, times the cosine of the airway's sideways lean, on average 0.99 over these films."""


def test_the_figures_find_a_trainees_bias_as_often_as_they_promise(practice, thirty_tasks):
    """Tips 3 mm too high: distances 3 mm too long; 95 % intervals of 100 trainees hold it in 88 to 100 of them."""
    settings = start_round((), practice.START, 30, 0.3, AgeGroup.ADULT).settings
    held = Counter()
    for seed in range(100):
        trainee, records = practice.Trainee(seed, tip_down_mm=-3.0), []
        for index, task in enumerate(thirty_tasks):
            comparison = compare(task, trainee.answer(task))
            records.append(record_of(settings, index, comparison, Lesson(Mistake.NONE, "")))
        found = progress_of(records)
        assert found.distance.bias.low > 0.0
        biases = {"distance": found.distance.bias} | {name: item.bias for name, item in found.offsets.items()}
        for name, true_mm in TRUE_BIAS_MM.items():
            held[name] += biases[name].low < true_mm < biases[name].high
    assert set(held) == set(TRUE_BIAS_MM)
    assert all(88 <= times <= 100 for times in held.values()), held


@pytest.mark.outside
def test_limits_of_agreement_are_those_of_pingouin(biased):
    from matplotlib import pyplot

    pairs = [(r.marked_mm, r.true_mm) for r in biased if r.error_mm is not None]
    marked, true = map(np.array, zip(*pairs, strict=True))
    found = progress_of(biased).distance
    axes = pingouin.plot_blandaltman(marked, true, confidence=None)
    drawn = sorted(line.get_ydata()[0] for line in axes.get_lines())
    pyplot.close()
    ours = sorted([found.bias.value, found.lower_limit.value, found.upper_limit.value])
    assert all(np.abs(np.array(drawn) - value).min() < 1e-9 for value in ours)


@pytest.mark.outside
def test_kappa_is_that_of_scikit_learn(biased):
    random = np.random.default_rng(5)
    records = [
        replace(r, choice=Choice(random.choice(list(Choice)))) if random.random() < 0.4 else r for r in biased
    ]
    found = progress_of(records)
    pairs = [(r.choice, r.zone) for r in records if r.choice in ZONES and r.zone in ZONES]
    labels = [zone.value for zone in ZONES]
    said, true = ([choice.value for choice in side] for side in zip(*pairs, strict=True))
    assert found.zones.kappa.kappa.value == pytest.approx(
        cohen_kappa_score(said, true, labels=labels, weights="linear"), abs=1e-12
    )
    assert (found.zones.table == confusion_matrix(said, true, labels=labels)).all()
    said, right = ([getattr(r, name).value for r in records] for name in ("choice", "expected"))
    assert found.answers.kappa.kappa.value == pytest.approx(cohen_kappa_score(said, right), abs=1e-12)
    assert found.answers.table.sum() == len(records)


def test_a_perfect_trainee_agrees_fully_and_learns(practice, biased):
    records = [
        replace(r, choice=r.expected, marked_mm=r.true_mm, solved=True, mistake=Mistake.NONE) for r in biased
    ]
    found = progress_of(records)
    assert found.answers.kappa.kappa.value == 1.0
    assert found.distance.bias.value == 0.0
    assert learning_of(records).learnt.signals
    assert not learning_of(records).slipping.signals
    assert found.repeats == ()
    assert found.mistakes == ()


def test_a_trainee_who_misses_is_seen_slipping(biased):
    far = [replace(r, marked_mm=None if r.true_mm is None else r.true_mm + 12.0) for r in biased]
    found = learning_of(far)
    assert found.slipping.signals
    assert not found.learnt.signals
    assert 0.0 < MASTER < BEGINNER < 1.0


def test_what_counts_as_missed(biased):
    film = next(r for r in biased if r.true_mm is not None and r.choice is r.expected)
    assert not missed(replace(film, marked_mm=film.true_mm + 6.9))
    assert missed(replace(film, marked_mm=film.true_mm - 7.1))
    assert missed(replace(film, marked_mm=None))
    assert missed(replace(film, choice=Choice.NO_TUBE))
    without = replace(film, expected=Choice.NO_TUBE, true_mm=None)
    assert missed(without)
    assert not missed(replace(without, choice=Choice.NO_TUBE))


def test_rounds_are_told_apart(biased):
    found = progress_of(biased).rounds
    assert [item.films for item in found] == [20, 20, 20]
    assert sum(item.solved for item in found) == sum(r.solved for r in biased)
    assert all(item.solved_share.low <= item.solved / item.films <= item.solved_share.high for item in found)


def test_time_a_film(biased):
    timed = [replace(r, seconds=float(n)) for n, r in enumerate(biased)]
    assert progress_of(timed).seconds == pytest.approx(np.percentile(np.arange(60.0), (25, 50, 75)))


def test_few_films_give_what_they_can(biased):
    nothing = progress_of(())
    assert (nothing.distance, nothing.rounds, nothing.seconds) == (None, (), ())
    one = progress_of(biased[:1])
    assert one.answers.kappa is None
    assert one.distance is None
    assert len(one.rounds) == 1


def test_the_worst_films_are_those_with_a_wrong_answer_and_then_the_largest_error(biased):
    base = replace(biased[0], solved=False, true_mm=40.0, choice=Choice.TOO_LOW, expected=Choice.TOO_LOW)
    films = [
        replace(base, film="near", marked_mm=46.0),
        replace(base, film="far", marked_mm=60.0),
        replace(base, film="wrong", marked_mm=47.0, choice=Choice.TOO_HIGH, zone=Choice.TOO_LOW),
        replace(base, film="solved", marked_mm=80.0, solved=True),
        replace(base, film="folder", marked_mm=90.0, spec=None),
        replace(base, film="far", marked_mm=59.0),
    ]
    assert [r.film for r in worst(films, 5)] == ["wrong", "far", "near"]
    assert len(worst(films, 2)) == 2
