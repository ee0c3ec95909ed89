import gc
import json
import stat
from pathlib import Path

import pandas as pd
import pytest

from annotate.audit.errors import AuditError
from annotate.audit.report_films import NOT_KNOWN, Period, Readings, levels, read_audit


def keys_of(audit):
    return [key for keys in audit.film_keys() for key in keys.to_pylist()]


def test_each_film_counts_once_by_its_best_reading(results, rows):
    audit = read_audit(str(results))
    by_hand = {row["film"] for row in rows if row["source"] == "hand"}
    keys = keys_of(audit)
    assert keys == sorted({row["film"] for row in rows})
    assert len(audit.films) == 1200
    assert {key for key, source in zip(keys, audit.films["source"], strict=True) if source == "hand"} == by_hand
    assert set(audit.films.loc[audit.films["source"] == "hand", "reader"]) == {"reader 1"}


@pytest.mark.parametrize(("counted", "films"), [(Readings.HAND, 200), (Readings.PROPOSED, 1200)])
def test_another_reading_may_count(results, counted, films):
    audit = read_audit(str(results), counted)
    assert len(audit.films) == films
    assert set(audit.films["source"]) == {counted.value}


def test_mixed_goes_before_proposed_and_after_hand(tmp_path, rows, write):
    proposed, hand = (next(row for row in rows if row["source"] == source) for source in ("proposed", "hand"))
    films = [
        proposed | {"film": "a"},
        proposed | {"film": "a", "source": "mixed"},
        proposed | {"film": "b", "source": "mixed"},
        hand | {"film": "b"},
    ]
    audit = read_audit(str(write(tmp_path, films)))
    assert dict(zip(keys_of(audit), audit.films["source"], strict=True)) == {"a": "mixed", "b": "hand"}


def test_factors_are_made_and_what_is_missing_is_called_so(tmp_path, rows, write):
    changes = [
        {"height_cm": 159.9, "tube_size_mm": 7.5, "time": pd.Timestamp("2025-01-05 23:00")},
        {"height_cm": 160.0, "tube_size_mm": None, "time": None, "shift": None, "neck": "unknown"},
        {"height_cm": None, "operator_grade": None},
    ]
    films = read_audit(
        str(write(tmp_path, [rows[0] | {"film": f"{i}"} | c for i, c in enumerate(changes)])), period=Period.WEEK
    ).films
    assert films["height_band"].tolist() == ["150 to 159 cm", "160 to 169 cm", NOT_KNOWN]
    assert films["tube_size"].tolist()[:2] == ["7.5 mm", NOT_KNOWN]
    assert films["month"].tolist()[:2] == ["2025-01", NOT_KNOWN]
    assert films["period"][0] == "2025 week 01"
    assert (films["shift"][1], films["neck"][1], films["operator_grade"][2]) == (NOT_KNOWN,) * 3
    assert levels(films, "height_band")[-1] == NOT_KNOWN


def test_zones_follow_the_range_of_each_film(tmp_path, rows, write):
    ranges = [
        *((height, 3.0, 7.0) for height in (-0.1, 0.5, 3.0, 7.1)),
        *((7.1, 2.0, None), (None, 3.0, 7.0), (4.0, None, None)),
    ]
    names = ("on_film_cm", "range_low_cm", "range_high_cm")
    films = [
        rows[0] | {"film": f"{rough} {place}", "rough": rough} | dict(zip(names, ends, strict=True))
        for rough in (False, True)
        for place, ends in enumerate(ranges)
    ]
    zones = read_audit(str(write(tmp_path, films))).films["zone"].tolist()
    assert zones[:7] == ["in a main bronchus", "too low", "within range", "too high", "within range", "", ""]
    assert zones[7:] == [""] * 7


def test_a_large_audit_spills_to_a_private_folder_that_goes_with_it(results):
    audit = read_audit(str(results))
    folder = Path(audit.scratch.name)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert audit.readings.query("every", "SELECT current_setting('temp_directory')").fetchall() == [(str(folder),)]
    del audit
    gc.collect()
    assert not folder.exists()


def test_a_place_whose_name_looks_like_a_pattern_is_read(tmp_path, rows, write):
    write(tmp_path / "a1", rows[:50])
    assert len(read_audit(str(write(tmp_path / "a[1]*?", rows[:20]))).films) < 21


def test_a_folder_without_results_is_refused(tmp_path):
    with pytest.raises(AuditError, match="no films/"):
        read_audit(str(tmp_path))


def test_missing_columns_are_named(tmp_path, rows, write):
    short = [{name: value for name, value in row.items() if name != "move_cm"} for row in rows[:3]]
    with pytest.raises(AuditError, match="columns move_cm missing"):
        read_audit(str(write(tmp_path, short)))


@pytest.mark.parametrize(("told", "found"), [({"version": 1}, "format 1"), (None, "format None")])
def test_results_of_another_rule_are_refused_with_a_clear_word(tmp_path, rows, write, told, found):
    folder = write(tmp_path, rows[:3])
    settings = json.loads((folder / "settings.json").read_text())
    (folder / "settings.json").write_text(json.dumps(settings | {"format": told}))
    with pytest.raises(AuditError, match=f"{found} found, 2 expected.*another rule.*Run the audit again"):
        read_audit(str(folder))


def test_a_strange_verdict_is_named(tmp_path, rows, write):
    with pytest.raises(AuditError, match="verdict fine found"):
        read_audit(str(write(tmp_path, [rows[0] | {"verdict": "fine"}])))


def test_damaged_results_say_so(tmp_path, rows, write):
    folder = write(tmp_path, rows[:50])
    (folder / "films" / "part-000001.parquet").write_bytes(b"PAR1 no")
    with pytest.raises(AuditError, match="damaged"):
        read_audit(str(folder))


def test_a_kind_of_reading_that_is_not_there_is_refused(tmp_path, rows, write):
    proposed = [row for row in rows if row["source"] == "proposed"][:5]
    with pytest.raises(AuditError, match="--readings"):
        read_audit(str(write(tmp_path, proposed)), Readings.HAND)
