import csv
import json

import pytest

from annotate.logbook.errors import LogbookError
from annotate.logbook.export import COLUMNS, export
from annotate.logbook.store import Logbook


@pytest.fixture
def entries(tmp_path, draft):
    with Logbook.open(str(tmp_path / "logbook.sqlite")) as logbook:
        logbook.save(draft(1, reader='A, "B"\'s', reading={"verdict": "too low", "inputs": {"lip_mark_cm": 23.5}}))
        logbook.save(draft(2, patient=None))
        logbook.save(draft(1, supersedes=1))
        return logbook.entries(current_only=False)


@pytest.mark.outside
def test_parquet_is_what_duckdb_reads(entries, tmp_path):
    """DuckDB's own Parquet reader, also into the JSON columns."""
    import duckdb

    path = tmp_path / "out" / "entries.parquet"
    assert export(iter(entries), path) == 3
    kept = duckdb.read_parquet(str(path))
    assert tuple(kept.columns) == COLUMNS
    types = dict(zip(kept.columns, map(str, kept.types), strict=True))
    assert (types["number"], types["on_film_cm"]) == ("BIGINT", "DOUBLE")
    assert types["time"] == "TIMESTAMP WITH TIME ZONE"
    found = duckdb.sql(
        "SELECT number, epoch_us(time), reader, verdict, on_film_cm, lip_mark_cm, supersedes, patient, hash, "
        "CAST(inputs ->> '$.spacing.row_mm' AS DOUBLE) FROM kept ORDER BY number"
    ).fetchall()
    for row, entry in zip(found, entries, strict=True):
        assert row[0] == entry.number
        assert row[1] == round(entry.time.timestamp() * 1e6)
        assert row[2:4] == (entry.reader, entry.verdict)
        assert row[6:9] == (entry.supersedes, entry.patient, entry.hash)
        assert row[9] == 0.1 + 0.2
    assert [row[4:6] for row in found] == [(None, 23.5), (1.5, None), (1.5, None)]


def test_csv_is_what_the_csv_module_reads(entries, tmp_path):
    path = tmp_path / "entries.csv"
    export(iter(entries), path)
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["reader"] for row in rows] == [entry.reader for entry in entries]
    assert json.loads(rows[0]["landmarks"]) == entries[0].landmarks
    assert rows[2]["supersedes"] == "1"
    assert rows[1]["patient"] == ""


def test_json_holds_whole_entries(entries, tmp_path):
    path = tmp_path / "entries.json"
    export(iter(entries), path)
    assert json.loads(path.read_text(encoding="utf-8")) == [entry.plain() for entry in entries]


@pytest.mark.parametrize("ending", ["csv", "parquet", "json"])
def test_nothing_to_export_is_a_file_without_rows(tmp_path, ending):
    assert export(iter([]), tmp_path / f"none.{ending}") == 0
    assert (tmp_path / f"none.{ending}").stat().st_size > 0


def test_another_ending_is_refused(entries, tmp_path):
    with pytest.raises(LogbookError, match=r"\.csv, \.parquet, \.json"):
        export(iter(entries), tmp_path / "entries.xlsx")


def test_a_failure_leaves_the_old_file(entries, tmp_path):
    path = tmp_path / "entries.json"
    export(iter(entries), path)

    def broken():
        yield entries[0]
        raise LogbookError("entry 2 was changed")

    with pytest.raises(LogbookError):
        export(broken(), path, overwrite=True)
    assert len(json.loads(path.read_text(encoding="utf-8"))) == 3
    assert sorted(item.name for item in tmp_path.glob("entries*")) == ["entries.json"]


def test_text_that_a_spreadsheet_takes_for_a_formula_is_text(draft, tmp_path):
    with Logbook.open(str(tmp_path / "logbook.sqlite")) as logbook:
        logbook.save(draft(reader="=cmd|' /C calc'!A0"))
        export(logbook.iterate(), tmp_path / "entries.csv")
    with (tmp_path / "entries.csv").open(newline="", encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert row["reader"] == "'=cmd|' /C calc'!A0"
