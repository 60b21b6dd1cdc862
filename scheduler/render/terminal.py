"""Tables and lists of sentences on a terminal, the same for every command."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Mapping
from typing import Literal

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table as RichTable
from rich.text import Text

from scheduler.render.table import Table, in_lines, longest_word

MOST_FIRST = 36
"""Words of up to so many letters are not broken in a table's first column."""
STYLES: Mapping[str, str] = {"group": "bold", "aside": "dim", "subtotal": "bold", "total": "bold"}
"""Styles of rows by their role."""


def print_table(table: Table, console: Console, width: int) -> None:
    """Print a table in so many letters, split where it would otherwise break a number."""
    for part in table.split(width):
        console.print(terminal_table(part, width), width=width)


def table_text(table: Table, width: int) -> str:
    """Return the table as lines of text in so many letters, without blanks at their ends."""
    console = Console(file=io.StringIO(), width=width, color_system=None)
    print_table(table, console, width)
    assert isinstance(console.file, io.StringIO)
    return "\n".join(line.rstrip() for line in console.file.getvalue().splitlines())


def terminal_table(table: Table, width: int | None = None) -> RichTable:
    """Return the table as one that rich prints.

    Parameters
    ----------
    width : most letters across, so that no column is cut off; None leaves it to rich, for a table that fits.
    """
    rich_table = RichTable(
        title=table.caption or None,
        title_justify="left",
        title_style="bold",
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        show_header=any(table.headings),
    )
    texts = table.texts
    widths = None if width is None else table.widths(width)

    def cell(text: str, column: int, indent: str = "") -> Text:
        lines = [text] if widths is None else in_lines(text, widths[column] - len(indent))
        return Text("\n".join(indent + line for line in lines))

    for number, (name, to_right) in enumerate(zip(table.headings, table.to_right, strict=True)):
        least = None if number else min(longest_word(name, *(row[0] for row in texts)), MOST_FIRST)
        justify: Literal["left", "right"] = "right" if to_right else "left"
        rich_table.add_column(
            cell(name, number), justify=justify, overflow="fold", min_width=least if widths is None else None
        )
    for number, row in enumerate(texts):
        role = table.roles.get(number, "")
        if role == "total":
            rich_table.add_section()
        indent = "  " if role == "aside" else ""
        rich_table.add_row(
            cell(row[0], 0, indent),
            *(cell(text, column) for column, text in enumerate(row[1:], 1)),
            style=STYLES.get(role),
            end_section=role == "subtotal",
        )
    return rich_table


def print_paragraph(text: str, console: Console, width: int, style: str = "") -> None:
    """Print text in so many letters, and an empty line."""
    console.print(Text(text, style=style), width=width)
    console.print()


def paragraph_printer(console: Console, width: int) -> Callable[..., None]:
    """Return a function of a text, and perhaps a style, that prints it as print_paragraph does."""

    def say(text: str, style: str = "") -> None:
        print_paragraph(text, console, width, style)

    return say


def print_list(title: str, sentences: Iterable[str], console: Console, width: int, style: str = "dim") -> None:
    """Print sentences indented under their title, nothing where there are none; an empty title is not printed."""
    listed = list(sentences)
    if listed and title:
        console.print(Text(title, style="bold"), width=width)
    for sentence in listed:
        console.print(Padding(Text(sentence, style=style), (0, 0, 0, 2)), width=width)
