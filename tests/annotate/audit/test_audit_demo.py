"""The invented unit: the same for a seed, better after its change, and reported."""

import csv
import re

import numpy as np
import pytest

from annotate.audit.demo_unit import CHANGED_ON, marked_rows
from annotate.commands.audit_demo import write_unit


@pytest.fixture
def unit(tmp_path):
    return write_unit(tmp_path, seed=7, entries=300, films=2)


def test_marks_fall_within_the_range_more_often_after_the_change():
    """Heights between the marks, on the film: the rule by height leaves fewer outside 3 to 7 cm."""
    outside = {False: [], True: []}
    for row in marked_rows(2000, np.random.default_rng(1)):
        height_cm = (row["carina_row"] - row["tip_row"]) * row["mm_per_pixel"] / 10.0
        outside[row["time"] >= CHANGED_ON.isoformat()].append(not 3.0 <= height_cm <= 7.0)
    before, after = np.mean(outside[False]), np.mean(outside[True])
    assert after < before - 0.1


def test_unit_is_audited_and_reported(audit, lipmark, unit, tmp_path, rows_in):
    status, _, err = audit(unit, "--out", tmp_path / "results")
    assert status == 0, err
    found = rows_in(tmp_path / "results", "source, verdict, error, unit")
    assert {row["source"] for row in found} == {"hand", "proposed"}
    assert sum(row["source"] == "proposed" for row in found) == 2
    assert not any(row["error"] for row in found)
    assert {row["unit"] for row in found} == {"beds 1 to 8", "beds 9 to 16"}
    status, _, err = lipmark("audit", "report", tmp_path / "results", "--out", tmp_path, "--overwrite")
    assert status == 0, err
    assert "in a main bronchus" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_unit_is_the_same_for_a_seed_and_names_nobody(unit, tmp_path):
    again = write_unit(tmp_path, seed=7, entries=300, films=2)
    text = unit.read_text(encoding="utf-8")
    assert again.read_text(encoding="utf-8") == text
    with unit.open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            assert re.fullmatch(r"beds \d+ to \d+", row["unit"])
            assert row["reader"] in ("first", "second")
