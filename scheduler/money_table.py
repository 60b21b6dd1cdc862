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
    "Added to the month's demand charge",
    "Battery wear",
    "Starts, time outside the window",
    "Stored energy used (−: put back)",
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
    columns = _columns(plan)
    parts = [_rounded(plan, costs) for costs in columns.values()]
    rows = tuple(
        (name, tuple(money_words(column[row], currency) for column in parts))
        for row, name in enumerate(ROWS)
        if any(column[row] for column in parts)
    )
    totals = tuple(money_words(sum(column), currency) for column in parts)
    return MoneyTable(tuple(columns), rows, totals)


def saving_words(plan: Plan) -> str:
    """What the night costs, what it saves and how much of that is from discharging, in the amounts of the table."""
    currency = plan.inputs.offer.currency
    shown, on_return, charge_only = (_rounded(plan, costs) for costs in _columns(plan).values())
    begins = f"The electricity of this time costs {money_words(sum(shown[:4]), currency)} {currency}"
    if shown[2]:
        begins += f", of which {money_words(shown[2], currency)} is charged on the way"
    begins += "."
    if plan.setting_cost is not None:
        extra = money_words(plan.setting_cost, currency)
        costs = "costs nothing extra" if float(extra) == 0 else f"costs {extra} more than a free schedule"
        begins += f" Setting it by hand {costs}."
    saving = sum(on_return) - sum(shown)
    if plan.saving < 0:
        return (
            f"{begins} In all the plan costs {money_words(-saving, currency)} more than charging on return, "
            "which serves the trips less well."
        )
    words = f"{begins} In all the plan saves {money_words(saving, currency)} against charging on return"
    of_the_month = on_return[3] - shown[3]
    if of_the_month > 0:
        part = "all" if of_the_month >= saving else money_words(of_the_month, currency)
        words += f", {part} of it by the month's demand charge"
    if not plan.answer.setpoints.gives_energy:
        return f"{words}, none of it from discharging."
    return f"{words}; discharging at all is worth {money_words(sum(charge_only) - sum(shown), currency)} of that."


def _columns(plan: Plan) -> dict[str, Costs]:
    return {
        "This plan": plan.replayed.costs,
        "Charge on return": plan.alternatives["charge-on-return"],
        "Only charge": plan.alternatives["charge-only"],
    }


def _rounded(plan: Plan, costs: Costs) -> list[float]:
    """Amounts of ROWS as they are shown: rounded so that they sum to the rounded total."""
    return rows_that_add_up(_parts(costs), money_digits(plan.inputs.offer.currency))


def _parts(costs: Costs) -> list[float]:
    """Amounts of ROWS; they sum to the total."""
    return [
        costs.import_,
        -costs.export,
        costs.on_the_way,
        costs.demand,
        costs.wear_weight * costs.wear,
        costs.starts + costs.outside_window,
        -costs.stored_energy,
    ]
