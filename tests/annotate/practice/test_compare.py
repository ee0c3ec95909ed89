"""Errors along and across the airway, and what they mean at the lip."""

from dataclasses import replace

import numpy as np
import pytest

from annotate.practice.compare import (
    DISTANCE_TOLERANCE_MM,
    Answer,
    Choice,
    compare,
    distance_to_path_mm,
    withdraw_cm,
    zone_of,
)
from annotate.practice.lesson import CHOICES
from annotate.practice.synthetic import make_task
from annotate.practice.task import FilmSpec
from measure.advice import REALISED_SHARE, Urgency
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
    assert found.expected is Choice.IN_A_MAIN_BRONCHUS
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
    assert right.expected is Choice.CANNOT_SAY
    assert right.solved
    assert not compare(task, Answer(task.key.tip, task.key.carina, Choice.WITHIN_RANGE)).solved


def near_a_limit(practice, further=0.3):
    """The first film whose true height lies so near a limit that a hand may find the other side."""
    for seed in range(200):
        task = practice.pixelless(FilmSpec(seed, 0.2, Placement.TRACHEA))
        found = compare(task, Answer(task.key.tip, task.key.carina, Choice.NEAR_A_LIMIT))
        accepted = found.truth.accepted_range
        limits = (accepted.low_cm.value, accepted.high_cm.value)
        if min(abs(found.truth.distance.on_film.value - limit) for limit in limits) < further:
            return found
    raise AssertionError("no such film")


def test_nobody_hides_behind_an_open_limit(practice):
    """`near a limit` is no answer, on a film beside a limit either; the action is asked for all the same."""
    found = near_a_limit(practice)
    right = replace(found.answer, withdraw_cm=withdraw_cm(found.truth))
    assert withdraw_cm(found.truth) is not None
    assert not compare(found.task, right).solved
    assert compare(found.task, replace(right, choice=found.expected)).solved
    assert Choice.NEAR_A_LIMIT not in CHOICES


def test_both_sides_of_a_limit_that_no_hand_can_tell_apart_are_right(practice):
    found = near_a_limit(practice)
    height = found.truth.distance.on_film.value
    off = DISTANCE_TOLERANCE_MM / 10.0
    sides = {zone_of(height - off, found.truth.accepted_range), zone_of(height + off, found.truth.accepted_range)}
    assert len(sides) == 2
    for choice in CHOICES:
        assert compare(found.task, replace(found.answer, choice=choice)).zone_right is (choice in sides)


def test_the_action_is_scored_not_the_zone_alone(practice):
    """A tube in a main bronchus, called so, and left there."""
    task = practice.pixelless(FilmSpec(11, 0.2, Placement.RIGHT_BRONCHUS))
    found = compare(task, Answer(task.key.tip, task.key.carina, Choice.IN_A_MAIN_BRONCHUS, 0.0))
    assert found.zone_right
    assert not found.moved_right
    assert not found.solved


def test_a_move_is_followed_to_where_it_puts_the_tip(practice):
    task = practice.pixelless(FilmSpec(11, 0.2, Placement.RIGHT_BRONCHUS))
    found = compare(task, Answer(task.key.tip, task.key.carina, Choice.IN_A_MAIN_BRONCHUS, 2.0))
    raised = 2.0 * found.truth.inputs.film_per_patient.value * REALISED_SHARE.value
    assert found.lands_on_film_cm == pytest.approx(found.truth.distance.on_film.value + raised)
    right = withdraw_cm(found.truth)
    assert right > 2.0
    assert not found.solved
    assert compare(task, replace(found.answer, withdraw_cm=right)).solved


def test_a_tube_that_may_stay_stays(practice):
    films = (practice.pixelless(FilmSpec(seed, 0.2, Placement.TRACHEA)) for seed in range(60))
    answers = (compare(task, Answer(task.key.tip, task.key.carina, Choice.WITHIN_RANGE, 0.0)) for task in films)
    within = next(c for c in answers if c.expected is Choice.WITHIN_RANGE and withdraw_cm(c.truth) == 0.0)
    assert within.solved
    for move in (-1.0, 0.5, None):
        assert not compare(within.task, replace(within.answer, withdraw_cm=move)).solved


def test_a_move_may_be_off_by_a_centimetre_but_never_the_other_way(practice):
    def films():
        for seed in range(200):
            task = practice.pixelless(FilmSpec(seed, 0.2, Placement.TRACHEA))
            yield compare(task, Answer(task.key.tip, task.key.carina, Choice.TOO_LOW))

    low = next(c for c in films() if c.expected is Choice.TOO_LOW and 1.0 <= withdraw_cm(c.truth) <= 2.0)
    right = withdraw_cm(low.truth)
    for by, solved in (
        (0.0, True),
        (-0.5, True),
        (1.0, True),
        (1.5, False),
        (-right, False),
        (-right - 0.5, False),
    ):
        assert compare(low.task, replace(low.answer, withdraw_cm=right + by)).solved is solved, by
    assert not compare(low.task, replace(low.answer, withdraw_cm=None)).solved


def test_a_move_that_only_may_help_need_not_be_made(practice):
    def films():
        for seed in range(400):
            task = practice.pixelless(FilmSpec(seed, 0.2, Placement.TRACHEA))
            yield compare(task, Answer(task.key.tip, task.key.carina, Choice.WITHIN_RANGE, 0.0))

    may = next(c for c in films() if c.truth.adjustment and c.truth.adjustment.urgency is Urgency.MAY_HELP)
    assert may.moved_right
    assert compare(may.task, replace(may.answer, withdraw_cm=withdraw_cm(may.truth))).moved_right


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
