"""The course: each stage shows its own films, counts what it looks at, and leads on when it is mastered."""

from dataclasses import replace

import pytest

from annotate.commands.practice_run import STAGE_KEYS
from annotate.practice.compare import Choice
from annotate.practice.course import (
    BENT,
    BRONCHI,
    COURSE,
    LAST,
    MASTERED,
    STAGES,
    course_of,
    draw_stage,
    to_practise,
)
from annotate.practice.record import Record, RoundSettings
from annotate.practice.rounds import start_round, unfinished
from annotate.practice.synthetic import recipe_of
from annotate.practice.teaching import TIP_OFF_MM
from measure.patient import AgeGroup


def test_the_stages_come_in_their_order_and_the_command_knows_them():
    assert [stage.key for stage in COURSE] == ["tips", "carina", "fork", "bronchi", "posture", "children"]
    assert tuple(STAGES) == STAGE_KEYS


@pytest.mark.parametrize("stage", COURSE, ids=lambda stage: stage.key)
def test_each_stage_draws_its_own_films_and_the_same_for_a_seed(stage):
    specs = [draw_stage(stage, 7, index) for index in range(8)]
    assert specs == [draw_stage(stage, 7, index) for index in range(8)]
    assert len({spec.seed for spec in specs}) == 8
    assert {spec.age_group for spec in specs} == {stage.age_group}
    recipes = [recipe_of(spec) for spec in specs]
    if stage.key == "fork":
        assert all(recipe.pathology.fork_filled == 1.0 for recipe in recipes)
    if stage.key == "bronchi":
        assert 2 <= sum(spec.placement in BRONCHI for spec in specs) < 8
    if stage.key == "posture":
        assert {recipe.neck.posture for recipe in recipes} == set(BENT)
    if stage.key == "children":
        assert all(recipe.patient.age_group is AgeGroup.CHILD for recipe in recipes)


def test_a_round_of_a_stage_is_played_kept_and_gone_on_with(practice):
    stage = STAGES["posture"]
    round_ = start_round((), practice.START, 4, None, AgeGroup.ADULT, stage=stage)
    done = practice.play(round_, practice.Trainee(sd_mm=0.3)).done
    assert [record.spec for record in done] == [
        draw_stage(stage, round_.settings.seed, place) for place in range(4)
    ]
    again = [Record.from_dict(record.to_dict(), record.time) for record in done]
    assert again == list(done)
    assert unfinished(done[:2]).next() == done[2].spec
    later, first = (start_round(told, practice.START, 3, None, AgeGroup.ADULT) for told in (done, ()))
    assert (later.settings.stage, later.settings.start) == ("", first.settings.start)


def test_rounds_kept_before_the_course_can_be_read(biased):
    plain = biased[0].to_dict()
    del plain["round"]["stage"], plain["spec"]["posture"], plain["spec"]["fork_unseen"]
    found = Record.from_dict(plain, biased[0].time)
    assert found == biased[0]
    assert RoundSettings.from_dict(plain["round"]).stage == ""


def film(biased, **changes):
    base = next(r for r in biased if r.expected is Choice.WITHIN_RANGE)
    on = {"tip_along_mm": 0.0, "tip_across_mm": 0.0, "carina_along_mm": 0.0, "carina_across_mm": 0.0}
    return replace(base, **on | changes)


def test_a_stage_counts_what_it_looks_at(biased):
    off = film(biased, tip_along_mm=TIP_OFF_MM + 0.1, solved=False)
    found = {item.stage.key: item for item in course_of([off, film(biased), film(biased, carina_along_mm=None)])}
    assert found["tips"].right == (False, True, True)
    assert found["carina"].right == (True, True, False)
    assert found["children"].words == "not tried yet"


def test_an_unseen_fork_is_right_within_the_usual_estimate_alone(biased):
    """11.4 +- 6.7 mm by the line from the aortic arch; a seen fork within a hand's spread is another stage."""
    unseen = replace(biased[0].spec, fork_unseen=True)
    on, near, off = (film(biased, spec=unseen, carina_along_mm=away) for away in (0.0, 18.0, 18.2))
    found = {item.stage.key: item for item in course_of([on, near, off, film(biased)])}
    assert found["fork"].right == (True, True, False)


def test_mastered_is_what_the_last_films_show(biased):
    good, bad = film(biased), film(biased, tip_along_mm=30.0)
    for records, mastered in (
        ([good] * MASTERED, True),
        ([good] * (MASTERED - 1), False),
        ([good] * 20 + [bad] * (LAST - MASTERED), True),
        ([good] * 20 + [bad] * (LAST - MASTERED + 1), False),
        ([bad] * 20 + [good] * MASTERED, True),
    ):
        tips = course_of(records)[0]
        assert tips.mastered is mastered
        assert (to_practise(course_of(records)).key == "tips") is not mastered
    assert course_of([good] * 20)[0].films == 20


def test_a_trainee_who_masters_all_goes_on_with_everything(biased):
    course = [replace(item, right=(True,) * LAST) for item in course_of(biased)]
    assert to_practise(course) is None
