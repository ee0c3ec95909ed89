"""The results of an audit: every reading where it lies, asked by SQL, and one slim row for each film."""

from __future__ import annotations

import glob
import json
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING

from annotate.audit.errors import AuditError
from annotate.audit.results import FILMS, FORMAT
from measure.verdict import Verdict

if TYPE_CHECKING:
    import duckdb
    import pandas as pd
    import pyarrow
    from fsspec import AbstractFileSystem

NOT_KNOWN = "not known"

MEMORY = "200MB"
"""What DuckDB may take for sorting and joining; beyond it writes to a private temporary folder (ours)."""

BATCH, AT_ONCE = 100_000, 6
"""Rows and columns fetched at a time (ours): what is on its way is less than what stays."""

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

HEIGHT_BANDS = ("below 150 cm", "150 to 159 cm", "160 to 169 cm", "170 to 179 cm", "180 cm and more")
HEIGHT_STEP_CM = 10.0
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

ZONES = ("in a main bronchus", "too low", "within range", "too high")
"""In their order from below, for the best estimate alone, however unsure."""

_ZONE = f"""CASE
    WHEN on_film_cm IS NULL OR range_low_cm IS NULL OR rough THEN ''
    WHEN on_film_cm < 0 THEN '{ZONES[0]}'
    WHEN on_film_cm < range_low_cm THEN '{ZONES[1]}'
    WHEN on_film_cm <= coalesce(range_high_cm, 'inf') THEN '{ZONES[2]}'
    ELSE '{ZONES[3]}'
END"""
"""Zone of each best estimate, by its own range; empty without distance or range, or with a rough scale."""

_HEIGHT_BAND = " ".join(
    (
        f"CASE WHEN height_cm < 0 THEN NULL WHEN height_cm < 150 THEN '{HEIGHT_BANDS[0]}'",
        *(
            f"WHEN height_cm < {150 + HEIGHT_STEP_CM * place} THEN '{band}'"
            for place, band in enumerate(HEIGHT_BANDS[1:-1], start=1)
        ),
        f"WHEN height_cm < 999 THEN '{HEIGHT_BANDS[-1]}' END",
    )
)

_MADE = {
    "month": "strftime(time, '%Y-%m')",
    "height_band": _HEIGHT_BAND,
    "tube_size": "printf('%.1f mm', tube_size_mm)",
}
"""Factors that are no columns of the results."""

_PERIODS = {Period.WEEK: "strftime(time, '%G week %V')", Period.MONTH: _MADE["month"]}

_SEPARATOR = "\x1f"
"""Between the reasons of a film."""

_REASONS = f"array_to_string(reasons, '{_SEPARATOR}')"


@dataclass(frozen=True, slots=True)
class Audit:
    """An audit's results.

    Parameters
    ----------
    films : DataFrame
        One row for each film in the order of the source: the reading that counts, with the columns of `FACTORS`,
        "period" and "zone" (`ZONES`, empty where there is none).
    settings : mapping
        As the run wrote them.
    readings : DuckDBPyRelation
        A row for each film and reading, where they lie: `COLUMNS`, "zone", and "place", its number in the order of
        the source.
    scratch : TemporaryDirectory
        For what questions to `readings` do not hold in memory; goes with the last reference to it.
    """

    films: pd.DataFrame
    settings: Mapping[str, object]
    readings: duckdb.DuckDBPyRelation
    scratch: tempfile.TemporaryDirectory[str]

    @property
    def entries_missing(self) -> int:
        """Entries of the source that the results do not hold yet; 0 where the results do not tell."""
        source = self.settings.get("source")
        wanted = source.get("entries") if isinstance(source, Mapping) else None
        if not isinstance(wanted, int):
            return 0
        return max(0, wanted - number_of(self.readings, "count(DISTINCT entry)"))

    def film_keys(self) -> Iterator[pyarrow.Array]:
        """The films' keys in the order of `films`, some at a time."""
        for batch in _counted(self.readings, "film, place").order("place").to_arrow_reader(BATCH):
            yield batch.column(0)


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
    import duckdb

    files, parts, settings = _found(place)
    _refuse_other_format(place, settings)
    scratch = tempfile.TemporaryDirectory(prefix="lipmark-")
    results = duckdb.connect(config={"memory_limit": MEMORY, "temp_directory": scratch.name})
    try:
        readings = _readings(place, results, files, parts)
        _refuse_strange_verdicts(place, readings)
        _choose(readings, counted)
        if not number_of(_counted(readings, "place")):
            raise AuditError(
                f"{place}: no reading found that counts as {counted.value!r}; choose other --readings."
            )
        films = _films(readings, period)
    except duckdb.Error as error:
        told = next(iter(str(error).splitlines()), type(error).__name__)
        raise AuditError(f"{place}: results are damaged ({told}); run `lipmark audit run` again.") from error
    return Audit(films, settings, readings, scratch)


def _found(place: str) -> tuple[AbstractFileSystem, list[str], Mapping[str, object]]:
    """The files of the results, and their settings."""
    from fsspec.core import url_to_fs

    try:
        files, root = url_to_fs(place)
        folder = f"{root}/{FILMS}"
        held = files.ls(folder, detail=False) if files.isdir(folder) else []
        parts = sorted(path for path in held if path.endswith(".parquet"))
        settings = json.loads(files.cat_file(f"{root}/settings.json")) if parts else {}
    except (ValueError, ImportError, OSError) as error:
        raise AuditError(
            f"{place}: {error}; give the folder that `lipmark audit run --out` has written."
        ) from error
    if not parts:
        raise AuditError(
            f"{place}: no films/*.parquet found; give the folder that `lipmark audit run --out` has written."
        )
    return files, parts, settings


def _refuse_other_format(place: str, settings: object) -> None:
    """Results of another rule must not be counted by this one."""
    told = settings.get("format") if isinstance(settings, Mapping) else None
    found = told.get("version") if isinstance(told, Mapping) else None
    if found != FORMAT:
        raise AuditError(
            f"{place}: results of format {found} found, {FORMAT} expected: they were judged by another rule, or "
            "not by lipmark. Run the audit again, into another folder."
        )


def _readings(
    place: str, results: duckdb.DuckDBPyConnection, files: AbstractFileSystem, parts: list[str]
) -> duckdb.DuckDBPyRelation:
    """Every reading; the parts are in the order of the source, and so are the rows in each."""
    from fsspec.implementations.local import LocalFileSystem

    if isinstance(files, LocalFileSystem):
        names = [glob.escape(part) for part in parts]
    else:
        results.register_filesystem(files)
        names = [files.unstrip_protocol(part) for part in parts]
    data = results.read_parquet(names)
    missing = sorted(set(COLUMNS) - set(data.columns))
    if missing:
        raise AuditError(f"{place}: columns {', '.join(missing)} missing; run `lipmark audit run` again.")
    told = ", ".join(name for name in COLUMNS if name != "rough")
    numbered = data.project(f"row_number() OVER () AS place, {told}, coalesce(rough, false) AS rough")
    return numbered.project(f"*, {_ZONE} AS zone")


def _refuse_strange_verdicts(place: str, readings: duckdb.DuckDBPyRelation) -> None:
    found = {verdict for (verdict,) in readings.project("verdict").distinct().fetchall()}
    if not found:
        raise AuditError(f"{place}: results without a film found; audit some films first.")
    strange = sorted(str(verdict or "missing") for verdict in found - {verdict.value for verdict in Verdict})
    if strange:
        raise AuditError(f"{place}: verdict {', '.join(strange)} found; run `lipmark audit run` again.")


def _choose(readings: duckdb.DuckDBPyRelation, counted: Readings) -> None:
    """Make the table "counted": the place of each film's reading that counts, the first of the worthiest."""
    worth = " ".join(f"WHEN '{source}' THEN {worth}" for worth, source in enumerate(_TAKEN[counted]))
    ranked = readings.project(f"film, place, CASE source {worth} END AS worth").filter("worth IS NOT NULL")
    first = ranked.aggregate("film, arg_min(place, worth * (1::BIGINT << 40) + place) AS place", "film")
    first.project("place").create("counted")


def _counted(readings: duckdb.DuckDBPyRelation, columns: str) -> duckdb.DuckDBPyRelation:
    """Columns of the readings that count, in whatever order."""
    return ask(readings, f"SELECT {columns} FROM every WHERE place IN (FROM counted)")


def _films(readings: duckdb.DuckDBPyRelation, period: Period) -> pd.DataFrame:
    """A row for each film, every word held once."""
    import pandas as pd

    made = {name: _MADE.get(name, name) for name in FACTORS}
    words = ("patient", "reader", "verdict", "action", "urgency", "no_action_because", "zone")
    numbers = ("on_film_cm", "in_patient_cm", "move_cm", "lip_mark_cm", "range_low_cm", "range_high_cm", "rough")
    chances = (name for name in COLUMNS if name.startswith("chance_"))
    columns = {name: name for name in ("entry", "time", *words, *numbers, *chances)}
    columns |= {
        "error": "error IS NOT NULL",
        "reasons": f"CASE verdict WHEN '{Verdict.CANNOT_SAY}' THEN {_REASONS} END",
        "period": _PERIODS[period],
        **{name: f"coalesce(nullif(nullif({said}, ''), 'unknown'), '{NOT_KNOWN}')" for name, said in made.items()},
    }
    chosen = [f"{made} AS {name}" for name, made in columns.items()]
    some = (chosen[begin : begin + AT_ONCE] for begin in range(0, len(chosen), AT_ONCE))
    return pd.concat([_columns(readings, ", ".join(each)) for each in some], axis=1)


def _columns(readings: duckdb.DuckDBPyRelation, chosen: str) -> pd.DataFrame:
    """Some columns of the readings that count, in their order."""
    import pyarrow

    found = _counted(readings, f"place, {chosen}").to_arrow_reader(BATCH)
    # Nothing else may hold the batches: each column's then go as its own is made.
    table = pyarrow.Table.from_batches([_words_once(batch) for batch in found]).unify_dictionaries()
    films: pd.DataFrame = table.to_pandas(self_destruct=True, split_blocks=True)
    del table
    pyarrow.default_memory_pool().release_unused()
    # Sorted here, and only where need be: DuckDB would hold all columns of all films to do it.
    if not films["place"].is_monotonic_increasing:
        films = films.sort_values("place", ignore_index=True)
    del films["place"]
    return films


def _words_once(batch: pyarrow.RecordBatch) -> pyarrow.RecordBatch:
    import pyarrow

    columns = [
        column.dictionary_encode() if pyarrow.types.is_string(column.type) else column for column in batch.columns
    ]
    return pyarrow.RecordBatch.from_arrays(columns, names=batch.schema.names)


def ask(readings: duckdb.DuckDBPyRelation, query: str) -> duckdb.DuckDBPyRelation:
    """What a query finds in the table "every", which is these readings."""
    found = readings.query("every", query)
    assert found is not None  # As it is for what is no SELECT.
    return found


def number_of(readings: duckdb.DuckDBPyRelation, what: str = "count(*)") -> int:
    """A whole number over all readings."""
    ((found,),) = readings.aggregate(what).fetchall()
    return int(found)


def reasons_of(film: object) -> list[str]:
    """The reasons of a film without an answer, as `films` holds them."""
    return film.split(_SEPARATOR) if isinstance(film, str) and film else []


def levels(films: pd.DataFrame, factor: str) -> list[str]:
    """The factor's values in their order, what is not known last."""
    found = [str(level) for level in films[factor].unique()]
    if factor == "height_band":
        return [level for level in (*HEIGHT_BANDS, NOT_KNOWN) if level in found]
    return sorted(found, key=lambda level: (level == NOT_KNOWN, level))
