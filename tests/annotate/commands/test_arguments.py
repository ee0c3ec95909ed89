"""Errors of options: one line, what was found, what was expected, the nearest right word."""

from importlib import import_module

import pytest

from annotate.command_line import COMMANDS
from annotate.commands.parser import Parser

FILM = ("read", "film.dcm")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (
            (*FILM, "--neck", "neutrl"),
            "lipmark read: --neck: 'neutrl' found; neutral, flexed, extended or unknown expected: "
            "did you mean neutral?",
        ),
        ((*FILM, "--route", "xyz"), "lipmark read: --route: 'xyz' found; oral or nasal expected."),
        ((*FILM, "--range", "goodmann"), "did you mean goodman?"),
        ((*FILM, "--tpi", "1,2"), "lipmark read: --tpi found, no option of this command: did you mean --tip?"),
        ((*FILM, "--age", "old"), "lipmark read: --age: 'old' found, an age expected"),
        ((*FILM, "--lip-mark", "23cm"), "lipmark read: --lip-mark: '23cm' found, a number expected"),
        ((*FILM, "--lip-mark", "nan"), "'nan' found, a number expected"),
        ((*FILM, "--mark", "arhc", "1,2"), "lipmark read: --mark: 'arhc' found"),
        ((*FILM, "--mark", "tube-walls", "1,2"), "1 points found, 2 expected"),
        ((*FILM, "--known-object", "11", "1,2", "3"), "'3' found, ROW,COL in pixels expected"),
        ((*FILM, "--mm-per-pixel", "1,2"), "'1,2' found, which is one number or two; write 1.2 or 1;2"),
        ((*FILM, "--cuff-pressure", "25 psi"), "lipmark read: --cuff-pressure: '25 psi' found"),
        (("place", "film.dcm", "--scale", "9"), "--scale: '9' found, a number from 0.5 to 4 expected"),
        ((*FILM, "--workers", "0"), "'0' found, a whole number from 1 expected"),
        (("audit", "run", "films", "--uot", "x"), "--uot found, no option of this command: did you mean --out?"),
        (("audit", "run", "films"), "lipmark audit run: the following arguments are required: --out"),
        (("synthesise", "2", "--out", "x", "--difficulty", "3"), "'3' found, a number from 0 to 1 expected"),
        (("synthesise", "2", "--out", "x", "--view", "unknown"), "AP or PA expected"),
        (("formulas", "--age", "58", "60"), "unrecognized arguments: 60"),
    ],
)
def test_an_error_is_one_line_that_helps(lipmark, words, told):
    status, out, err = lipmark(*words)
    assert (status, out) == (2, "")
    assert told in err
    assert err.count("\n") == 1
    assert "usage" not in err


@pytest.mark.parametrize(
    ("commas", "points"),
    [
        (("--height", "163,5", "--age", "1,5"), ("--height", "163.5", "--age", "1.5")),
        (("--age", "3", "--tube-size", "4,5"), ("--age", "3", "--tube-size", "4.5")),
    ],
)
def test_a_decimal_comma_is_a_decimal_point(lipmark, commas, points):
    assert lipmark("formulas", *commas, "--height", "100") == lipmark("formulas", *points, "--height", "100")


def test_commas_between_two_numbers_stay(reading, dicom_film):
    words = ("--mm-per-pixel", "0.2,0.25", "--tip", "675,600.5", "--carina", "900;600,5", "--range", "2,5-5")
    told = reading(dicom_film(), *words)
    assert (told["tip"]["row"], told["tip"]["column"]) == (675.0, 600.5)
    assert (told["carina"]["row"], told["carina"]["column"]) == (900.0, 600.5)
    assert told["inputs"]["spacing"]["column_mm"] == 0.25
    assert told["accepted_range"]["low_cm"]["value"] == 2.5
    assert reading(dicom_film(), "--mm-per-pixel", "0,143")["inputs"]["spacing"]["row_mm"] == 0.143


def test_a_word_after_the_options_end_is_no_option(lipmark, dicom_film):
    status, out, _ = lipmark("read", "--tip", "675,600", "--carina", "900,600", "--", dicom_film("--tpi.dcm"))
    assert status == 0
    assert "--tpi.dcm" in out


def test_every_word_that_the_help_offers_is_taken():
    """What stands in braces in a command's help, in capitals or not, is a value of that option."""
    for name in COMMANDS:
        parser = Parser(prog=name)
        import_module(f"annotate.commands.{name.replace(' ', '_')}").add_arguments(parser)
        for action in parser._actions:
            if action.type is not None and str(action.metavar).startswith("{"):
                assert [action.type(word) for word in action.metavar.strip("{}").split(",")]
