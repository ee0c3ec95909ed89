"""A folder to Parquet and a plot.

One row a film, for pandas, R or DuckDB; a film that cannot be read is a row with its reason. For thousands of
films, `lipmark audit run` does this in parallel and goes on after a stop.
"""

from pathlib import Path

import pandas as pd
from matplotlib.figure import Figure

import lipmark
from synthetic_images.batch import BatchSettings, make_batch


def row(path: Path) -> dict[str, object]:
    """What is wanted of one film."""
    try:
        reading = lipmark.read(path, neck="neutral")
    except (lipmark.ImagingError, lipmark.MeasureError) as error:
        return {"film": path.name, "error": str(error)}
    told: dict[str, object] = {"film": path.name, "verdict": str(reading.verdict), "reason": reading.reason}
    if reading.distance is not None:
        height = reading.distance.on_film
        told |= {"on_film_cm": height.value, "low_cm": height.low, "high_cm": height.high}
    return told


out = Path("example")
folder = make_batch(6, out / "films", BatchSettings(seed=3, size_px=512), workers=1).folder
(folder / "broken.dcm").write_bytes(b"no film at all")

table = pd.DataFrame(map(row, sorted(folder.glob("*.dcm"))))
table.to_parquet(out / "readings.parquet")
print(table.drop(columns=["reason", "error"]).to_string(index=False))

read = table.dropna(subset="on_film_cm").sort_values("on_film_cm")
figure = Figure(figsize=(7, 3), layout="constrained")
axes = figure.subplots()
errors = (read["on_film_cm"] - read["low_cm"], read["high_cm"] - read["on_film_cm"])
axes.errorbar(read["on_film_cm"], range(len(read)), xerr=errors, fmt="o", capsize=4)
axes.axvspan(3, 7, alpha=0.15, label="accepted by Goodman 1976, neck neutral")
axes.set_yticks(range(len(read)), read["film"])
axes.set_xlabel("tip above the carina on the film [cm], 95 % interval")
axes.legend()
figure.savefig(out / "readings.png", dpi=120)
