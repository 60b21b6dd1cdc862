"""A comparison on the terminal."""

from __future__ import annotations

from dataclasses import replace

from rich.console import Console

from scheduler.comparison.conclusion import conclusion_of
from scheduler.comparison.conclusion_text import assumptions_table, dependence_text, headlines
from scheduler.comparison.hardware_text import hardware_sentences, hardware_table, worth_table
from scheduler.comparison.ranking_text import ranking_table, tie_text, today_text
from scheduler.comparison.results import Comparison
from scheduler.comparison.sizes_text import sizes_lead, sizes_table
from scheduler.comparison.text import (
    CLOSING,
    bound_text,
    counted_text,
    day_span_text,
    hardware_lead,
    not_worth_text,
    use_table,
    ways_table,
)
from scheduler.plans.plan import CAUTIONS
from scheduler.render.terminal import paragraph_printer, print_list, print_table

WIDTH = 120


def show_comparison(compared: Comparison, console: Console) -> None:
    """Print what each offer costs, what discharging is worth under it, and the hardware's case."""
    request = compared.request
    width = min(WIDTH, console.width)

    say = paragraph_printer(console, width)

    about = f"{compared.best.inputs.site.name}, {day_span_text(request.first, request.last)}, in {compared.currency}"
    say(about)
    found = conclusion_of(compared)
    for paragraph in headlines(found):
        say(paragraph, "bold")
    print_table(ranking_table(found), console, width)
    for sentence in (*tie_text(found), *today_text(found)):
        say(sentence)
    say("What this depends on", "bold")
    print_table(assumptions_table(found), console, width)
    for sentence in dependence_text(found):
        say(sentence)
    for content in (ways_table(compared), use_table(compared)):
        print_table(content, console, width)
    for sentence in (*bound_text(compared), *counted_text(compared), *not_worth_text(compared)):
        say(sentence)
    if request.hardware is not None:
        saving = compared.yearly_saving
        say("Does the hardware pay", "bold")
        say(" ".join(hardware_sentences(request.hardware, saving)))
        say(hardware_lead(compared))
        print_table(hardware_table(request.hardware, saving), console, width)
        worth = worth_table(request.hardware, saving)
        say(worth.caption)
        print_table(replace(worth, caption=""), console, width)
    if compared.sizes:
        say("Other sizes", "bold")
        print_table(sizes_table(compared), console, width)
        say(sizes_lead(compared))
    print_list("Assumptions", request.notes, console, width)
    print_list("Cautions", (*CAUTIONS, CLOSING), console, width)
    console.print()
