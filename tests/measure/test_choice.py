import doctest

import pytest

from measure import choice
from measure.choice import chosen, did_you_mean, nearest, or_list
from measure.errors import MeasureError
from measure.magnification import View
from measure.posture import NeckPosture


def test_examples_run():
    assert doctest.testmod(choice) == (0, 3)


@pytest.mark.parametrize("word", ["neutral", "NEUTRAL", " neutral ", NeckPosture.NEUTRAL])
def test_a_word_becomes_its_member(word):
    assert chosen(NeckPosture, word, "neck") is NeckPosture.NEUTRAL


@pytest.mark.parametrize("word", ["AP", "ap"])
def test_a_member_in_capitals_is_met_too(word):
    assert chosen(View, word) is View.AP
    assert nearest("C33", ["C3", "T1"]) == "C3"


def test_another_word_gets_the_choices_and_the_nearest():
    with pytest.raises(MeasureError) as refused:
        chosen(NeckPosture, "neutrl", "neck")
    assert str(refused.value) == (
        "neck: 'neutrl' found; neutral, flexed, extended or unknown expected: did you mean neutral?"
    )


def test_nothing_near_is_no_question():
    assert did_you_mean("xyz", ["neutral"]) == "."


def test_a_list_in_words():
    assert [or_list(words) for words in (["a"], ["a", "b"], ["a", "b", "c"])] == ["a", "a or b", "a, b or c"]
