"""The tidy tables of a sweep: runs.csv and runs.parquet, nights.parquet, and the dictionary of their columns."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from scheduler.render.data_dictionary import Column, dictionary_text
from scheduler.rolling.flows import NIGHT_COLUMNS
from scheduler.sweep.columns import NIGHT_TABLE, RUN_COLUMNS, site_columns
from scheduler.sweep.rows import Row
from scheduler.sweep.run import SweepResult
from scheduler.textio.spreadsheet_text import as_text

RUNS_CSV, RUNS_PARQUET, NIGHTS_PARQUET, DICTIONARY = "runs.csv", "runs.parquet", "nights.parquet", "dictionary.csv"
NAMED_BY_USERS = ("site", "offer")
"""Columns of a user's own text."""
RUNS_TOGETHER = 500
"""Number of runs whose nights are written at once."""
WHOLE_NUMBERS = ("run", "night", "departures", "missed_departures")
INSTANTS = ("night_start", "night_end")


def runs_frame(rows: Sequence[Row]) -> pd.DataFrame:
    """Return the table of runs, its columns in the order of the dictionary."""
    named = {column.name for column in RUN_COLUMNS}
    names = [column.name for column in RUN_COLUMNS] + [name for name in rows[0] if name not in named]
    frame = pd.DataFrame({name: [row[name] for row in rows] for name in names})
    empty = [name for name in frame if frame[name].isna().all()]
    return frame.astype(dict.fromkeys(empty, float))


def run_columns(frame: pd.DataFrame) -> list[Column]:
    """Return the columns of a table of runs, with their units and meanings."""
    named = {column.name for column in RUN_COLUMNS}
    return [*RUN_COLUMNS, *site_columns(str(name) for name in frame.columns if name not in named)]


def write_runs(frame: pd.DataFrame, folder: Path) -> None:
    """Write runs.csv, runs.parquet and dictionary.csv; numbers are written in full precision."""
    columns = run_columns(frame)
    as_written = frame.assign(**{name: frame[name].map(as_text) for name in NAMED_BY_USERS})
    as_written.to_csv(folder / RUNS_CSV, index=False, lineterminator="\n")
    table = pa.Table.from_pandas(frame, preserve_index=False)
    meanings = {column.name: _metadata(column) for column in columns}
    schema = pa.schema([field.with_metadata(meanings[field.name]) for field in table.schema])
    pq.write_table(table.replace_schema_metadata(None).cast(schema), folder / RUNS_PARQUET)
    text = dictionary_text({"runs": columns, "nights": NIGHT_TABLE})
    (folder / DICTIONARY).write_text(text, encoding="utf-8", newline="")


def write_nights(results: Iterable[SweepResult], folder: Path) -> None:
    """Write nights.parquet, a few hundred runs at a time."""
    schema = pa.schema([pa.field(each.name, _type(each.name), metadata=_metadata(each)) for each in NIGHT_TABLE])
    with pq.ParquetWriter(folder / NIGHTS_PARQUET, schema) as writer:
        following = enumerate(results)
        while some := list(islice(following, RUNS_TOGETHER)):
            columns = {name: np.concatenate(parts) for name, parts in _columns(some).items()}
            writer.write_table(
                pa.table([pa.array(columns[field.name], type=field.type) for field in schema], schema=schema)
            )


def _columns(numbered: Sequence[tuple[int, SweepResult]]) -> dict[str, list[np.ndarray]]:
    found: dict[str, list[np.ndarray]] = {column.name: [] for column in NIGHT_TABLE}
    for number, result in numbered:
        nights = len(result.night_start)
        found["run"].append(np.full(nights, number))
        found["night"].append(np.arange(nights))
        found["night_start"].append(result.night_start)
        found["night_end"].append(result.night_end)
        for name in NIGHT_COLUMNS:
            whole = name in WHOLE_NUMBERS
            found[name].append(result.night[name].astype(np.int64) if whole else result.night[name])
    return found


def _type(name: str) -> pa.DataType:
    if name in INSTANTS:
        return pa.timestamp("s", tz="UTC")
    return pa.int64() if name in WHOLE_NUMBERS else pa.float64()


def _metadata(column: Column) -> dict[str, str]:
    return {"unit": column.unit, "meaning": column.meaning}


def numbered(results: Iterable[SweepResult], groups: Sequence[int]) -> Iterator[Row]:
    """Yield the row of each result with its number and its group's."""
    for number, (result, group) in enumerate(zip(results, groups, strict=True)):
        yield {"run": number, "group": group, **result.row}
