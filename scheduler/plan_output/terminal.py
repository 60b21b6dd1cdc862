"""What the owner reads on the terminal: tonight first, in a screenful; with `full` all tables, reasons and cautions."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from rich import box
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table as RichTable
from rich.text import Text

from scheduler.optimizer.block import end_text, setting_text
from scheduler.plan_output.page import ready_text, why_nothing_given
from scheduler.plans.cost_table import emissions_text, money_table, saving_text
from scheduler.plans.departures import TripOutcome
from scheduler.plans.kept_energy import kept_energy_text
from scheduler.plans.outlook_text import chance_text, chances_text, planned_on_text, range_text
from scheduler.plans.plan import CAUTIONS, Plan
from scheduler.plans.tonight import brief_departure, first_sentences, later_text, step_when, steps, tonights_blocks
from scheduler.render.table import Column, Table
from scheduler.render.terminal import print_list, terminal_table
from scheduler.textio.format import clock_text, day_clock_text, percent_text

WIDTH = 78
"""Most columns used; a narrower terminal wraps."""
MOST_STEPS = 10
"""Most steps that are listed in brief."""
BRIEF_CAUTION = (
    "A plan is advice: you set the charger. What network operator, makers and wiring rules allow comes first."
)


def show_plan(plan: Plan, console: Console, full: bool = False) -> None:
    """Print the plan, in a screenful or in full."""
    width = min(WIDTH, console.width)
    parts = (
        (_first(plan), _about(plan), _changes(plan), _blocks(plan), _departures(plan), _money(plan))
        if full
        else (_first(plan), _about(plan), _changes(plan), _steps(plan), _in_brief(plan))
    )
    for part in parts:
        if part is not None:
            console.print(part, width=width)
            console.print()
    if plan.warnings:
        print_list("Please note", plan.warnings, console, width, "")
        console.print()
    if full:
        print_list("Cautions", CAUTIONS, console, width)
        console.print()
    else:
        console.print(Text(f"{BRIEF_CAUTION} --full prints all, and why.", style="dim"), width=width)


def _first(plan: Plan) -> RenderableType:
    """Return what a reader is to see first."""
    return Group(*(Text(sentence, style="bold") for sentence in first_sentences(plan)))


def _about(plan: Plan) -> RenderableType:
    night, inputs = plan.night, plan.inputs
    begin, end = (night.boundaries[at].to_pydatetime() for at in (0, -1))
    about = Text(
        f"{inputs.site.name}, {day_clock_text(begin, night.timezone)} to {clock_text(end, night.timezone)}, "
        f"offer {inputs.offer.name}, car at {plan.evening.soc_percent:g} %",
        style="dim",
    )
    nothing_given = why_nothing_given(plan) if plan.blocks else plan.headline
    return Group(about, *([] if nothing_given is None else [Text(nothing_given)]))


def _changes(plan: Plan) -> RenderableType | None:
    """Return what a replan changes, why, and what it saves."""
    if plan.replanned is None:
        return None
    lines = [Padding(Text(change), (0, 0, 0, 2)) for change in plan.replanned.changes]
    title = Text(f"What changed since the plan {plan.replanned.of}", style="bold")
    return Group(title, *lines, Padding(Text(plan.replanned.carrying_on), (0, 0, 0, 2)))


def _steps(plan: Plan) -> RenderableType | None:
    """Return what to do tonight, a line for each time."""
    to_do = steps(plan)
    if not to_do:
        return None
    table = RichTable(box=None, show_header=False, pad_edge=False)
    table.add_column("When", no_wrap=True)
    table.add_column("What")
    for step in to_do[:MOST_STEPS]:
        table.add_row(f"  {step_when(plan, step)}", step.text)
    later = later_text(plan)
    more = len(to_do) - MOST_STEPS
    unseen = [f"Then {more} more until {step_when(plan, to_do[-1])}: see --full or the page."] if more > 0 else []
    rest = [Text(each, style="dim") for each in (*unseen, *([] if later is None else [later]))]
    return Group(Text("What to set tonight", style="bold"), table, *rest)


def _in_brief(plan: Plan) -> RenderableType:
    """Return a line on each departure, and what the night costs."""
    lines = list(_departure_lines(plan))
    lines.append(saving_text(plan))
    lines += [text for text in (range_text(plan), planned_on_text(plan), emissions_text(plan)) if text is not None]
    return Group(*map(Text, lines))


def _departure_lines(plan: Plan) -> Iterator[str]:
    told = None if plan.outlook is None else plan.outlook.trips
    for number, outcome in enumerate(plan.trips):
        chance = "" if told is None else f"; chance of less: {chance_text(told[number].chance)}"
        yield f"{brief_departure(plan, outcome)}{chance}."
        if told is not None:
            on_the_way = told[number].chance_on_the_way
            if on_the_way is not None:
                yield f"Chance of charging on the way to keep the reserve: {chance_text(on_the_way)}."
            unwatched = told[number].chance_unwatched
            if unwatched is not None and unwatched > told[number].chance:
                yield f"Chance of less if nobody looks at the car when it is time to: {chance_text(unwatched)}."
    if plan.trips and told is None and plan.evening.forecast == "samples":
        yield from chances_text(plan)


def _blocks(plan: Plan) -> RenderableType | None:
    if not plan.blocks:
        return None
    night = plan.night
    table = RichTable(
        title="What to set", title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False
    )
    table.add_column("When", no_wrap=True)
    table.add_column("Set the charger to, and why")
    for number, block in tonights_blocks(plan):
        begin, end = (night.boundaries[at].to_pydatetime() for at in (block.first, block.last))
        ends = end_text(block.stop_percent, block.until_percent)
        setting = Text(f"{setting_text(block, night.setting.set_by)}{ends}", style="bold")
        when = f"{clock_text(begin, night.timezone)}\nto {clock_text(end, night.timezone, begin)}"
        table.add_row(when, Group(setting, Text(plan.reasons[number]), Text("")))
    later = later_text(plan)
    rest = Text("At all other times the charger is idle or the car is away.", style="dim")
    return Group(table, rest, *([] if later is None else [Text(later, style="dim")]))


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
    ranges = (range_text(plan), planned_on_text(plan), emissions_text(plan))
    return Group(
        terminal_table(money),
        *(Text(each) for each in (saving_text(plan), left, *ranges) if each is not None),
    )
