"""The money of a plan beside its alternatives, in rows that add up as they are shown."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from scheduler.plans.plan import Plan
from scheduler.plans.replay import Costs
from scheduler.textio.format import money_digits, money_text, rows_that_add_up

CYCLE_WEAR, CALENDAR_WEAR = "Battery wear", "Battery ageing by time"
BY_ANY_LAW = "by any wear law"
"""What the range under a wear figure is called."""

ROWS = (
    "Electricity bought",
    "Electricity sold",
    "Charging on the way",
    "Added to the month's demand charge",
    CYCLE_WEAR,
    CALENDAR_WEAR,
    "Starts, time outside the window",
    "Stored energy used (−: put back)",
)


@dataclass(frozen=True, slots=True)
class MoneyTable:
    """Column names, rows of a name and amounts in words, and totals; rows of nothing throughout are left out.

    `asides` are rows in words that belong to a row, by its name, and are no part of the sum.
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]
    totals: tuple[str, ...]
    asides: Mapping[str, tuple[str, ...]]


def money_table(plan: Plan) -> MoneyTable:
    """The plan's costs and its alternatives', rounded to the currency's minor unit so that rows sum to totals."""
    currency = plan.inputs.offer.currency
    columns = _columns(plan)
    parts = [_rounded(plan, costs) for costs in columns.values()]
    rows = tuple(
        (name, tuple(money_text(column[row], currency) for column in parts))
        for row, name in enumerate(ROWS)
        if any(column[row] for column in parts)
    )
    totals = tuple(money_text(sum(column), currency) for column in parts)
    asides = {CYCLE_WEAR: wear_range_text(plan)} if plan.wear_by_law else {}
    return MoneyTable(tuple(columns), rows, totals, asides)


def saving_text(plan: Plan) -> str:
    """What the night costs, what it saves and how much of that is from discharging, in the amounts of the table."""
    currency = plan.inputs.offer.currency
    shown, on_return, charge_only = (_rounded(plan, costs) for costs in _columns(plan).values())
    begins = f"The electricity of this time costs {money_text(sum(shown[:4]), currency)} {currency}"
    if shown[2]:
        begins += f", of which {money_text(shown[2], currency)} is charged on the way"
    begins += "."
    if plan.setting_cost is not None:
        extra = money_text(plan.setting_cost, currency)
        costs = "costs nothing extra" if float(extra) == 0 else f"costs {extra} more than a free schedule"
        begins += f" Setting it by hand {costs}."
    saving = sum(on_return) - sum(shown)
    if plan.saving < 0:
        return (
            f"{begins} In all the plan costs {money_text(-saving, currency)} more than charging on return, "
            "which serves the trips less well."
        )
    words = f"{begins} In all the plan saves {money_text(saving, currency)} against charging on return"
    of_the_month = on_return[3] - shown[3]
    if of_the_month > 0:
        part = "all" if of_the_month >= saving else money_text(of_the_month, currency)
        words += f", {part} of it by the month's demand charge"
    if not plan.answer.setpoints.gives_energy:
        return f"{words}, none of it from discharging."
    words += f"; discharging at all is worth {money_text(sum(charge_only) - sum(shown), currency)} of that."
    return words + _ageing_text(charge_only[4] - shown[4], charge_only[5] - shown[5], currency)


def _ageing_text(cycling: float, by_time: float, currency: str) -> str:
    """What discharging does to the battery by standing less full, where it ages by time.

    Parameters
    ----------
    cycling, by_time : wear of only charging less the plan's, as shown [money].
    """
    if by_time <= 0:
        return ""
    saved = money_text(by_time, currency)
    more = money_text(-cycling, currency)
    if by_time + cycling > 0:
        lowered = money_text(by_time + cycling, currency)
        return (
            f" It even spares the battery: standing less full saves {saved} in ageing by time, cycling adds "
            f"{more}, so wear is {lowered} lower in all."
        )
    return f" Standing less full saves {saved} in ageing by time; cycling adds {more}."


def wear_range_text(plan: Plan) -> tuple[str, ...]:
    """The range of cycle wear over all laws, weighted, for each column of the table."""
    weight, currency = plan.night.wear_weight, plan.inputs.offer.currency
    ranges = []
    for by_law in plan.wear_by_law.values():
        low, high = (money_text(weight * end(by_law.values()), currency) for end in (min, max))
        ranges.append(low if low == high else f"{low} to {high}")
    return tuple(ranges)


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
        costs.wear_weight * costs.cycle_wear,
        costs.wear_weight * costs.calendar_wear,
        costs.starts + costs.outside_window,
        -costs.stored_energy,
    ]
