"""What the owner reads on the terminal: what to set, the departures, the money, why, and what to watch."""

from __future__ import annotations

from dataclasses import replace

from rich import box
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table as RichTable
from rich.text import Text

from scheduler.optimizer.block import end_text, setting_text
from scheduler.plan_output.page import ready_text, short_headline, why_nothing_given
from scheduler.plans.cost_table import money_table, saving_text
from scheduler.plans.departures import TripOutcome
from scheduler.plans.kept_energy import kept_energy_text
from scheduler.plans.outlook_text import chances_text, planned_on_text, range_text
from scheduler.plans.plan import CAUTIONS, Plan
from scheduler.render.table import Column, Table
from scheduler.render.terminal import print_list, terminal_table
from scheduler.textio.format import clock_text, day_clock_text, percent_text

FEW_BLOCKS = 5
"""Most blocks named in the one sentence above the list."""
WIDTH = 78
"""Most columns used; a narrower terminal wraps."""


def show_plan(plan: Plan, console: Console) -> None:
    """Print the plan."""
    width = min(WIDTH, console.width)
    for part in (_heading(plan), _changes(plan), _blocks(plan), _departures(plan), _money(plan)):
        if part is not None:
            console.print(part, width=width)
            console.print()
    if plan.warnings:
        print_list("Please note", plan.warnings, console, width, "")
        console.print()
    print_list("Cautions", CAUTIONS, console, width)
    console.print()


def _heading(plan: Plan) -> RenderableType:
    night, inputs = plan.night, plan.inputs
    begin, end = (night.boundaries[at].to_pydatetime() for at in (0, -1))
    about = Text(
        f"{inputs.site.name}, {day_clock_text(begin, night.timezone)} to {clock_text(end, night.timezone)}, "
        f"offer {inputs.offer.name}, car at {plan.evening.soc_percent:g} %",
        style="dim",
    )
    lines = [about, Text(""), Text(short_headline(plan, FEW_BLOCKS), style="bold")]
    nothing_given = why_nothing_given(plan, FEW_BLOCKS)
    return Group(*lines, *([] if nothing_given is None else [Text(nothing_given)]))


def _changes(plan: Plan) -> RenderableType | None:
    """Return what a replan changes, why, and what it saves."""
    if plan.replanned is None:
        return None
    lines = [Padding(Text(change), (0, 0, 0, 2)) for change in plan.replanned.changes]
    title = Text(f"What changed since the plan {plan.replanned.of}", style="bold")
    return Group(title, *lines, Padding(Text(plan.replanned.carrying_on), (0, 0, 0, 2)))


def _blocks(plan: Plan) -> RenderableType | None:
    if not plan.blocks:
        return None
    night = plan.night
    table = RichTable(
        title="What to set", title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False
    )
    table.add_column("When", no_wrap=True)
    table.add_column("Set the charger to, and why")
    for block, reason in zip(plan.blocks, plan.reasons, strict=True):
        begin, end = (night.boundaries[at].to_pydatetime() for at in (block.first, block.last))
        ends = end_text(block.stop_percent, block.until_percent)
        setting = Text(f"{setting_text(block, night.setting.set_by)}{ends}", style="bold")
        when = f"{clock_text(begin, night.timezone)}\nto {clock_text(end, night.timezone, begin)}"
        table.add_row(when, Group(setting, Text(reason), Text("")))
    rest = Text("At all other times the charger is idle or the car is away.", style="dim")
    return Group(table, rest)


def _departures(plan: Plan) -> RenderableType:
    if not plan.trips:
        return Text("No trip is planned in this time.")
    columns = (
        Column(heading="Leaves"),
        *(Column(heading=name, kind="number") for name in ("Trip", "Needs", "Planned")),
        Column(heading="Ready"),
    )
    rows = tuple(
        (
            clock_text(outcome.trip.trip.depart_at, plan.night.timezone),
            f"{outcome.trip.trip.distance_km:.0f} km",
            percent_text(outcome.target_percent),
            percent_text(outcome.planned_percent),
            _ready(plan, outcome),
        )
        for outcome in plan.trips
    )
    table = terminal_table(Table(columns, rows, "Departures"))
    return Group(table, *map(Text, chances_text(plan)))


def _ready(plan: Plan, outcome: TripOutcome) -> str:
    if outcome.missed:
        return "NOT READY, see below"
    return ready_text(plan, outcome)


def _money(plan: Plan) -> RenderableType:
    money = replace(money_table(plan), caption=f"Money, {plan.inputs.offer.currency}")
    left = kept_energy_text(plan.inputs, plan.night, float(plan.replayed.stored_kwh[-1]))
    ranges = (range_text(plan), planned_on_text(plan))
    return Group(
        terminal_table(money), *(Text(each) for each in (saving_text(plan), left, *ranges) if each is not None)
    )
