"""A comparison on the terminal."""

from __future__ import annotations

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from scheduler.comparison.hardware_text import hardware_rows, hardware_sentences, worth_table
from scheduler.comparison.results import Comparison
from scheduler.comparison.text import (
    CLOSING,
    TextTable,
    day_span_text,
    hardware_lead,
    headline,
    not_worth_text,
    ranking_table,
    tie_text,
    use_table,
    ways_table,
)
from scheduler.plans.plan import CAUTIONS

WIDTH = 120
LEAST_FIRST = 20
"""Room for the first column of a table, in letters."""
MOST_FIRST = 36
"""Letters of a word that its first column does not break."""


def show_comparison(compared: Comparison, console: Console) -> None:
    """Print what each offer costs, what discharging is worth under it, and the hardware's case."""
    asked = compared.asked
    width = min(WIDTH, console.width)

    def say(words: str, style: str = "") -> None:
        console.print(Text(words, style=style), width=width)
        console.print()

    about = f"{compared.best.inputs.site.name}, {day_span_text(asked.first, asked.last)}, in {compared.currency}"
    say(about)
    say(headline(compared), "bold")
    console.print(rich_table(ranking_table(compared)), width=width)
    for sentence in tie_text(compared):
        say(sentence)
    for content in (ways_table(compared), use_table(compared)):
        for part in parts_that_fit(content, width):
            console.print(rich_table(part), width=width)
    for sentence in not_worth_text(compared):
        say(sentence)
    if asked.hardware is not None:
        saving = compared.yearly_saving
        say("Does the hardware pay", "bold")
        say(" ".join(hardware_sentences(asked.hardware, saving)))
        say(hardware_lead(compared))
        console.print(rich_table(TextTable(("", ""), hardware_rows(asked.hardware, saving))), width=width)
        worth = worth_table(asked.hardware, saving)
        say(worth.title)
        rows = tuple((name, *amounts) for name, amounts in worth.rows)
        console.print(rich_table(TextTable(("", *worth.columns), rows)), width=width)
    for title, sentences in (("Taken for granted", asked.notes), ("Cautions", (*CAUTIONS, CLOSING))):
        if sentences:
            console.print(Text(title, style="bold"))
        for sentence in sentences:
            console.print(Padding(Text(sentence, style="dim"), (0, 0, 0, 2)), width=width)
    console.print()


def parts_that_fit(content: TextTable, width: int) -> list[TextTable]:
    """The table in as few tables as keep every number whole in this many columns of text, the first column in each."""
    needed = [
        max(len(word) for cell in (name, *cells) for word in cell.split() or [""]) + 2
        for name, *cells in zip(content.columns, *content.rows, strict=True)
    ]
    parts: list[list[int]] = [[]]
    room = first = width - max(needed[0], LEAST_FIRST)
    for number, wanted in enumerate(needed[1:], 1):
        if wanted > room and parts[-1]:
            parts.append([])
            room = first
        parts[-1].append(number)
        room -= wanted
    rows = [content.columns, *content.rows]
    picked = [[tuple(row[number] for number in (0, *part)) for row in rows] for part in parts]
    return [TextTable(columns, tuple(others)) for columns, *others in picked]


def rich_table(content: TextTable) -> Table:
    """A table of words for the terminal, its first column to the left."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_header=any(content.columns))
    for number, name in enumerate(content.columns):
        longest = max(len(word) for cell in (name, *(row[number] for row in content.rows)) for word in cell.split(" "))
        least = min(longest, MOST_FIRST) if number == 0 else None
        table.add_column(Text(name), justify="right" if number else "left", overflow="fold", min_width=least)
    for row in content.rows:
        table.add_row(*(Text(cell) for cell in row))
    return table
