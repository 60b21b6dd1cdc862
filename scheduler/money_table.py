"""The money of a plan beside its alternatives, in rows that add up as they are shown."""

from __future__ import annotations

from dataclasses import dataclass

from scheduler.plan import Plan
from scheduler.replay import Costs
from scheduler.wording import money_digits, money_words, rows_that_add_up

ROWS = (
    "Electricity bought",
    "Electricity sold",
    "Charging on the way",
    "Battery wear",
    "Starts, time outside the window",
    "Stored energy used",
)


@dataclass(frozen=True, slots=True)
class MoneyTable:
    """Column names, rows of a name and amounts in words, and totals; rows of nothing throughout are left out."""

    columns: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]
    totals: tuple[str, ...]


def money_table(plan: Plan) -> MoneyTable:
    """The plan's costs and its alternatives', rounded to the currency's minor unit so that rows sum to totals."""
    currency = plan.inputs.offer.currency
    columns = {
        "This plan": plan.replayed.costs,
        "Charge on return": plan.alternatives["charge-on-return"],
        "Only charge": plan.alternatives["charge-only"],
    }
    digits = money_digits(currency)
    parts = [rows_that_add_up(_parts(costs), digits) for costs in columns.values()]
    rows = tuple(
        (name, tuple(money_words(column[row], currency) for column in parts))
        for row, name in enumerate(ROWS)
        if any(column[row] for column in parts)
    )
    totals = tuple(money_words(sum(column), currency) for column in parts)
    return MoneyTable(tuple(columns), rows, totals)


def saving_words(plan: Plan) -> str:
    """What the night costs, what it saves and how much of that is from discharging, in sentences."""
    currency = plan.inputs.offer.currency
    cash = money_words(plan.replayed.costs.cash, currency)
    begins = f"The electricity of this time costs {cash} {currency}."
    if plan.setting_cost is not None:
        begins += f" Setting it by hand costs {money_words(plan.setting_cost, currency)} against a free schedule."
    if plan.saving < 0:
        return (
            f"{begins} In all the plan costs {money_words(-plan.saving, currency)} more than charging on return, "
            "which serves the trips less well."
        )
    words = f"{begins} In all the plan saves {money_words(plan.saving, currency)} against charging on return"
    if not plan.answer.setpoints.gives_energy:
        return f"{words}, none of it from discharging."
    return f"{words}; discharging at all is worth {money_words(plan.discharge_value, currency)} of that."


def _parts(costs: Costs) -> list[float]:
    """Amounts of ROWS; they sum to the total."""
    return [
        costs.import_,
        -costs.export,
        costs.on_the_way,
        costs.wear_weight * costs.wear,
        costs.starts + costs.outside_window,
        -costs.stored_energy,
    ]
