import csv
import json
from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest
from scipy.optimize import linprog

from annotate.audit.results import FORMAT
from measure.accepted_range import GOODMAN
from measure.advice import Action, NoAction, Situation, advise
from measure.estimate import Estimate
from measure.posture import NeckPosture, Part
from measure.row import COLUMNS as READING_COLUMNS
from measure.verdict import Place, Verdict, judge

MM_PER_PIXEL = 0.15

WHY_NOT = "The carina was proposed with a confidence of {:.0%} only: place it by hand."


def make_rows(films=1200, seed=31, hand=200, readers=("reader 1", "reader 2"), change_at=0.5, patients=False):
    """Films of an invented unit over a year; malposition falls half way, proposals err by half a centimetre."""
    random = np.random.default_rng(seed)
    start = datetime(2025, 1, 1)
    read_by_hand = set(random.choice(films, size=min(hand, films), replace=False).tolist())
    rows = []
    for film in range(films):
        late = film / films >= change_at
        lip_mark = float(np.round(random.normal(22.5, 1.2)))
        truth = 26.5 - lip_mark + random.normal(0.3 if late else -0.9, 1.0 if late else 1.9)
        around = {
            "film": f"key-{film:05d}",
            "unit": str(random.choice(["unit A, beds 1 to 8", "unit B, beds 9 to 20"])),
            "time": start + timedelta(days=365 * film / films),
            "shift": str(random.choice(["day", "night"], p=[0.6, 0.4])),
            "operator_grade": random.choice(["resident", "senior", "paramedic", None], p=[0.5, 0.3, 0.15, 0.05]),
            "tube_size_mm": float(random.choice([7.0, 7.5, 8.0])),
            "lip_mark_cm": lip_mark,
            "sex": str(random.choice(["female", "male"])),
            "height_cm": float(np.round(random.normal(170, 9))),
            "age_years": float(random.integers(18, 95)),
            "neck": str(random.choice(["neutral", "flexed", "unknown"], p=[0.5, 0.1, 0.4])),
            "view": "AP",
            "age_group": "adult",
            "patient": f"patient-{film // 3:05d}" if patients else None,
        }
        rows.append(reading_row(random, around, truth + random.normal(0, 0.5), "proposed", None, 0.35))
        if film in read_by_hand:
            for reader in readers:
                rows.append(reading_row(random, around, truth + random.normal(0, 0.3), "hand", reader, 0.15))
    return rows


SILENT = {name: None for name in READING_COLUMNS if name not in ("rough", "schema_version", "reason")}


def reading_row(random, around, height, source, reader, sd):
    row = SILENT | {"rough": False, "source": source, "reader": reader, "reasons": []} | around
    if random.random() < (0.12 if source == "proposed" else 0.01):
        unreadable = random.random() < 0.2
        why = NoAction.NOT_READABLE if unreadable else NoAction.CARINA_UNSURE
        row |= {"verdict": Verdict.CANNOT_SAY.value, "no_action_because": why.value}
        row["error"] = "no DICOM and no picture" if unreadable else None
        return row | {"reasons": [] if unreadable else [WHY_NOT.format(random.uniform(0.1, 0.5))]}
    accepted = GOODMAN.get(NeckPosture(around["neck"]), GOODMAN[NeckPosture.NEUTRAL])
    on_film, in_patient = Estimate(height, sd), Estimate(height / 1.08, sd)
    place = Place(on_film, on_film, (Part(1.0, Estimate(0.0)),), accepted, 1.0)
    judged, advised = judge(place), advise(Situation(place, Estimate(1.08)))
    chances = judged.chances
    withdrawn = 0.0 - advised.by_cm if advised.action is not Action.ADVANCE else advised.by_cm
    return row | {
        "on_film_cm": on_film.value,
        "on_film_low_cm": on_film.low,
        "on_film_high_cm": on_film.high,
        "in_patient_cm": in_patient.value,
        "in_patient_low_cm": in_patient.low,
        "in_patient_high_cm": in_patient.high,
        "verdict": judged.verdict.value,
        "chance_in_main_bronchus": chances.in_a_main_bronchus,
        "chance_too_low": chances.too_low,
        "chance_within_range": chances.within_range,
        "chance_too_high": chances.too_high,
        "chance_near_carina": chances.near_carina,
        "range_low_cm": accepted.low_cm.value,
        "range_high_cm": accepted.high_cm.value,
        "action": advised.action.value,
        "urgency": advised.urgency.value,
        "move_cm": withdrawn,
    }


def write_results(folder, rows, per_part=500):
    (folder / "films").mkdir(parents=True, exist_ok=True)
    table = pd.DataFrame(rows)
    table["entry"] = range(len(table))
    for number, begin in enumerate(range(0, len(table), per_part)):
        part = table.iloc[begin : begin + per_part]
        part.to_parquet(folder / "films" / f"part-{number:06d}.parquet", index=False)
    settings = {
        "format": {"version": FORMAT},
        "settings": {"range": "goodman"},
        "source": {"kind": "manifest", "entries": len(table)},
    }
    (folder / "settings.json").write_text(json.dumps(settings))
    return folder


@pytest.fixture(scope="session")
def rows():
    return make_rows()


@pytest.fixture(scope="session")
def results(tmp_path_factory, rows):
    return write_results(tmp_path_factory.mktemp("audit") / "results", rows)


@pytest.fixture(scope="session")
def write():
    """Writes rows as an audit would: write(folder, rows)."""
    return write_results


@pytest.fixture(scope="session")
def make():
    """Makes rows of an invented unit: make(films=..., seed=...)."""
    return make_rows


def what_an_attacker_knows(key, counts, sums, hidden):
    """Lowest and highest value of a hidden count that fits everything shown, by linear programming."""
    place = {name: index for index, name in enumerate(sorted(hidden))}
    left, right = [], []
    for total, parts in sums:
        row, known = np.zeros(len(place)), 0.0
        for name, sign in ((total, 1.0), *((part, -1.0) for part in parts)):
            if name in place:
                row[place[name]] += sign
            else:
                known += sign * counts[name]
        if row.any():
            left.append(row)
            right.append(-known)
    goal = np.zeros(len(place))
    goal[place[key]] = 1.0
    ends = [linprog(sign * goal, A_eq=left or None, b_eq=right or None) for sign in (1.0, -1.0)]
    return tuple(np.inf if end.status == 3 else abs(end.fun) for end in ends)


@pytest.fixture(scope="session")
def attacker():
    """What can be worked out of a hidden count: attacker(key, counts, (total, parts) of every sum, hidden)."""
    return what_an_attacker_knows


def row_of_marks(distance_cm=5.0, **more):
    """A row of a manifest: a tip so far above the carina, without a film."""
    return {
        "mm_per_pixel": MM_PER_PIXEL,
        "tip_row": round(1200 - 10 * distance_cm / MM_PER_PIXEL, 2),
        "tip_column": 1000,
        "carina_row": 1200,
        "carina_column": 1000,
        "view": "AP",
        **more,
    }


@pytest.fixture
def manifest(tmp_path):
    """Writes rows as a CSV manifest, with the columns that they have."""

    def write(rows, name="manifest.csv", delimiter=","):
        path = tmp_path / name
        columns = list(dict.fromkeys(column for row in rows for column in row))
        with path.open("w", newline="", encoding="utf-8") as file:
            lines = csv.DictWriter(file, columns, delimiter=delimiter)
            lines.writeheader()
            lines.writerows(rows)
        return path

    return write


@pytest.fixture(scope="session")
def scheduler():
    """Address of a Dask cluster with one worker process, as another would keep it."""
    import dask

    dask.config.set({"logging.distributed": "critical"})
    from distributed import LocalCluster

    with LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address="127.0.0.1:0") as cluster:
        yield cluster.scheduler_address


@pytest.fixture
def audit(lipmark, scheduler):
    """Runs `lipmark audit run` on that cluster; gives exit status, standard output and standard error."""

    def run(*words):
        return lipmark("audit", "run", *words, "--scheduler", scheduler, "--insecure-scheduler")

    return run


@pytest.fixture(scope="session")
def marks():
    return row_of_marks


@pytest.fixture(scope="session")
def rows_in():
    return read_rows


@pytest.fixture(scope="session")
def settings_in():
    return lambda results: json.loads((results / "settings.json").read_text(encoding="utf-8"))


def read_rows(results: Path, columns="*"):
    """The rows of the results as DuckDB reads them, in the order of the source."""
    query = f"SELECT {columns} FROM '{results}/films/*.parquet' ORDER BY entry, source DESC"
    found = duckdb.sql(query)
    return [dict(zip(found.columns, values, strict=True)) for values in found.fetchall()]
