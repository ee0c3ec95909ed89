"""Every example in docs/examples runs as a reader would run it, and says what it promises."""

import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from PIL import Image

EXAMPLES = Path(__file__).parents[2] / "docs" / "examples"

PROMISED = {
    "1_read_a_film.py": ("too low", "withdraw by", "local protocol decides"),
    "2_mark_in_python.py": ("confidence", "both by hand", "truth: 4.4 cm"),
    "3_folder_to_parquet.py": ("broken.dcm", "film_000005.dcm"),
    "4_synthetic_films.py": ("right main bronchus: tip -", "from the truth"),
    "5_audit_in_duckdb.py": ("beds 1 to 6", "malpositioned_percent"),
}


def test_every_example_is_run_here():
    assert {path.name for path in EXAMPLES.glob("*.py")} == set(PROMISED)


@pytest.mark.parametrize("name", PROMISED)
def test_an_example_runs_as_it_stands(name, tmp_path):
    run = subprocess.run(
        [sys.executable, EXAMPLES / name], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    assert [words for words in PROMISED[name] if words not in run.stdout] == []
    if name == "3_folder_to_parquet.py":
        the_folder_is_a_table_and_a_plot(tmp_path / "example")


def the_folder_is_a_table_and_a_plot(out):
    table = pd.read_parquet(out / "readings.parquet")
    assert len(table) == 7
    assert table["error"].notna().sum() == 1
    assert table["on_film_cm"].notna().sum() >= 4
    with Image.open(out / "readings.png") as picture:
        assert picture.width > 500
