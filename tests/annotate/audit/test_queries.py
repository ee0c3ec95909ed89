"""The SQL in docs/audit.md answers what it says, from results that `lipmark audit run` wrote."""

import re
from pathlib import Path

import duckdb
import pytest

QUERIES = re.findall(r"```sql\n(.*?)```", Path("docs/audit.md").read_text(encoding="utf-8"), re.DOTALL)


@pytest.fixture
def ask(audit, manifest, marks, dicom_film, tmp_path):
    """Runs a query of the documentation on the results of a small audit."""
    film = dicom_film()
    both = {"tip_row": 800, "tip_column": 600, "carina_row": 1000, "carina_column": 610}
    known = {"neck": "neutral", "operator_grade": "resident", "sex": "female"}
    rows = [
        marks(5.0, time="2026-01-10", film_label="a", reader="AB", **known),
        marks(5.2, time="2026-01-10", film_label="a", reader="CD", **known),
        marks(1.0, time="2026-01-20", **known),
        marks(5.0, time="2026-02-20", **known | {"sex": "male"}),
        {"film": film.name, "time": "2026-02-25", **both, **known, "reader": "AB"},
        {"film": "not-there.dcm"},
    ]
    status, _, err = audit(manifest(rows), "--out", tmp_path / "out")
    assert status == 0, err

    def run(number):
        found = duckdb.sql(QUERIES[number].replace("results/", f"{tmp_path / 'out'}/"))
        return [dict(zip(found.columns, values, strict=True)) for values in found.fetchall()]

    return run


def test_there_are_five():
    assert len(QUERIES) == 5


def test_how_often_counts_each_film_once(ask):
    (found,) = ask(0)
    assert (found["films"], found["counted"], found["surely_malpositioned"]) == (5, 4, 1)
    assert 1.0 <= found["malpositioned"] < 2.0


def test_by_month(ask):
    january, february = ask(1)
    assert (january["month"].month, january["counted"]) == (1, 3)
    assert january["malpositioned"] == pytest.approx(1 / 3, abs=0.02)
    assert (february["month"].month, february["counted"]) == (2, 2)


def test_by_grade_and_sex(ask):
    found = {(row["operator_grade"], row["sex"]): row for row in ask(2)}
    assert found["resident", "male"]["tip_above_carina_cm"] == 5.0
    assert found["resident", "female"]["films"] == 4
    assert found["resident", "female"]["move_cm"] < 0.0


def test_proposal_against_hand_pairs_the_same_film(ask):
    """The grey film gets no proposal: nothing to compare, and nothing of other films slips in."""
    assert ask(3) == []


def test_why_not(ask):
    found = {row["why"]: row["readings"] for row in ask(4)}
    assert sum(found.values()) == 2
    assert any("cannot be opened" in why for why in found)
