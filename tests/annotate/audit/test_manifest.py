"""What a manifest may hold, and what is told of one that is broken."""

import re
from datetime import datetime
from pathlib import Path

import pyarrow
import pyarrow.parquet
import pytest

from annotate.audit.errors import AuditError
from annotate.audit.manifest import COLUMNS, PROBLEMS_SHOWN, Manifest
from measure.case import Bedside
from measure.patient import Sex
from measure.posture import NeckPosture

FULL = {
    "film_label": "one",
    "time": "2026-03-01T14:30",
    "unit": "unit A",
    "shift": "day",
    "operator_grade": "resident",
    "tube_size_mm": 7.5,
    "lip_mark_cm": 22,
    "sex": "f",
    "height_cm": 165,
    "age_years": 60,
    "neck": "neutral",
    "view": "AP",
    "mm_per_pixel": 0.15,
    "tip_row": 800,
    "tip_column": 1000,
    "carina_row": 1100,
    "carina_column": 1010,
    "reader": "AB",
}


def entries(path, **options):
    return list(Manifest(path, Bedside(), **options).entries())


def test_every_column_arrives(manifest):
    (entry,) = entries(manifest([FULL]))
    known = entry.asked.known
    assert (known.patient.sex, known.patient.height_cm, known.patient.age_years) == (Sex.FEMALE, 165.0, 60.0)
    assert (known.tube.size_mm, known.lip_mark_cm, known.posture) == (7.5, 22.0, NeckPosture.NEUTRAL)
    assert (entry.asked.tip, entry.asked.carina) == ((800.0, 1000.0), (1100.0, 1010.0))
    assert entry.asked.mm_per_pixel == 0.15
    around = entry.circumstances
    assert (around.time, around.unit, around.shift) == (datetime(2026, 3, 1, 14, 30), "unit A", "day")
    assert (around.operator_grade, around.reader) == ("resident", "reader 1")
    assert entry.problem == ""


def test_parquet_says_the_same_as_csv(manifest, tmp_path):
    rows = [FULL, FULL | {"film_label": "two", "time": "2026-03-02", "neck": "", "reader": "CD"}]
    typed = [
        {name: (value or None) for name, value in row.items()} | {"time": datetime.fromisoformat(row["time"])}
        for row in rows
    ]
    path = tmp_path / "manifest.parquet"
    pyarrow.parquet.write_table(pyarrow.Table.from_pylist(typed), path)
    for one, other in zip(entries(manifest(rows)), entries(path), strict=True):
        assert (one.asked, one.circumstances) == (other.asked, other.circumstances)


def test_spreadsheets_of_the_continent_use_semicolons(manifest):
    (entry,) = entries(manifest([FULL], delimiter=";"))
    assert entry.problem == ""
    assert entry.asked.mm_per_pixel == 0.15


def test_byte_order_mark_and_blank_lines_are_no_data(manifest):
    path = manifest([FULL, FULL | {"film_label": "two"}])
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\ufeff" + "\n\n".join(lines) + "\n", encoding="utf-8")
    assert [entry.problem for entry in entries(path)] == ["", ""]


def test_unknown_column_is_told_with_the_one_that_was_meant(manifest):
    with pytest.raises(AuditError, match=r"'lip_mark' \(meant lip_mark_cm\?\)"):
        Manifest(manifest([{"film": "a.dcm", "lip_mark": 22}]), Bedside())


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"lip_mark_cm": "22,5"}, "lip_mark_cm: '22,5' found, a number with a decimal point expected"),
        ({"lip_mark_cm": 220}, "lip mark: 220 cm found, 1 to 40 cm expected"),
        ({"tube_size_mm": 75}, "tube size: 75 mm found"),
        ({"height_cm": 1.65}, "height: 1.65 cm found"),
        ({"time": "01/03/2026"}, "time: '01/03/2026' found, a date or time as in ISO 8601 expected"),
        ({"sex": "x"}, "sex: 'x' found, one of female, male expected"),
        ({"neck": "bent"}, "neck: 'bent' found, one of neutral, flexed, extended, unknown expected"),
        ({"view": "lateral"}, "view: 'lateral' found, one of AP, PA, unknown expected"),
        ({"tip_row": ""}, "tip_row: nothing found beside the other one"),
        ({"mm_per_pixel": ""}, "mm_per_pixel: nothing found beside marks without a film"),
        ({"carina_row": "", "carina_column": ""}, "neither a film nor both marks found"),
        ({"age_years": "nan"}, "age_years: 'nan' found"),
    ],
)
def test_bad_value_is_told_with_its_row(manifest, changed, told):
    found = Manifest(manifest([FULL, FULL | {"film_label": "two"} | changed]), Bedside())
    with pytest.raises(AuditError, match=re.escape(f"row 3: {told}")):
        found.refuse_problems()
    assert [bool(entry.problem) for entry in found.entries()] == [False, True]


def test_many_bad_rows_are_counted_and_the_first_shown(manifest):
    rows = [FULL | {"film_label": str(n), "lip_mark_cm": "?"} for n in range(PROBLEMS_SHOWN + 5)]
    with pytest.raises(AuditError, match=r"25 of 25 rows cannot be used") as stopped:
        Manifest(manifest(rows), Bedside()).refuse_problems()
    assert str(stopped.value).count("lip_mark_cm:") == PROBLEMS_SHOWN
    assert "and 5 more" in str(stopped.value)


def test_row_with_too_many_values_is_told(manifest):
    path = manifest([FULL])
    with path.open("a", encoding="utf-8") as file:
        file.write("a,b\n")
    with pytest.raises(AuditError, match="row 3 has 2 values, 18 expected"):
        Manifest(path, Bedside())


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("latin.csv", "film\n\xe4.dcm\n".encode("latin-1"), "not UTF-8"),
        ("empty.csv", b"", "columns missing"),
        ("twice.csv", b"film,film\na,b\n", "twice: film"),
        ("broken.parquet", b"PAR1 and no more", "damaged Parquet"),
    ],
)
def test_damaged_file_is_told(tmp_path, name, content, told):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(AuditError, match=told):
        Manifest(path, Bedside())


def test_film_is_sought_beside_the_manifest(manifest):
    path = manifest([{"film": "ward/a.dcm"}])
    (entry,) = entries(path)
    assert entry.film == path.parent / "ward" / "a.dcm"
    assert entry.place == "ward/a.dcm"


def test_one_key_for_all_rows_of_a_film_and_one_proposal(manifest):
    by_hand = {"tip_row": 1, "tip_column": 2, "carina_row": 3, "carina_column": 4}
    rows = [
        {"film": "a.dcm", "reader": "AB"} | by_hand,
        {"film": "b.dcm"},
        {"film": "a.dcm", "reader": "CD"} | by_hand,
    ]
    first, other, second = entries(manifest(rows))
    assert first.key == second.key != other.key
    assert [len(entry.requests()) for entry in (first, other, second)] == [2, 1, 1]
    assert (first.circumstances.reader, second.circumstances.reader) == ("reader 1", "reader 2")
    hand_only = entries(manifest(rows), hand_only=True)
    assert [len(entry.requests()) for entry in hand_only] == [1, 1, 1]


def test_film_given_twice_without_marks_is_a_mistake(manifest):
    found = entries(manifest([{"film": "a.dcm"}, {"film": "b.dcm"}, {"film": "a.dcm"}]))
    assert [bool(entry.problem) for entry in found] == [False, False, True]


def test_keys_cannot_be_found_by_trying_names(manifest):
    """The same name has another key in another manifest: names alone do not lead to keys."""
    (one,) = entries(manifest([{"film": "a.dcm"}], "one.csv"))
    other = entries(manifest([{"film": "a.dcm"}, {"film": "b.dcm"}], "other.csv"))[0]
    assert one.key != other.key
    assert "a.dcm" not in one.key


def test_documentation_names_every_column():
    text = Path("docs/audit.md").read_text(encoding="utf-8")
    section = text[text.index("## The manifest") : text.index("## The results")]
    named = re.findall(r"^\| `(\w+)`", section, re.MULTILINE)
    assert named == list(COLUMNS)
