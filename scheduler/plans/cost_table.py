"""The money of a plan beside its alternatives, in rows that add up as they are shown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from scheduler.plans.plan import Plan
from scheduler.plans.replay import Costs
from scheduler.render.table import Cell, Column, Role, Table
from scheduler.textio.format import money_digits, money_text, number_text, rows_that_add_up

SHOWN_KG = 0.005
"""Emissions under this are not told [kg]."""
CYCLE_WEAR = "Battery wear"
ROWS = (
    "Electricity bought",
    "Electricity sold",
    "Charging on the way",
    "Added to the month's demand charge",
    CYCLE_WEAR,
    "Calendar ageing of the battery",
    "Starts and time outside the window",
    "Settings by hand (on no bill)",
    "Emissions, at their price (on no bill)",
    "Energy taken from the car (−: added)",
)


def money_table(plan: Plan) -> Table:
    """The plan's costs and its alternatives', rounded to the currency's minor unit so that rows sum to totals.

    Rows of nothing throughout are left out; the range of wear under its row is no part of the sum.
    """
    ranges = wear_range_text(plan) if plan.wear_by_law else ()
    return costs_table(_columns(plan), plan.inputs.offer.currency, ranges)


def costs_table(costs: Mapping[str, Costs], currency: str, wear_ranges: Sequence[str] = ()) -> Table:
    """Return the same table of any plans' costs, by their names.

    Parameters
    ----------
    wear_ranges : of each, the range of wear over all laws; none to leave that row out.
    """
    parts = {name: rows_that_add_up(_parts(each), money_digits(currency)) for name, each in costs.items()}
    columns = (Column(heading=""), *(Column(heading=name, unit=currency, kind="money") for name in parts))
    rows: list[tuple[Cell, ...]] = []
    roles: dict[int, Role] = {}
    for at, name in enumerate(ROWS):
        amounts = [column[at] for column in parts.values()]
        if any(amounts):
            rows.append((name, *amounts))
            if name == CYCLE_WEAR and wear_ranges:
                roles[len(rows)] = "aside"
                rows.append(("by any wear law", *wear_ranges))
    roles[len(rows)] = "total"
    rows.append(("Total", *(sum(column) for column in parts.values())))
    return Table(columns, tuple(rows), roles=roles)


def saving_text(plan: Plan) -> str:
    """What the night costs, what it saves and how much of that is from discharging, in the amounts of the table."""
    currency = plan.inputs.offer.currency
    shown, on_return, charge_only = (_rounded(plan, costs) for costs in _columns(plan).values())
    begins = f"Electricity over this plan costs {money_text(sum(shown[:4]), currency)} {currency}"
    if shown[2]:
        begins += f", of which {money_text(shown[2], currency)} is charged on the way"
    begins += "."
    if plan.setting_cost is not None:
        extra = money_text(plan.setting_cost, currency)
        costs = "costs nothing extra" if float(extra) == 0 else f"costs {extra} more than a free schedule"
        begins += f" Setting it by hand {costs}{_settings_text(plan, shown[7])}."
    saving = sum(on_return) - sum(shown)
    if plan.saving < 0:
        return (
            f"{begins} The plan costs {money_text(-saving, currency)} more in total than charging on return, "
            "which serves the trips less well."
        )
    words = f"{begins} The plan saves {money_text(saving, currency)} in total compared with charging on return"
    of_the_month = on_return[3] - shown[3]
    if of_the_month > 0:
        part = "all" if of_the_month >= saving else money_text(of_the_month, currency)
        words += f", {part} of it through the month's demand charge"
    if not plan.answer.setpoints.gives_energy:
        return f"{words}; discharging adds nothing."
    words += f"; {money_text(sum(charge_only) - sum(shown), currency)} of that comes from discharging."
    return words + _ageing_text(charge_only[4] - shown[4], charge_only[5] - shown[5], currency)


def emissions_text(plan: Plan) -> str | None:
    """Return what the grid emits for the plan, and how that is against the alternatives; None where it is not known."""
    columns = _columns(plan)
    net = {name: (costs.bought_kg or 0.0) - (costs.avoided_kg or 0.0) for name, costs in columns.items()}
    bought, avoided = plan.replayed.costs.bought_kg, plan.replayed.costs.avoided_kg
    if bought is None or avoided is None:
        return None
    own, on_return, only = net.values()
    sold = f", less {_kg_text(avoided)} that what is sold avoids" if avoided >= SHOWN_KG else ""
    price = plan.inputs.site.plan.emissions_price_per_tonne
    at_price = f"{price:g} {plan.inputs.offer.currency} a tonne"
    counted = f" The plan counts them at {at_price}, in the prices it shows too; that is on no bill." if price else ""
    return (
        f"The grid emits {_kg_text(bought)} for what is bought{sold}: {_compared(on_return - own)} than if "
        f"charged on return, {_compared(only - own)} than if only charged.{counted}"
    )


def _kg_text(kg: float) -> str:
    """Return an amount of emissions [kg] with one decimal, two below 1 kg."""
    return f"{number_text(kg, 1 if abs(kg) >= 1 else 2)} kg"


def _compared(less_kg: float) -> str:
    return f"{_kg_text(abs(less_kg))} {'less' if less_kg >= 0 else 'more'}"


def shown_saving(plan: Plan) -> float:
    """Return what the plan saves against charging on return, as the difference of the totals that are shown [money]."""
    columns = _columns(plan)
    return sum(_rounded(plan, columns["Charge on return"])) - sum(_rounded(plan, columns["This plan"]))


def _settings_text(plan: Plan, worth: float) -> str:
    """What the settings count for besides, as shown [money]; "" where they count for nothing."""
    count = len(plan.settings)
    if worth == 0:
        return ""
    many = f"its {count} settings count" if count > 1 else "its one setting counts"
    return f"; {many} for {money_text(worth, plan.inputs.offer.currency)}, which is on no bill"


def _ageing_text(cycling: float, calendar: float, currency: str) -> str:
    """What discharging does to the battery by standing less full, where calendar ageing is priced.

    Parameters
    ----------
    cycling, calendar : wear of only charging less the plan's, as shown [money].
    """
    if calendar <= 0:
        return ""
    saved = money_text(calendar, currency)
    more = money_text(-cycling, currency)
    if calendar + cycling > 0:
        lowered = money_text(calendar + cycling, currency)
        return (
            f" It even spares the battery: standing less full saves {saved} of calendar ageing, cycling adds "
            f"{more}, so total wear is {lowered} lower."
        )
    return f" Standing less full saves {saved} of calendar ageing; cycling adds {more}."


def wear_range_text(plan: Plan) -> tuple[str, ...]:
    """The range of cycle wear over all laws, weighted, for each column of the table."""
    return wear_ranges_text(plan.wear_by_law, plan.night.wear_weight, plan.inputs.offer.currency)


def wear_ranges_text(wear_by_law: Mapping[str, Mapping[str, float]], weight: float, currency: str) -> tuple[str, ...]:
    """Return the range of cycle wear over all laws, weighted, for each plan.

    Parameters
    ----------
    wear_by_law : of each plan, by law and unweighted [money].
    """
    ranges = []
    for by_law in wear_by_law.values():
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
        costs.settings,
        costs.emissions,
        -costs.stored_energy,
    ]
