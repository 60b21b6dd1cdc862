"""One table for every place where it is shown or written: terminal, page, CSV and JSON.

A table holds values; each column says how they are written. A column without a heading is only written to files, a
column without a key is only shown. Shown numbers are rounded; files keep DECIMALS, and money its currency's minor unit.
"""

from __future__ import annotations

import csv
import io
import math
import re
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from scheduler.textio.format import money_digits, money_text, number_text
from scheduler.textio.spreadsheet_text import as_text

Cell = str | float | None
"""Text, which stays as it is, a number, or nothing."""
Kind = Literal["text", "number", "money", "percent"]
Role = Literal["group", "aside", "subtotal", "total"]
"""What a row is: a title of those below it, a remark on the one above it, or a sum."""
DECIMALS = 9
"""Decimals of every number in a file, so that rows sum to their totals far below a cent."""
NO_BREAK = "\N{NO-BREAK SPACE}"
NOTHING = "–"
"""Shown where there is no value."""
LEAST_FIRST = 20
"""Least room for the first column on a terminal, where it has so much text [letters]."""
GAP, EDGES = 3, 2
"""Blanks between two columns on a terminal, and at both edges together [letters]."""


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its name in files, its heading on screens and pages, and how its values are written.

    Attributes
    ----------
    key : name in CSV and JSON; None where it is only shown. heading : None where it is only written to files.
    unit : of numbers, shown in the heading; of money its currency, which the text around the table names.
    kind : what the values are; all but text are aligned right. digits : decimals of a shown number or percentage.
    """

    key: str | None = None
    heading: str | None = None
    unit: str = ""
    kind: Kind = "text"
    digits: int = 0

    @property
    def title(self) -> str:
        """Return the heading with its unit."""
        with_unit = self.unit and self.kind == "number"
        return f"{self.heading or ''}, {self.unit}" if with_unit else self.heading or ""

    def text(self, value: Cell) -> str:
        """Return a value as a reader sees it.

        >>> Column(heading="Power", unit="kW", kind="number", digits=1).text(-2.04)
        '−2.0'
        """
        if isinstance(value, str):
            return value
        if value is None or math.isnan(value):
            return NOTHING
        if self.kind == "money":
            return money_text(value, self.unit)
        if self.kind == "text":
            return str(value)
        return number_text(value, self.digits) + (" %" if self.kind == "percent" else "")

    def csv_text(self, value: Cell) -> str:
        """Return a value for another program, nothing where there is none; text is never a formula.

        >>> Column("offer").csv_text("=1+1"), Column("kw", kind="number").csv_text(-1.2)
        ("'=1+1", '-1.200000000')
        """
        if value is None or (isinstance(value, float) and math.isnan(value)):
            return ""
        if isinstance(value, str):
            return as_text(value) if self.kind == "text" else value
        if self.kind == "text" and not isinstance(value, float):
            return str(value)
        digits = money_digits(self.unit) if self.kind == "money" else DECIMALS
        return f"{round(value, digits) + 0.0:.{digits}f}"


@dataclass(frozen=True, slots=True)
class Table:
    """Columns and rows, one value for each column in each row.

    Attributes
    ----------
    caption : what the table is, shown above it on a page and a terminal. roles : of special rows, by number.
    """

    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    caption: str = ""
    roles: Mapping[int, Role] = field(default_factory=dict)

    @property
    def headings(self) -> tuple[str, ...]:
        """Return the headings of the columns that are shown."""
        return tuple(column.title for column in self.columns if column.heading is not None)

    @property
    def texts(self) -> tuple[tuple[str, ...], ...]:
        """Return the rows of the columns that are shown, as a reader sees them."""
        shown = [(at, column) for at, column in enumerate(self.columns) if column.heading is not None]
        return tuple(tuple(column.text(row[at]) for at, column in shown) for row in self.rows)

    @property
    def to_right(self) -> tuple[bool, ...]:
        """Return whether each column that is shown is aligned right."""
        return tuple(column.kind != "text" for column in self.columns if column.heading is not None)

    def only(self, keys: Sequence[str]) -> Table:
        """Return the table with only these columns, in this order."""
        places = {column.key: at for at, column in enumerate(self.columns)}
        return self._with([places[key] for key in keys])

    def split(self, width: int) -> list[Table]:
        """Return as few tables as keep every number whole in so many letters, the first column in each."""
        shown = replace(self, columns=tuple(column for column in self.columns if column.heading is not None))
        needed = self.least_widths
        parts: list[list[int]] = [[0]]
        room = first = width - EDGES - needed[0]
        for number, wanted in enumerate(needed[1:], 1):
            if wanted + GAP > room and len(parts[-1]) > 1:
                parts.append([0])
                room = first
            parts[-1].append(number)
            room -= wanted + GAP
        return [replace(shown, rows=self.texts)._with(part) for part in parts] if len(parts) > 1 else [self]

    @property
    def least_widths(self) -> list[int]:
        """Return the letters that each column needs to break no word, and the first to be easy to read."""
        words = [longest_word(name, *cells) for name, *cells in self._by_column]
        return [max(words[0], min(LEAST_FIRST, self.full_widths[0])), *words[1:]]

    @property
    def full_widths(self) -> list[int]:
        """Return the letters that each column needs to be on one line."""
        return [max(len(text) for text in (name, *cells)) for name, *cells in self._by_column]

    def widths(self, width: int) -> list[int]:
        """Return the letters that each column has in so many: no word broken if it can be, the rest to long texts.

        Where even the words do not fit, the first column is narrower, so that numbers stay whole.
        """
        full, found = self.full_widths, self.least_widths
        spare = width - EDGES - GAP * (len(found) - 1) - sum(found)
        if spare < 0:
            found[0] = max(1, found[0] + spare)
        for _ in range(spare):
            longest = max(range(len(found)), key=lambda column: full[column] / found[column])
            found[longest] += found[longest] < full[longest]
        return found

    @property
    def _by_column(self) -> list[tuple[str, ...]]:
        """Return heading and texts of each column that is shown."""
        return list(zip(self.headings, *self.texts, strict=True))

    def _with(self, places: Sequence[int]) -> Table:
        rows = tuple(tuple(row[at] for at in places) for row in self.rows)
        return replace(self, columns=tuple(self.columns[at] for at in places), rows=rows)


def text_table(headings: Sequence[str], rows: Iterable[Sequence[Cell]], caption: str = "") -> Table:
    """Return a table that is only shown: names on the left, then numbers that are text already.

    >>> text_table(("Offer", "Bill"), [("Flat", "812.40")]).texts
    (('Flat', '812.40'),)
    """
    columns = tuple(Column(heading=name, kind="number" if at else "text") for at, name in enumerate(headings))
    return Table(columns, tuple(tuple(row) for row in rows), caption)


def csv_text(table: Table) -> str:
    """Return the columns that have a key as CSV, under a row of their keys.

    >>> csv_text(Table((Column("line"), Column("kw", kind="number")), (("a", 1.5), ("b", None))))
    'line,kw\\na,1.500000000\\nb,\\n'
    """
    columns = [(at, column) for at, column in enumerate(table.columns) if column.key is not None]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([column.key for _, column in columns])
    writer.writerows([column.csv_text(row[at]) for at, column in columns] for row in table.rows)
    return text.getvalue()


def json_rows(table: Table) -> list[dict[str, Cell]]:
    """Return each row as a dictionary of the columns that have a key, numbers in full precision.

    >>> json_rows(Table((Column("line"), Column("kw", kind="number"), Column(heading="Mark")), (("a", 1.5, "x"),)))
    [{'line': 'a', 'kw': 1.5}]
    """
    columns = [(at, column.key) for at, column in enumerate(table.columns) if column.key is not None]
    return [{key: row[at] for at, key in columns} for row in table.rows]


def together(text: str) -> str:
    """Return text in which a no-break space stands between a number and its unit, and between × and a number.

    Text is broken at blanks and never at a no-break space, on pages, on terminals and in figures alike.

    >>> together("0.30 % of 58 kWh").split(" ")
    ['0.30\\xa0%', 'of', '58\\xa0kWh']
    """
    return re.sub(r"(?<=\d) (?=(?:kWh?|A|%)(?!\w))|(?<=×) (?=\d)", NO_BREAK, text)


def in_lines(text: str, width: int) -> list[str]:
    """Return text in lines of at most so many letters; only a word that is longer than a line is broken.

    >>> in_lines("law nmc, discharge_min_kw\N{NO-BREAK SPACE}2 is 0.30 %", 19)
    ['law nmc,', 'discharge_min_kw 2', 'is 0.30 %']
    """
    lines = textwrap.wrap(together(text), max(1, width), break_on_hyphens=False)
    return [line.replace(NO_BREAK, " ") for line in lines] or [""]


def longest_word(*texts: str) -> int:
    """Return the number of letters of the longest word, a number with its unit being one."""
    return max(len(word) for text in texts for word in together(text).split(" "))
