"""Rounds: which film comes next, left off and gone on, films that come again, made beforehand."""

from collections import Counter
from dataclasses import replace
from datetime import timedelta

import pytest

from annotate.practice.repetition import INTERVALS_DAYS, due, repeats
from annotate.practice.rounds import REPEAT_EVERY, Round, start_round, unfinished
from annotate.practice.staircase import EASIER, FIRST_DIFFICULTY, HARDER
from annotate.practice.supply import Supply
from annotate.practice.synthetic import PLACEMENTS, draw_spec
from imaging.errors import FilmRefusedError, FilmUnreadableError
from measure.patient import AgeGroup


def test_the_same_seed_gives_the_same_films_whoever_answers(practice):
    rounds = [
        practice.play(
            start_round((), practice.START, 6, 0.4, AgeGroup.ADULT, seed=5),
            practice.Trainee(seed=n, sd_mm=9.0 * n),
        )
        for n in (1, 2)
    ]
    assert [r.film for r in rounds[0].done] == [r.film for r in rounds[1].done]
    assert {r.spec.difficulty for r in rounds[0].done} == {0.4}


def test_difficulty_follows_the_answers(practice):
    round_ = start_round((), practice.START, 4, None, AgeGroup.ADULT)
    record = practice.play(round_, practice.Trainee(), until=1).done[0]
    for solved, step in ((True, HARDER), (False, -EASIER)):
        after = round_.answered(replace(record, solved=solved))
        assert after.difficulty == pytest.approx(FIRST_DIFFICULTY + step)
        assert after.next().difficulty == pytest.approx(FIRST_DIFFICULTY + step)


def test_what_comes_is_among_what_was_prepared(practice):
    round_, trainee = start_round((), practice.START, 8, None, AgeGroup.ADULT), practice.Trainee(sd_mm=4.0)
    while not round_.finished:
        coming = round_.coming()
        round_ = practice.play(round_, trainee, until=len(round_.done) + 1)
        assert round_.next() in (*coming, None)
    assert round_.coming() == ()


def test_a_round_left_off_goes_on_with_the_same_films(practice):
    whole = practice.play(start_round((), practice.START, 7, None, AgeGroup.ADULT), practice.Trainee(seed=3))
    half = unfinished(whole.done[:4])
    assert half.next() == whole.done[4].spec
    assert half.difficulty == Round(whole.settings, whole.done[:4]).difficulty
    assert unfinished(whole.done) is None
    assert unfinished(()) is None


def test_the_next_round_starts_where_the_last_one_led(practice):
    first = practice.play(start_round((), practice.START, 5, None, AgeGroup.ADULT), practice.Trainee(sd_mm=0.2))
    later = start_round(first.done, practice.START + timedelta(hours=1), 5, None, AgeGroup.ADULT)
    assert later.settings.start == pytest.approx(first.difficulty)
    child = start_round(first.done, practice.START + timedelta(hours=1), 5, None, AgeGroup.CHILD)
    assert child.settings.start == FIRST_DIFFICULTY


def test_a_film_that_was_not_solved_comes_again_at_growing_intervals(practice):
    done = practice.play(start_round((), practice.START, 1, 0.2, AgeGroup.ADULT), practice.Trainee()).done[0]
    tries = [replace(done, solved=False, time=practice.START)]
    for days in INTERVALS_DAYS:
        (item,) = repeats(tries)
        assert item.due == tries[-1].time + timedelta(days=days)
        assert due(tries, item.due - timedelta(minutes=1), 9) == ()
        assert due(tries, item.due, 9) == (done.spec,)
        assert "not solved once" in item.why
        tries.append(replace(done, solved=True, time=item.due))
    assert repeats(tries) == ()
    assert repeats([replace(done, solved=True)]) == ()
    again = [*tries, replace(done, solved=False, time=tries[-1].time)]
    assert repeats(again)[0].due == again[-1].time + timedelta(days=INTERVALS_DAYS[0])
    assert "2 times" in repeats(again)[0].why


def test_films_that_are_due_are_mixed_among_new_ones(practice):
    first = practice.play(start_round((), practice.START, 6, 0.2, AgeGroup.ADULT), practice.Trainee(sd_mm=30.0))
    missed = [record.spec for record in first.done if not record.solved]
    assert len(missed) >= 3
    later = start_round(first.done, practice.START + timedelta(days=2), 9, 0.2, AgeGroup.ADULT)
    shown = [record.spec for record in practice.play(later, practice.Trainee()).done]
    assert [place for place, spec in enumerate(shown) if spec in missed] == [2, 5, 8]
    assert len(shown) // REPEAT_EVERY == 3


def test_placements_come_as_often_as_they_should():
    specs = [draw_spec(1, index, 0.3, AgeGroup.ADULT) for index in range(3000)]
    shares = Counter(spec.placement for spec in specs)
    assert sum(PLACEMENTS.values()) == pytest.approx(1.0)
    for placement, share in PLACEMENTS.items():
        assert shares[placement] / 3000 == pytest.approx(share, abs=0.03)


def test_a_film_that_kills_or_hangs_what_makes_it_costs_itself_alone(monkeypatch):
    """What a process does with a source here is Python's own `eval`, which every process has."""
    monkeypatch.setattr("annotate.practice.supply._made", eval)
    kill, hang = "__import__('os').kill(__import__('os').getpid(), 9)", "__import__('time').sleep(1000)"
    fine = "__import__('imaging.errors', fromlist=['']).FilmRefusedError('seen')"
    with Supply(deadline_s=6.0) as supply:
        supply.prepare((kill, hang, fine))
        with pytest.raises(FilmUnreadableError, match="ended the process that read it"):
            supply.take(kill)
        with pytest.raises(FilmUnreadableError, match="took longer than 6 s"):
            supply.take(hang)
        with pytest.raises(FilmRefusedError, match="seen"):
            supply.take(fine)


def test_a_film_made_in_the_background_is_the_same():
    spec = draw_spec(1, 0, 0.3, AgeGroup.ADULT)
    other = draw_spec(1, 1, 0.3, AgeGroup.ADULT)
    with Supply() as supply:
        supply.prepare((spec, other))
        first = supply.take(spec)
        supply.prepare(())
        again = supply.take(spec)
    assert first.film.fingerprint == again.film.fingerprint
    assert first.spec == spec
