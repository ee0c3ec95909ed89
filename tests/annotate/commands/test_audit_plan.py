import argparse
import re

import pytest
from statsmodels.stats.proportion import proportion_confint, samplesize_proportions_2indep_onetail

from annotate.commands import audit_plan


def run(words):
    parser = argparse.ArgumentParser(epilog=audit_plan.EXAMPLES)
    audit_plan.add_arguments(parser)
    return audit_plan.run(parser.parse_args(words.split()), parser)


def numbers(text):
    return [int(number) for number in re.findall(r"\b\d+(?= films| before|$| each)", text)]


@pytest.mark.outside
def test_films_for_a_margin_are_the_fewest_by_statsmodels(capsys):
    assert run("--rate 0.155 --margin 0.03") == 0
    films = numbers(capsys.readouterr().out)[0]
    for count, fits in ((films, True), (films - 1, False)):
        low, high = proportion_confint(0.155 * count, count, method="wilson")
        assert ((high - low) / 2 <= 0.03) is fits


@pytest.mark.outside
def test_films_for_a_change_by_the_chi_squared_test_agree_with_statsmodels(capsys):
    assert run("--rate 0.155 --to 0.08") == 0
    told = capsys.readouterr().out
    chi = int(re.search(r"chi-squared test: (\d+) each", told).group(1))
    other = samplesize_proportions_2indep_onetail(0.155 - 0.08, 0.08, 0.8, alpha=0.05, alternative="two-sided")
    assert other <= chi <= other + 1
    assert numbers(told)[0] > chi


def test_alike_and_unanswered_films_multiply(capsys):
    run("--rate 0.155 --margin 0.03")
    plain = numbers(capsys.readouterr().out)[0]
    run("--rate 0.155 --margin 0.03 --films-per-patient 3 --alike 0.25 --answered 0.75")
    told = capsys.readouterr().out
    assert numbers(told)[0] == pytest.approx(2 * plain, abs=1)
    assert "times 2.00" in told


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        ("--rate 15.5 --margin 0.03", "share between 0 and 1"),
        ("--rate 0.2 --to 0.2", "two different ones"),
        ("--rate 0.2 --margin 0.03 --answered 0", "--answered: 0 found"),
        ("--rate 0.2 --margin 0.03 --films-per-patient 0.5", "1 or more"),
        ("--rate 0.2", "one of the arguments --margin --to"),
    ],
)
def test_what_cannot_be_planned_is_refused_in_words(words, complaint, capsys):
    with pytest.raises(SystemExit) as stopped:
        run(words)
    assert stopped.value.code == 2
    assert complaint in capsys.readouterr().err
