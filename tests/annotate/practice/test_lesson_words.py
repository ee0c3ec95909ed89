"""What is told before the answer gives nothing away; what is told after it is complete."""

import re

import pytest

from annotate.practice.compare import Answer, Choice, compare
from annotate.practice.lesson_words import round_in_words, told_after, told_before
from annotate.practice.progress import progress_of
from annotate.practice.rounds import Round
from annotate.practice.task import FilmSpec
from annotate.practice.window import said_at_the_end
from measure.posture import NeckPosture
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
    assert told["The tip lies"] == ("too low", "in a main bronchus")
    assert told["Action"][0] == "withdraw 2 cm"
    assert re.fullmatch(r"withdraw [\d.]+ cm, now", told["Action"][1])
    assert re.fullmatch(r"[\d.]+ to [\d.]+ cm, neck \w+", told["Accepted here"][0])
    assert "below the carina" in told["On the film"][1]
    assert "mm too high" in told["Your tip"][0]
    assert told["Your carina"][0] == "less than 1 mm off"
    assert told["It leads to"][0].endswith((": too low", ": in a main bronchus", ": within range"))
    mark = task.case.lip_mark_cm
    assert told["Mark at the lip"][0] == f"{mark:g} to {mark - 2.0:g} cm"


@pytest.mark.parametrize(
    ("posture", "span"),
    [("neutral", "3.0 to 7.0 cm"), ("flexed", "1.0 to 5.0 cm"), ("extended", "5.0 to 9.0 cm")],
)
def test_the_postures_range_is_told_before_and_after(practice, posture, span):
    """Goodman 1976: 5, 3 and 7 cm, each plus or minus 2 cm, on a film without a tube as well."""
    for placement in (Placement.TRACHEA, None):
        task = practice.pixelless(FilmSpec(5, 0.2, placement, posture=NeckPosture(posture)))
        assert dict(told_before(task))["Accepted here"] == f"{span} on the film"
    with_tube = practice.pixelless(FilmSpec(5, 0.2, Placement.TRACHEA, posture=NeckPosture(posture)))
    answer = Answer(with_tube.key.tip, with_tube.key.carina, Choice.TOO_LOW, 1.0)
    assert rows(compare(with_tube, answer))["Accepted here"][0] == f"{span}, neck {posture}"


def test_a_film_without_tube_tells_no_measure(practice):
    task = practice.pixelless(FilmSpec(5, 0.2, None))
    told = rows(compare(task, Answer(None, None, Choice.NO_TUBE)))
    assert set(told) == {"The tip lies", "Action"}


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
