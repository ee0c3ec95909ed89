"""Errors along and across the airway, and what they mean at the lip."""

from dataclasses import replace

import numpy as np
import pytest

from annotate.practice.compare import Answer, Choice, compare, distance_to_path_mm, withdraw_cm, zone_of
from annotate.practice.synthetic import make_task
from annotate.practice.task import FilmSpec
from measure.landmarks import Landmark
from measure.posture import NeckPosture
from synthetic_images.recipe import Placement


def test_the_true_points_have_no_error(practice):
    for seed in range(12):
        task = practice.pixelless(FilmSpec(seed, 0.5, Placement.TRACHEA))
        truth = compare(task, Answer(task.key.tip, task.key.carina, Choice.CANNOT_SAY))
        right = compare(task, replace(truth.answer, choice=truth.expected, withdraw_cm=withdraw_cm(truth.truth)))
        assert right.distance_error_mm == 0.0
        assert right.tip.total_mm == right.carina.total_mm == 0.0
        assert right.from_marks == right.truth
        assert right.solved


def test_an_error_down_the_airway_is_along_and_one_to_the_side_is_across(practice, task):
    key = task.key
    path = np.array([[p.row, p.column] for p in key.airway])
    down = path[-1] - path[0]
    down /= np.hypot(*down)
    mm = task.film.spacing.row_mm
    low = Landmark(*(np.array([key.carina.row, key.carina.column]) + 5.0 / mm * down), 0.0)
    found = compare(task, Answer(key.tip, low, Choice.CANNOT_SAY)).carina
    assert found.along_mm == pytest.approx(5.0, abs=0.5)
    assert abs(found.across_mm) < 1.5
    aside = practice.moved(key.carina, left_mm=6.0, mm=mm)
    found = compare(task, Answer(key.tip, aside, Choice.CANNOT_SAY)).carina
    assert found.across_mm == pytest.approx(6.0, abs=0.3)
    assert found.total_mm == pytest.approx(6.0)


def test_offsets_are_in_mm_at_the_detector_by_the_films_own_spacing(practice, task):
    marked = Landmark(task.key.tip.row, task.key.tip.column + 10.0, 0.0)
    found = compare(task, Answer(marked, task.key.carina, Choice.CANNOT_SAY)).tip
    assert found.total_mm == pytest.approx(10.0 * task.film.spacing.column_mm)


def test_a_carina_marked_low_lengthens_the_distance_by_as_much(practice, task):
    low = practice.moved(task.key.carina, down_mm=4.0, mm=task.film.spacing.row_mm)
    found = compare(task, Answer(task.key.tip, low, Choice.CANNOT_SAY))
    assert found.distance_error_mm == pytest.approx(found.carina.along_mm, abs=0.6)


def test_a_carina_marked_aside_does_not_bend_the_airway(practice):
    for seed in range(10):
        task = practice.pixelless(FilmSpec(seed, 0.3, Placement.TRACHEA))
        if compare(task, Answer(None, None, Choice.CANNOT_SAY)).truth.distance.on_film.value < 3.0:
            continue
        aside = practice.moved(task.key.carina, 2.0, 5.0, task.film.spacing.row_mm)
        found = compare(task, Answer(task.key.tip, aside, Choice.CANNOT_SAY))
        assert found.distance_error_mm == pytest.approx(found.carina.along_mm, abs=1.6)


def test_a_tip_in_a_bronchus_is_in_its_zone(practice):
    task = practice.pixelless(FilmSpec(11, 0.2, Placement.RIGHT_BRONCHUS))
    found = compare(task, Answer(task.key.tip, task.key.carina, Choice.IN_A_MAIN_BRONCHUS))
    assert found.zone is Choice.IN_A_MAIN_BRONCHUS
    assert found.truth.distance.on_film.value < 0.0


def test_without_a_tube_the_right_answer_is_no_tube(practice):
    task = practice.pixelless(FilmSpec(5, 0.2, None))
    right = compare(task, Answer(None, task.key.carina, Choice.NO_TUBE))
    assert right.expected is Choice.NO_TUBE
    assert right.solved
    assert not compare(task, Answer(task.key.carina, task.key.carina, Choice.TOO_LOW)).solved


def test_a_tube_in_the_oesophagus_has_no_height(practice):
    task = practice.pixelless(FilmSpec(5, 0.2, Placement.OESOPHAGUS))
    right = compare(task, Answer(task.key.tip, task.key.carina, Choice.CANNOT_SAY))
    assert right.expected is right.zone is Choice.CANNOT_SAY
    assert right.solved
    assert not compare(task, Answer(task.key.tip, task.key.carina, Choice.WITHIN_RANGE)).solved


def test_near_a_limit_is_right_where_a_hands_spread_spans_it_and_the_true_side_is_solved_too(practice):
    found = None
    for seed in range(60):
        task = practice.pixelless(FilmSpec(seed, 0.2, Placement.TRACHEA))
        found = compare(task, Answer(task.key.tip, task.key.carina, Choice.NEAR_A_LIMIT))
        if found.expected is Choice.NEAR_A_LIMIT:
            break
    assert found.expected is Choice.NEAR_A_LIMIT
    assert found.solved
    assert compare(found.task, replace(found.answer, choice=found.zone)).solved
    assert withdraw_cm(found.truth) is None


def test_a_move_is_followed_to_where_it_puts_the_tip(practice):
    task = practice.pixelless(FilmSpec(11, 0.2, Placement.RIGHT_BRONCHUS))
    found = compare(task, Answer(task.key.tip, task.key.carina, Choice.IN_A_MAIN_BRONCHUS, 2.0))
    expected = found.truth.distance.on_film.value + 2.0 * found.truth.inputs.film_per_patient.value
    assert found.lands_on_film_cm == pytest.approx(expected)
    right = withdraw_cm(found.truth)
    assert right > 2.0
    assert not found.solved
    assert compare(task, replace(found.answer, withdraw_cm=right)).solved


def test_a_tube_that_may_stay_stays(practice):
    films = (practice.pixelless(FilmSpec(seed, 0.2, Placement.TRACHEA)) for seed in range(60))
    answers = (compare(task, Answer(task.key.tip, task.key.carina, Choice.WITHIN_RANGE, 0.0)) for task in films)
    within = next(c for c in answers if c.expected is Choice.WITHIN_RANGE)
    assert within.solved
    for move in (-1.0, 0.5, None):
        assert not compare(within.task, replace(within.answer, withdraw_cm=move)).solved


def test_a_move_that_stops_short_of_the_range_is_not_right(practice):
    def films():
        for seed in range(200):
            task = practice.pixelless(FilmSpec(seed, 0.2, Placement.TRACHEA))
            yield compare(task, Answer(task.key.tip, task.key.carina, Choice.TOO_LOW))

    low = next(c for c in films() if c.expected is Choice.TOO_LOW and withdraw_cm(c.truth) == 1.0)
    right = compare(low.task, replace(low.answer, withdraw_cm=1.0))
    assert right.solved
    short = compare(low.task, replace(low.answer, withdraw_cm=0.0))
    assert short.lands_on_film_cm < short.truth.accepted_range.low_cm.value
    assert not short.solved


def test_posture_moves_the_zone(practice, task):
    at = {}
    for posture in (NeckPosture.FLEXED, NeckPosture.NEUTRAL, NeckPosture.EXTENDED):
        held = replace(task, case=replace(task.case, posture=posture))
        accepted = compare(held, Answer(None, None, Choice.CANNOT_SAY)).truth.accepted_range
        at[posture] = zone_of(4.0, accepted)
    assert list(at.values()) == [Choice.WITHIN_RANGE, Choice.WITHIN_RANGE, Choice.TOO_LOW]


def test_distance_to_a_line(task):
    mm = task.film.spacing.row_mm
    path = np.array([[100.0, 200.0], [300.0, 200.0]])
    assert distance_to_path_mm(task, Landmark(150.0, 210.0, 0.0), path) == pytest.approx(10.0 * mm)
    assert distance_to_path_mm(task, Landmark(310.0, 200.0, 0.0), path) == pytest.approx(10.0 * mm)


def test_a_film_without_spacing_has_no_errors_in_mm(task):
    bare = replace(task, film=replace(task.film, spacing=None), case=replace(task.case, spacing=None))
    found = compare(bare, Answer(task.key.tip, task.key.carina, Choice.CANNOT_SAY))
    assert (found.tip, found.carina, found.distance_error_mm) == (None, None, None)
    assert found.expected is Choice.CANNOT_SAY


def test_the_real_film_carries_the_same_geometry(practice):
    spec = FilmSpec(3, 0.2, Placement.TRACHEA)
    real, quick = make_task(spec), practice.pixelless(spec)
    assert real.key.tip == quick.key.tip
    assert real.case == quick.case
    assert real.film.spacing == quick.film.spacing
    assert make_task(spec).film.fingerprint == real.film.fingerprint != quick.film.fingerprint
