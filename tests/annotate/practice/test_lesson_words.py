"""What is told before the answer gives nothing away; what is told after it is complete."""

from annotate.practice.compare import Answer, Choice, compare
from annotate.practice.lesson_words import round_in_words, told_after, told_before
from annotate.practice.progress import progress_of
from annotate.practice.rounds import Round
from annotate.practice.task import FilmSpec
from annotate.practice.window import said_at_the_end
from synthetic_images.recipe import Placement


def rows(comparison):
    return {row.label: (row.yours, row.true) for row in told_after(comparison)}


def test_a_film_without_a_tube_is_told_like_one_with_it(practice):
    with_tube, without = (practice.pixelless(FilmSpec(5, 0.2, place)) for place in (Placement.TRACHEA, None))
    assert list(told_before(with_tube)) == list(told_before(without))
    assert with_tube.ident == without.ident
    assert dict(told_before(with_tube))["Neck"] == with_tube.case.posture


def test_both_sides_are_told(practice):
    task = practice.pixelless(FilmSpec(11, 0.2, Placement.RIGHT_BRONCHUS))
    high = practice.moved(task.key.tip, down_mm=-9.0, left_mm=0.2, mm=task.film.spacing.row_mm)
    found = compare(task, Answer(high, task.key.carina, Choice.TOO_LOW, 2.0))
    told = rows(found)
    assert told["Verdict"] == ("too low", "in a main bronchus")
    assert told["Move"][0] == "withdraw 2 cm"
    assert "below the carina" in told["On the film"][1]
    assert "mm too high" in told["Your tip"][0]
    assert told["Your carina"][0] == "less than 1 mm off"
    assert told["It leads to"][0].endswith((": too low", ": in a main bronchus", ": within range"))
    mark = task.case.lip_mark_cm
    assert told["Mark at the lip"][0] == f"{mark:g} to {mark - 2.0:g} cm"


def test_the_true_side_of_an_open_limit_is_told(practice):
    films = (practice.pixelless(FilmSpec(seed, 0.2, Placement.TRACHEA)) for seed in range(60))
    answers = (compare(task, Answer(task.key.tip, task.key.carina, Choice.NEAR_A_LIMIT)) for task in films)
    near = next(c for c in answers if c.expected is Choice.NEAR_A_LIMIT)
    assert f"(the tip lies {near.zone.value})" in [row.true for row in told_after(near)]
    assert rows(near)["Move"] == ("no move", "no move")


def test_a_film_without_tube_tells_no_measure(practice):
    task = practice.pixelless(FilmSpec(5, 0.2, None))
    told = rows(compare(task, Answer(None, None, Choice.NO_TUBE)))
    assert set(told) == {"Verdict", "Move"}


def test_the_rounds_figures(biased):
    told = dict(round_in_words(progress_of(biased[:20])))
    solved = sum(record.solved for record in biased[:20])
    assert told["Solved"] == f"{solved} of 20 films"
    assert told["Bias"].startswith(f"{progress_of(biased[:20]).distance.bias.value:+.1f} mm")


def test_what_the_terminal_says(biased):
    settings = biased[0].round
    assert said_at_the_end(Round(settings)) == ("No film was answered.",)
    assert any("15 films are left" in line for line in said_at_the_end(Round(settings, biased[:5])))
    whole = said_at_the_end(Round(settings, biased[:20]))
    assert not any("left" in line for line in whole)
    assert "lipmark practice report" in whole[-1]
