import csv
import json
from pathlib import Path

import duckdb
import pytest

MM_PER_PIXEL = 0.15


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
    """Runs `lipmark audit` on that cluster; gives exit status, standard output and standard error."""

    def run(*words):
        return lipmark("audit", *words, "--scheduler", scheduler)

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
