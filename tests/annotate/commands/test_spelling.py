"""Which command is meant: today's spelling, the one before, and slips."""

import re
from pathlib import Path

import pytest

from annotate.command_line import COMMANDS, GROUPS
from annotate.commands.spelling import WrongUsageError, spelled

ROOT = Path(__file__).parents[3]
COMMAND = re.compile(r"lipmark ((?:audit|practice|log|ward)\b(?: [a-z]+)?)")


def meant(text):
    found = spelled(text.split(), COMMANDS)
    return found.name, " ".join(found.rest), bool(found.hint)


@pytest.mark.parametrize(
    ("words", "name", "rest"),
    [
        ("read film.dcm", "read", "film.dcm"),
        ("audit run report --out x", "audit run", "report --out x"),
        ("audit report results", "audit report", "results"),
        ("log list --all", "log list", "--all"),
        ("audit --help", "audit", "--help"),
        ("ward --demo", "ward run", "--demo"),
        ("ward account AB", "ward account", "AB"),
    ],
)
def test_todays_spelling(words, name, rest):
    assert meant(words) == (name, rest, False)


@pytest.mark.parametrize(
    ("words", "name", "rest"),
    [
        ("audit ward/ --out results", "audit run", "ward/ --out results"),
        ("audit --out results report", "audit run", "--out results report"),
        ("practice", "practice run", ""),
        ("practice --films 20", "practice run", "--films 20"),
        ("practice --reader AB report --out a.html", "practice report", "--reader AB --out a.html"),
        ("practice --reader report --films 2", "practice run", "--reader report --films 2"),
    ],
)
def test_the_spelling_before_is_understood_with_a_hint(words, name, rest):
    assert meant(words) == (name, rest, True)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("raed film.dcm", "did you mean read?"),
        ("log", "list, show, trend, export or verify expected"),
        ("log lst", "did you mean list?"),
        ("audit reprot results", "did you mean report?"),
    ],
)
def test_a_slip_is_met_with_the_right_word(words, told):
    with pytest.raises(WrongUsageError, match=re.escape(told)):
        spelled(words.split(), COMMANDS)


def test_a_folder_whose_name_is_nearly_an_action_was_meant_before(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "reports").mkdir()
    assert spelled(["audit", "reports"], COMMANDS).name == "audit run"


def test_the_hint_goes_to_standard_error(lipmark):
    status, out, err = lipmark("practice", "--films", "0")
    assert (status, out) == (2, "")
    hint, complaint = err.splitlines()
    assert "lipmark practice is spelled lipmark practice run now" in hint
    assert complaint.startswith("lipmark practice run: --films")


def test_every_group_is_told_and_every_told_group_has_commands():
    assert set(GROUPS) == {name.partition(" ")[0] for name in COMMANDS if " " in name}


def test_every_command_that_is_written_down_is_spelled_as_today():
    pages = [ROOT / "README.md", *(ROOT / "docs").rglob("*.md"), *(ROOT / "annotate").rglob("*.py")]
    for page in pages:
        for text in COMMAND.findall(page.read_text(encoding="utf-8")):
            group, _, action = text.partition(" ")
            if page.name in ("command_line.py", "spelling.py") or f"{group} {action}" in COMMANDS:
                continue
            assert not action, f"{page}: lipmark {text}"
