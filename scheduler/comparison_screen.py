"""A comparison on the terminal."""

from __future__ import annotations

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from scheduler.comparison import Comparison
from scheduler.comparison_words import (
    CLOSING,
    WordTable,
    day_span_words,
    hardware_lead,
    headline,
    ranking_table,
    tie_words,
    use_table,
    ways_table,
)
from scheduler.hardware_words import hardware_rows, hardware_sentences, worth_table
from scheduler.plan import CAUTIONS

WIDTH = 120


def show_comparison(compared: Comparison, console: Console) -> None:
    """Print what each offer costs, what discharging is worth under it, and the hardware's case."""
    asked = compared.asked
    width = min(WIDTH, console.width)

    def say(words: str, style: str = "") -> None:
        console.print(Text(words, style=style), width=width)
        console.print()

    about = f"{compared.best.inputs.site.name}, {day_span_words(asked.first, asked.last)}, in {compared.currency}"
    say(about)
    say(headline(compared), "bold")
    console.print(_table(ranking_table(compared)), width=width)
    for sentence in tie_words(compared):
        say(sentence)
    console.print(_table(ways_table(compared)), width=width)
    console.print(_table(use_table(compared)), width=width)
    if asked.hardware is not None:
        saving = compared.yearly_saving
        say("Does the hardware pay", "bold")
        say(" ".join(hardware_sentences(asked.hardware, saving)))
        say(hardware_lead(compared))
        console.print(_table(WordTable(("", ""), hardware_rows(asked.hardware, saving))), width=width)
        worth = worth_table(asked.hardware, saving)
        say(worth.title)
        rows = tuple((name, *amounts) for name, amounts in worth.rows)
        console.print(_table(WordTable(("", *worth.columns), rows)), width=width)
    for title, sentences in (("Taken for granted", asked.notes), ("Cautions", (*CAUTIONS, CLOSING))):
        if sentences:
            console.print(Text(title, style="bold"))
        for sentence in sentences:
            console.print(Padding(Text(sentence, style="dim"), (0, 0, 0, 2)), width=width)
    console.print()


def _table(content: WordTable) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_header=any(content.columns))
    for number, name in enumerate(content.columns):
        table.add_column(Text(name), justify="right" if number else "left", overflow="fold")
    for row in content.rows:
        table.add_row(*(Text(cell) for cell in row))
    return table
