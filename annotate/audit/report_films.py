"""The results of an audit as tables: one row for each reading, and one for each film."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING, overload

from annotate.audit.errors import AuditError
from annotate.audit.results import FORMAT
from measure.verdict import Verdict

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    import pyarrow
    from numpy.typing import NDArray

NOT_KNOWN = "not known"

COLUMNS = (
    *("film", "entry", "patient", "unit", "time", "shift", "operator_grade", "tube_size_mm", "lip_mark_cm", "sex"),
    *("height_cm", "neck", "view", "age_group", "source", "reader", "on_film_cm", "in_patient_cm", "verdict"),
    *("chance_in_main_bronchus", "chance_too_low", "chance_within_range", "chance_too_high"),
    *("chance_near_carina", "rough", "range_low_cm", "range_high_cm", "move_cm", "action", "urgency"),
    *("no_action_because", "reasons", "error"),
)
"""What the report needs of the results; docs/audit.md describes all columns."""

FACTORS: Mapping[str, str] = MappingProxyType(
    {
        "unit": "Unit",
        "month": "Month",
        "shift": "Shift",
        "sex": "Sex",
        "height_band": "Height",
        "tube_size": "Tube size",
        "operator_grade": "Operator's grade",
        "view": "View",
        "neck": "Neck posture",
        "age_group": "Age group",
        "source": "Points placed by",
    }
)
"""Columns that split the films, and how they are called."""

HEIGHT_LIMITS_CM = (0.0, 150.0, 160.0, 170.0, 180.0, 999.0)
HEIGHT_BANDS = ("below 150 cm", "150 to 159 cm", "160 to 169 cm", "170 to 179 cm", "180 cm and more")
"""Bands of ten centimetres (ours)."""

MALPOSITIONED = (Verdict.IN_A_MAIN_BRONCHUS, Verdict.TOO_LOW, Verdict.TOO_HIGH)


class Readings(StrEnum):
    """Which reading of a film counts."""

    BEST = "best"
    HAND = "hand"
    PROPOSED = "proposed"


class Period(StrEnum):
    """What makes a point of the chart over time."""

    WEEK = "week"
    MONTH = "month"


SOURCES_BY_WORTH = ("hand", "mixed", "proposed")
_TAKEN = {Readings.BEST: SOURCES_BY_WORTH, Readings.HAND: ("hand",), Readings.PROPOSED: ("proposed",)}


@dataclass(frozen=True, slots=True)
class Keys(Sequence[str]):
    """Keys as the file holds them: a million of them as Python's texts would fill the memory."""

    held: pyarrow.Array

    @overload
    def __getitem__(self, place: int) -> str: ...

    @overload
    def __getitem__(self, place: slice) -> Sequence[str]: ...

    def __getitem__(self, place: int | slice) -> str | Sequence[str]:
        found = self.held[place]
        return Keys(found) if isinstance(place, slice) else str(found.as_py())

    def __len__(self) -> int:
        return len(self.held)

    def take(self, places: NDArray[np.int64]) -> pyarrow.Array:
        """Those of these numbers."""
        return self.held.take(places)


@dataclass(frozen=True, slots=True)
class Audit:
    """An audit's results.

    Parameters
    ----------
    readings : DataFrame
        One row for each film and reading, in the order of the source.
    films : DataFrame
        One row for each film: the reading that counts, with the columns of `FACTORS`, and "period".
    settings : mapping
        As the run wrote them.
    keys : Keys
        The films' keys, by the numbers that stand for them in both tables.
    """

    readings: pd.DataFrame
    films: pd.DataFrame
    settings: Mapping[str, object]
    keys: Keys

    @property
    def entries_missing(self) -> int:
        """Entries of the source that the results do not hold yet; 0 where the results do not tell."""
        source = self.settings.get("source")
        wanted = source.get("entries") if isinstance(source, Mapping) else None
        if not isinstance(wanted, int):
            return 0
        return max(0, wanted - int(self.readings["entry"].nunique()))


def read_audit(place: str, counted: Readings = Readings.BEST, period: Period = Period.MONTH) -> Audit:
    """Read what `lipmark audit run` has written.

    Parameters
    ----------
    place : str
        Folder or fsspec URL that holds settings.json and films/*.parquet.
    counted : Readings
        "best" takes a hand's reading before a mixed before a proposed one; of several by hand the first.
    period : Period
        Of the chart over time.

    Raises
    ------
    AuditError
        Where there are no results, columns are missing, or no reading is of the kind asked for.
    """
    readings, settings, keys = _load(place)
    films = readings[readings["source"].isin(_TAKEN[counted])].copy()
    if films.empty:
        raise AuditError(f"{place}: no reading found that counts as {counted.value!r}; choose other --readings.")
    films["worth"] = (
        films["source"].astype(str).map({source: worth for worth, source in enumerate(SOURCES_BY_WORTH)})
    )
    films = films.sort_values(["worth", "place"], kind="stable").drop_duplicates("film")
    films = films.sort_values("place", kind="stable").reset_index(drop=True)
    return Audit(readings, _with_factors(films, period), settings, keys)


def _load(place: str) -> tuple[pd.DataFrame, Mapping[str, object], Keys]:
    import pyarrow
    from fsspec.core import url_to_fs
    from pyarrow import dataset

    try:
        files, root = url_to_fs(place)
        parts = sorted(files.glob(f"{root}/films/*.parquet"))
        settings = json.loads(files.cat_file(f"{root}/settings.json")) if parts else {}
    except (ValueError, ImportError, OSError) as error:
        raise AuditError(
            f"{place}: {error}; give the folder that `lipmark audit run --out` has written."
        ) from error
    if not parts:
        raise AuditError(
            f"{place}: no films/*.parquet found; give the folder that `lipmark audit run --out` has written."
        )
    try:
        _refuse_other_format(place, settings)
        data = dataset.dataset(parts, filesystem=files, format="parquet")
        missing = sorted(set(COLUMNS) - set(data.schema.names))
        if missing:
            raise AuditError(f"{place}: columns {', '.join(missing)} missing; run `lipmark audit run` again.")
        slim, keys = _slim(data.to_table(columns=list(COLUMNS)))
        table = slim.to_pandas()
    except pyarrow.ArrowException as error:
        raise AuditError(f"{place}: results are damaged ({error}); run `lipmark audit run` again.") from error
    if table.empty:
        raise AuditError(f"{place}: results without a film found; audit some films first.")
    table["rough"] = table["rough"].fillna(False).astype(bool)
    table = table.sort_values("entry", kind="stable")
    _refuse_strange_verdicts(place, table)
    return table.reset_index(drop=True).assign(place=range(len(table))), settings, keys


def _refuse_other_format(place: str, settings: object) -> None:
    """Results of another rule must not be counted by this one."""
    told = settings.get("format") if isinstance(settings, Mapping) else None
    found = told.get("version") if isinstance(told, Mapping) else None
    if found != FORMAT:
        raise AuditError(
            f"{place}: results of format {found} found, {FORMAT} expected: they were judged by another rule, or "
            "not by lipmark. Run the audit again, into another folder."
        )


def _slim(table: pyarrow.Table) -> tuple[pyarrow.Table, Keys]:
    """The same with less to keep: films as numbers, words once, reasons only without an answer; and the keys."""
    import pyarrow
    from pyarrow import compute

    silent = compute.equal(table["verdict"], Verdict.CANNOT_SAY.value)
    reasons = compute.if_else(silent, table["reasons"], pyarrow.scalar(None, table["reasons"].type))
    table = table.set_column(table.schema.get_field_index("reasons"), "reasons", reasons)
    films = table["film"].combine_chunks().dictionary_encode()
    table = table.set_column(table.schema.get_field_index("film"), "film", films.indices)
    for index, field in enumerate(table.schema):
        if pyarrow.types.is_string(field.type) or pyarrow.types.is_large_string(field.type):
            table = table.set_column(index, field.name, table[field.name].dictionary_encode())
    return table.replace_schema_metadata(None), Keys(films.dictionary)


def _refuse_strange_verdicts(place: str, table: pd.DataFrame) -> None:
    strange = sorted(set(table["verdict"].dropna().astype(str)) - {verdict.value for verdict in Verdict})
    if strange or table["verdict"].isna().any():
        raise AuditError(
            f"{place}: verdict {', '.join(strange) or 'missing'} found; run `lipmark audit run` again."
        )


def _with_factors(films: pd.DataFrame, period: Period) -> pd.DataFrame:
    import pandas as pd

    time = pd.to_datetime(films["time"])
    films["month"] = time.dt.strftime("%Y-%m")
    films["period"] = films["month"] if period is Period.MONTH else time.dt.strftime("%G week %V")
    films["height_band"] = pd.cut(
        films["height_cm"], list(HEIGHT_LIMITS_CM), right=False, labels=list(HEIGHT_BANDS)
    ).astype(object)
    films["tube_size"] = films["tube_size_mm"].map(lambda size: f"{size:.1f} mm", na_action="ignore")
    for factor in FACTORS:
        films[factor] = films[factor].astype(object).where(films[factor].notna(), NOT_KNOWN).astype(str)
        films[factor] = films[factor].replace({"unknown": NOT_KNOWN, "": NOT_KNOWN})
    return films


ZONES = ("in a main bronchus", "too low", "within range", "too high")
"""In their order from below, for the best estimate alone, however unsure."""


def zones(rows: pd.DataFrame) -> NDArray[np.str_]:
    """Zone of each best estimate, by its own range; "" without distance or range, or with a rough scale."""
    import numpy as np

    height = rows["on_film_cm"].to_numpy(float)
    low, high = rows["range_low_cm"].to_numpy(float), rows["range_high_cm"].to_numpy(float)
    high = np.where(np.isnan(high), np.inf, high)
    found = np.select([height < 0.0, height < low, height <= high], ZONES[:3], ZONES[3])
    none = np.isnan(height) | np.isnan(low) | rows["rough"].eq(True).to_numpy()
    return np.where(none, "", found).astype(str)


def levels(films: pd.DataFrame, factor: str) -> list[str]:
    """The factor's values in their order, what is not known last."""
    found = [str(level) for level in films[factor].unique()]
    if factor == "height_band":
        return [level for level in (*HEIGHT_BANDS, NOT_KNOWN) if level in found]
    return sorted(found, key=lambda level: (level == NOT_KNOWN, level))
