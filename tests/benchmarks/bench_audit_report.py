"""Processor time and memory of `lipmark audit report` over very many films, beside a plain count of them.

    python tests/benchmarks/bench_audit_report.py [FILMS]

The results are invented: 150 units, three films of a patient, one film in a hundred read twice, one in eight
without an answer. docs/audit-report.md has the figures that were measured.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pyarrow
from numpy.typing import NDArray
from pyarrow import parquet
from scipy.special import ndtr

from annotate.audit.dataset import as_table
from annotate.audit.results import FORMAT

LIPMARK = str(Path(sys.executable).with_name("lipmark"))
UNITS, FILMS_A_PATIENT, TWICE, SILENT = 150, 3, 0.01, 0.12
PART = 100_000
LOW_CM, HIGH_CM, SD_CM = 3.0, 7.0, 0.6
WORDS = {
    "shift": ["day", "night"],
    "operator_grade": ["resident", "senior", "paramedic"],
    "sex": ["female", "male"],
    "neck": ["neutral", "flexed", "unknown"],
    "view": ["AP"],
    "age_group": ["adult"],
}
COUNT = """
import sys, duckdb
print(duckdb.sql(f"SELECT unit, count(*), sum(chance_too_low) FROM '{sys.argv[1]}/films/*.parquet' GROUP BY unit"))
"""
KIB_PER_MIB = 1024.0

Column = NDArray[np.generic] | list[list[str]]


def columns_of(random: np.random.Generator, begin: int, count: int, films: int) -> dict[str, Column]:
    """Rows of so many films from that number on, column by column; what is not named is empty."""
    film = np.sort(np.concatenate([np.arange(count), np.flatnonzero(random.random(count) < TWICE)]))
    by_hand = np.concatenate([[False], film[1:] == film[:-1]])
    number, rows = begin + film, film.size
    height = np.round(random.normal(4.0, 2.0, count)[film] + random.normal(0.0, 0.3, rows), 2)
    known = {name: random.choice(np.array(words, object), count)[film] for name, words in WORDS.items()}
    silent = random.random(rows) < SILENT
    ends = {"0": 0.0, "1": 1.0, "low": LOW_CM, "high": HIGH_CM}
    below = {name: ndtr((end - height) / SD_CM) for name, end in ends.items()}
    day_ms = (365 * 86_400_000 * number.astype(np.int64)) // films
    said = {
        "on_film_cm": height,
        "in_patient_cm": height / 1.08,
        "chance_in_main_bronchus": below["0"],
        "chance_near_carina": below["1"],
        "chance_too_low": below["low"] - below["0"],
        "chance_within_range": below["high"] - below["low"],
        "chance_too_high": 1.0 - below["high"],
        "range_low_cm": np.full(rows, LOW_CM),
        "range_high_cm": np.full(rows, HIGH_CM),
        "move_cm": np.round(np.where(height < LOW_CM, height - LOW_CM, np.maximum(height - HIGH_CM, 0.0)), 1),
        "action": np.select([height < LOW_CM, height > HIGH_CM], ["withdraw", "advance"], "leave").astype(object),
        "urgency": np.select([height < 1.0, height < LOW_CM], ["now", "advised"], "leave").astype(object),
    }
    verdict = np.select(
        [silent, height < 0.0, height < LOW_CM, height > HIGH_CM],
        ["cannot say", "in a main bronchus", "too low", "too high"],
        "within range",
    )
    return {
        "film": np.array([f"{one:032x}" for one in number], object),
        "entry": number,
        "patient": np.array([f"{one // FILMS_A_PATIENT:016x}" for one in number], object),
        "unit": np.array([f"unit {one}" for one in range(UNITS)], object)[random.integers(0, UNITS, count)[film]],
        "time": np.datetime64("2025-01-01", "ms") + day_ms.astype("timedelta64[ms]"),
        "source": np.where(by_hand, "hand", "proposed").astype(object),
        "reader": np.where(by_hand, "reader 1", None),
        "reasons": [[f"The carina has a confidence of {10 + one % 40} %."] for one in number],
        "tube_size_mm": random.choice([7.0, 7.5, 8.0], count)[film],
        "lip_mark_cm": np.round(random.normal(22.5, 1.2, count))[film],
        "height_cm": np.round(random.normal(170.0, 9.0, count))[film],
        "rough": np.zeros(rows, bool),
        "verdict": verdict.astype(object),
        "no_action_because": np.where(silent, "carina unsure", None),
        **known,
        **{name: np.where(silent, None, values) for name, values in said.items()},
    }


def write_results(films: int, folder: Path) -> None:
    """Results of an invented audit, as `lipmark audit run` leaves them; the same for each run."""
    (folder / "films").mkdir(parents=True)
    schema, random = as_table([]).schema, np.random.default_rng(5)
    for part, begin in enumerate(range(0, films, PART)):
        columns = columns_of(random, begin, min(PART, films - begin), films)
        rows = len(columns["film"])
        arrays = [
            pyarrow.array(columns[field.name], field.type)
            if field.name in columns
            else pyarrow.nulls(rows, field.type)
            for field in schema
        ]
        parquet.write_table(pyarrow.table(arrays, schema=schema), folder / "films" / f"part-{part:06d}.parquet")
    source = {"kind": "manifest", "entries": films}
    settings = {"format": {"version": FORMAT}, "settings": {"range": "goodman"}, "source": source}
    (folder / "settings.json").write_text(json.dumps(settings), encoding="utf-8")


def used_by(*words: str) -> tuple[float, float]:
    """Processor seconds of a command, and the most memory in MiB of any command so far."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    taken = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return taken, after.ru_maxrss / KIB_PER_MIB


def main() -> None:
    """Print one figure a line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("films", nargs="?", type=int, default=1_000_000)
    films = parser.parse_args().films
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "results"
        write_results(films, folder)
        counted_s, _ = used_by(sys.executable, "-c", COUNT, str(folder))
        report_s, peak_mib = used_by(LIPMARK, "audit", "report", str(folder))
        sizes = {path.name: path.stat().st_size / 2.0**20 for path in folder.iterdir() if path.is_file()}
    print(f"{films} films: a count by unit, by DuckDB {counted_s:8.1f} s")
    print(f"{films} films: lipmark audit report       {report_s:8.1f} s   {report_s / counted_s:5.1f} counts")
    print(f"{films} films: peak memory                {peak_mib:8.0f} MiB")
    print("  ".join(f"{name} {mib:.1f} MiB" for name, mib in sizes.items()))


if __name__ == "__main__":
    main()
