"""Tables as a workbook for a spreadsheet: one sheet a table, units in the heads, numbers as numbers and text as text.

It needs the extra `xlsx`.
"""

from __future__ import annotations

import io
import math
from collections.abc import Mapping
from datetime import date, datetime

import xlsxwriter

from scheduler.render.data_dictionary import Column
from scheduler.render.table import Table
from scheduler.textio.errors import NotWrittenError

MOST_ROWS = 1_048_576
"""Rows of a sheet, its head included (ECMA-376 leaves it to the program; common practice)."""
MOST_LETTERS_OF_A_NAME = 31
LEAST_WIDE, WIDEST, LOOKED_AT = 11, 44, 50
"""Fewest and most letters across of a column, and the rows whose text decides."""


def workbook(
    sheets: Mapping[str, Table], described: Mapping[str, tuple[Column, ...]], currency: str, on: date
) -> bytes:
    """Return the content of an .xlsx file.

    Parameters
    ----------
    sheets : tables with keys, by the names of their sheets. described : the columns of each, with their units.
    currency : stands for "money" in units. on : the date told as that of the workbook, so that it is always the same.

    Raises
    ------
    NotWrittenError : a table has more rows than a sheet has.
    """
    stream = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(stream, options) as book:
        book.set_properties({"created": datetime(on.year, on.month, on.day)})
        head = book.add_format({"bold": True, "text_wrap": True, "valign": "top"})
        for name, table in sheets.items():
            if len(table.rows) >= MOST_ROWS:
                raise NotWrittenError(f"The table {name} has {len(table.rows)} rows, more than a sheet can hold")
            sheet = book.add_worksheet(name[:MOST_LETTERS_OF_A_NAME])
            units = {column.name: column.unit for column in described.get(name, ())}
            heads = [_head(column.key or "", units, currency) for column in table.columns]
            for at, text in enumerate(heads):
                sheet.write_string(0, at, text, head)
                longest = max(
                    [len(text) / 2, *(len(str(row[at])) for row in table.rows[:50] if isinstance(row[at], str))]
                )
                sheet.set_column(at, at, min(WIDEST, max(10, math.ceil(longest) + 2)))
            for number, row in enumerate(table.rows, 1):
                for at, value in enumerate(row):
                    if isinstance(value, str):
                        sheet.write_string(number, at, value)
                    elif value is not None and math.isfinite(value):
                        sheet.write_number(number, at, float(value))
            sheet.freeze_panes(1, 1)
            if table.rows:
                sheet.autofilter(0, 0, len(table.rows), len(heads) - 1)
    return stream.getvalue()


def _head(key: str, units: Mapping[str, str], currency: str) -> str:
    """Return a column's name with its unit in brackets, if it has one."""
    unit = units.get(key, "-")
    return key if unit == "-" else f"{key} [{unit.replace('money', currency)}]"
