"""An audit's question in DuckDB.

Do tubes sit better in one bay than in the other? An audit leaves Parquet; a question is a few lines of SQL. Here
the manifest holds marks alone, without films, of an invented unit.
"""

import csv
import random
from pathlib import Path

import duckdb

from annotate.command_line import main

QUESTION = """
SELECT unit,
       count(*) AS films,
       round(median(on_film_cm), 1) AS tip_above_carina_cm,
       round(100 * avg((verdict IN ('too low', 'too high', 'in a main bronchus'))::INT)) AS malpositioned_percent
FROM read_parquet('{results}/films/*.parquet')
WHERE verdict <> 'cannot say'
GROUP BY unit ORDER BY unit
"""


def write_manifest(path: Path) -> None:
    """Films of two bays, one of which aims better."""
    draw = random.Random(5)
    columns = ("unit", "view", "neck", "mm_per_pixel", "tip_row", "tip_column", "carina_row", "carina_column")
    with path.open("w", newline="", encoding="utf-8") as file:
        lines = csv.writer(file)
        lines.writerow(columns)
        for unit, aim_cm in (("beds 1 to 6", 2.5), ("beds 7 to 12", 5.0)):
            for _ in range(40):
                height_px = draw.gauss(aim_cm, 1.2) * 10 / 0.2
                lines.writerow((unit, "AP", "neutral", 0.2, round(1000 - height_px), 600, 1000, 605))


if __name__ == "__main__":
    out = Path("example")
    out.mkdir(exist_ok=True)
    write_manifest(out / "unit.csv")
    status = main(["audit", "run", str(out / "unit.csv"), "--out", str(out / "results"), "--workers", "1"])
    if status:
        raise SystemExit(status)
    print(duckdb.sql(QUESTION.format(results=out / "results")))
