"""What the owner reads on the terminal: what to set, the departures, the money, why, and what to watch."""

from __future__ import annotations

from rich import box
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from scheduler.outcomes import TripOutcome
from scheduler.plan import CAUTIONS, Plan
from scheduler.replay import Costs
from scheduler.wording import clock_words, day_words, money_digits, money_words, rows_that_add_up, setting_words

WIDTH = 78
"""Most columns used; a narrower terminal wraps."""

COST_ROWS = (
    "Electricity bought",
    "Electricity sold",
    "Charging on the way",
    "Battery wear",
    "Starts, time outside the window",
)


def show_plan(plan: Plan, console: Console) -> None:
    """Print the plan."""
    width = min(WIDTH, console.width)
    for part in (_heading(plan), _changes(plan), _blocks(plan), _departures(plan), _money(plan), _notes(plan)):
        if part is not None:
            console.print(part, width=width)
            console.print()


def _heading(plan: Plan) -> RenderableType:
    night, inputs = plan.night, plan.inputs
    begin, end = (night.boundaries[at].to_pydatetime() for at in (0, -1))
    about = Text(
        f"{inputs.site.name}, {day_words(begin, night.timezone)} to {clock_words(end, night.timezone)}, "
        f"offer {inputs.offer.name}, car at {plan.evening.soc_percent:g} %",
        style="dim",
    )
    return Group(about, Text(""), Text(plan.headline, style="bold"))


def _changes(plan: Plan) -> RenderableType | None:
    """What a replan changes, why, and what it saves."""
    if plan.replanned is None:
        return None
    lines = [Padding(Text(change), (0, 0, 0, 2)) for change in plan.replanned.changes]
    title = Text(f"What changed since the plan {plan.replanned.of}", style="bold")
    return Group(title, *lines, Padding(Text(plan.replanned.carrying_on), (0, 0, 0, 2)))


def _blocks(plan: Plan) -> RenderableType | None:
    if not plan.blocks:
        return None
    night = plan.night
    table = Table(title="What to set", title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("When", no_wrap=True)
    table.add_column("Set the charger to, and why")
    for block, reason in zip(plan.blocks, plan.reasons, strict=True):
        begin, end = (night.boundaries[at].to_pydatetime() for at in (block.first, block.last))
        setting = Text(setting_words(block, night.setting.set_by), style="bold")
        when = f"{clock_words(begin, night.timezone)}\nto {clock_words(end, night.timezone, begin)}"
        table.add_row(when, Group(setting, Text(reason), Text("")))
    rest = Text("At all other times the charger is idle or the car is away.", style="dim")
    return Group(table, rest)


def _departures(plan: Plan) -> RenderableType | None:
    if not plan.trips:
        return Text("No trip is planned in this time.")
    table = Table(title="Departures", title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("Leaves", no_wrap=True)
    for name in ("Trip", "Needs", "Planned"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("Ready")
    for outcome in plan.trips:
        trip = outcome.trip.trip
        table.add_row(
            clock_words(trip.depart_at, plan.night.timezone),
            f"{trip.distance_km:.0f} km",
            f"{outcome.target_percent:.0f} %",
            f"{outcome.planned_percent:.0f} %",
            _ready(plan, outcome),
        )
    return table


def _ready(plan: Plan, outcome: TripOutcome) -> Text:
    if outcome.missed:
        return Text("NOT READY, see below", style="bold")
    assert outcome.ready_at is not None
    if outcome.ready_at <= plan.night.boundaries[0].to_pydatetime():
        return Text("now")
    return Text(clock_words(outcome.ready_at, plan.night.timezone))


def _money(plan: Plan) -> RenderableType:
    currency = plan.inputs.offer.currency
    columns = {
        "This plan": plan.replayed.costs,
        "Charge on return": plan.alternatives["charge-on-return"],
        "Only charge": plan.alternatives["charge-only"],
    }
    table = Table(
        title=f"Money, {currency}",
        title_justify="left",
        title_style="bold",
        box=box.SIMPLE_HEAD,
        pad_edge=False,
    )
    table.add_column("")
    for name in columns:
        table.add_column(name, justify="right")
    digits = money_digits(currency)
    parts = {name: rows_that_add_up(_cost_parts(costs), digits) for name, costs in columns.items()}
    names = [*COST_ROWS, "Stored energy used"]
    for row, name in enumerate(names):
        amounts = [parts[column][row] for column in columns]
        if any(amounts):
            table.add_row(name, *(money_words(amount, currency) for amount in amounts))
    table.add_section()
    table.add_row("In all", *(money_words(sum(parts[column]), currency) for column in columns), style="bold")
    return Group(table, Text(_saving_words(plan, currency)))


def _cost_parts(costs: Costs) -> list[float]:
    """The rows of the money table; they sum to the total."""
    return [
        costs.import_,
        -costs.export,
        costs.on_the_way,
        costs.wear_weight * costs.wear,
        costs.starts + costs.outside_window,
        -costs.stored_energy,
    ]


def _saving_words(plan: Plan, currency: str) -> str:
    saving, discharging = plan.saving, plan.discharge_value
    cash = money_words(plan.replayed.costs.cash, currency)
    begins = f"The electricity of this time costs {cash} {currency}."
    if saving < 0:
        return (
            f"{begins} In all the plan costs {money_words(-saving, currency)} more than charging on return, "
            "which serves the trips less well."
        )
    if plan.setting_cost is not None:
        begins += f" Setting it by hand costs {money_words(plan.setting_cost, currency)} against a free schedule."
    words = f"{begins} In all the plan saves {money_words(saving, currency)} against charging on return"
    if not plan.answer.setpoints.gives_energy:
        return f"{words}, none of it from discharging."
    return f"{words}; discharging at all is worth {money_words(discharging, currency)} of that."


def _notes(plan: Plan) -> RenderableType:
    lines: list[RenderableType] = []
    if plan.warnings:
        lines.append(Text("Please note", style="bold"))
        lines += [Padding(Text(warning), (0, 0, 0, 2)) for warning in plan.warnings]
        lines.append(Text(""))
    lines.append(Text("Cautions", style="bold"))
    lines += [Padding(Text(caution, style="dim"), (0, 0, 0, 2)) for caution in CAUTIONS]
    return Group(*lines)
