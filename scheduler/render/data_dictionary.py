"""A data dictionary: the unit and meaning of every column of a command's tables."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

DICTIONARY_COLUMNS = ("table", "column", "unit", "meaning")


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table: its name, unit and meaning."""

    name: str
    unit: str
    meaning: str


def dictionary_rows(tables: Mapping[str, Iterable[Column]]) -> list[tuple[str, str, str, str]]:
    """Return table, column, unit and meaning of every column, in the order given."""
    return [(table, each.name, each.unit, each.meaning) for table, columns in tables.items() for each in columns]


def dictionary_text(tables: Mapping[str, Iterable[Column]]) -> str:
    """Return the dictionary as CSV.

    >>> dictionary_text({"runs": [Column("days", "d", "how many days")]})
    'table,column,unit,meaning\\nruns,days,d,how many days\\n'
    """
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([DICTIONARY_COLUMNS, *dictionary_rows(tables)])
    return text.getvalue()
