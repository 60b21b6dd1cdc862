"""A comparison as text: the headline, tables whose rows add up as shown, and sentences on ties and hardware."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import date

from models.wear.law import DAYS_A_YEAR
from scheduler.comparison.results import ComparedOffer, Comparison
from scheduler.render.table import NOTHING, Cell, Column, Table, text_table
from scheduler.rolling.calibration import calibration_text
from scheduler.rolling.flows import RolledFlows
from scheduler.textio.format import amount_text, money_digits, money_text, number_text

WAYS = {
    "charge-on-return": "Charged on return",
    "charge-only": "Only charged, at the best times",
    "plan": "As planned",
    "hindsight": "As planned with perfect foresight",
}
"""Names of the ways of using the car, in the order in which they are shown."""
CENT = 0.005
"""Amounts below this count as none [money]."""
CLOSING = (
    "Past prices, weather and drives do not predict next year's; an offer's terms, its notice period and the meter "
    "it requires are in its contract, not here."
)


def evenings_knew_text(forecast: str, trips: str) -> str:
    """Return what each evening knew, for tables of settings.

    Examples
    --------
    >>> evenings_knew_text("typical", "usual"), evenings_knew_text("recorded", "recorded")
    ('typical days, usual trips', 'what really came')
    """
    if forecast == "recorded":
        return "what really came"
    return f"{'past days like it' if forecast == 'samples' else 'typical days'}, {trips} trips"


def day_span_text(first: date, last: date) -> str:
    """Return first and last day as text, or the one day there is.

    >>> day_span_text(date(2025, 7, 1), date(2026, 6, 30))
    '1 July 2025 to 30 June 2026'
    """
    if first == last:
        return f"{first.day} {first:%B %Y}"
    return f"{first.day} {first:%B %Y} to {last.day} {last:%B %Y}"


def ways_table(compared: Comparison) -> Table:
    """Return one row per way of using the car: its total under each offer; then what discharging is worth."""
    names = ("Total", *(each.inputs.offer.name for each in compared.offers))
    rows: list[tuple[Cell, ...]] = [
        (name, *(each.money[kind].total for each in compared.offers)) for kind, name in WAYS.items()
    ]
    worth = tuple(_difference(compared, each, "charge-only", "plan") for each in compared.offers)
    return _money_table(compared, names, [*rows, ("Discharging is worth", *worth)])


def not_worth_text(compared: Comparison) -> tuple[str, ...]:
    """Return a sentence on the offers under which the car is better only charged; empty if there are none."""
    names = [each.inputs.offer.name for each in compared.offers if each.discharge_value < -CENT]
    if not names:
        return ()
    return (
        f"Under {listed(names)} the car is better only charged: discharging gains less than forecast errors and wear "
        "cost. The ranking shows it as planned all the same.",
    )


def _emission_rows(compared: Comparison, row: Callable[[str, Sequence[str]], tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Return what the grid emits for the plans and for only charging; nothing where that is not known."""
    if not all(each.emissions for each in compared.offers):
        return []
    return [
        row(name, [_whole(each.emissions[kind].net_kg) for each in compared.offers])
        for name, kind in (("Emissions of the grid, kg", "plan"), ("The same if only charged, kg", "charge-only"))
    ]


def use_table(compared: Comparison) -> Table:
    """Return one row per quantity: how the car was used under each offer."""
    columns = ("As planned", *(each.inputs.offer.name for each in compared.offers))

    def row(name: str, values: Sequence[str]) -> tuple[str, ...]:
        return (name, *values)

    plans = [each.flows["plan"] for each in compared.offers]
    nights = len(plans[0].night_start)
    rows: list[tuple[str, ...]] = []
    if compared.request.bound:
        rows.append(
            row(
                "Share of the most that discharging can be worth, against only charging",
                [_percent(each.full_horizon_share("plan")) for each in compared.offers],
            )
        )
    if compared.request.forecast != "recorded":
        if compared.request.bound:
            rows.append(
                row(
                    "The same with perfect foresight, night by night",
                    [_percent(each.full_horizon_share("hindsight")) for each in compared.offers],
                )
            )
        rows.append(
            row(
                "Share of discharging's worth with perfect foresight, night by night, against only charging",
                [_percent(each.night_by_night_share) for each in compared.offers],
            )
        )
    rows += [
        row(f"Plans with a discharge, of {nights}", [str(plan.nights_discharged) for plan in plans]),
        row("Discharged, kWh", [_whole(plan.energy["discharge_kwh"].sum()) for plan in plans]),
        row("Sent to the grid, kWh", [_whole(plan.energy["export_kwh"].sum()) for plan in plans]),
        row("Own solar used at once, kWh", [_whole(plan.self_consumed_solar_kwh) for plan in plans]),
        row("Full cycles, driving included", [number_text(each.equivalent_full_cycles, 1) for each in compared.offers]),
        row(
            f"Wear by cycles, {compared.currency}, by any wear law",
            [_range_text(each.cycle_wear_by_law.values(), compared.currency) for each in compared.offers],
        ),
        row(
            f"Wear counted after the fact, {compared.currency}",
            [money_text(each.counted_wear["plan"], compared.currency) for each in compared.offers],
        ),
        row(
            f"Total by counted wear, {compared.currency}",
            [money_text(each.counted_total("plan"), compared.currency) for each in compared.offers],
        ),
        *_emission_rows(compared, row),
        row("Departures below target", [_missed(plan) for plan in plans]),
    ]
    if compared.request.forecast == "samples":
        rows.append(row("Nights with a departure below target", [calibration_text(plan) for plan in plans]))
    if compared.request.forecast != "recorded":
        rows.append(
            row(
                "Share of what perfect foresight saves, against charging on return",
                [_share(each) for each in compared.offers],
            )
        )
    return text_table(columns, rows, "The first plan begins at midnight, before the first evening.")


def bound_text(compared: Comparison) -> tuple[str, ...]:
    """Return sentences on what the bound of all days at once is, and how close it is; empty if it was not asked for."""
    bounded = [each for each in compared.offers if each.full_horizon is not None]
    if not bounded:
        return ()
    gaps = [each.full_horizon_gap or 0.0 for each in bounded]
    closed = listed(
        [
            f"{shown_amount(compared, gap)} under {each.inputs.offer.name}"
            for each, gap in zip(bounded, gaps, strict=True)
        ]
    )
    found = [
        "The most that discharging can be worth is what only charging costs, less a bound on what any way of using the "
        "car costs with all days seen at once; starts, time outside the window and energy left count as in a plan. "
        f"The best plan known is above the bound by {closed}.",
    ]
    whole = bounded[0]
    if any(each.full_horizon is not None and each.full_horizon.relaxed for each in bounded):
        found.append("Where tiers or a demand charge hold the bound is that of a linear relaxation, and less close.")
    parts = [each for each in bounded if each.full_horizon is not None and each.full_horizon.part_bound is not None]
    if parts:
        found.append(
            "The bound holds for a charger that is set once an interval. One that stops inside an interval, as where "
            "it meets its floor while forecasts err, may cost less; its own bound is in comparison.json."
        )
    if whole.inputs.site.setting.by_hand:
        found.append("The bound is that of a free schedule, so it holds for a charger set by hand too.")
    return tuple(found)


def counted_text(compared: Comparison) -> tuple[str, ...]:
    """Return a sentence if wear counted after the fact ranks the offers otherwise; else empty."""
    charged, counted = compared.offers, compared.by_counted_wear
    if [each.name for each in charged] == [each.name for each in counted]:
        return ()
    order = ", ".join(each.inputs.offer.name for each in counted)
    return (f"With wear counted after the fact the offers rank otherwise: {order}.",)


def months_table(compared: Comparison, by_offer: dict[str, list[tuple[date, float]]]) -> Table:
    """Return one row per month: the total of each offer as planned.

    Parameters
    ----------
    by_offer : totals by month [money], by the offer's name in file names.

    Returns
    -------
    The table, a column per offer.
    """
    names = ("Month", *(each.inputs.offer.name for each in compared.offers))
    months = [month for month, _ in by_offer[compared.best.name]]
    rows: list[tuple[Cell, ...]] = [
        (f"{month:%b %Y}", *(by_offer[each.name][row][1] for each in compared.offers))
        for row, month in enumerate(months)
    ]
    return _money_table(compared, names, rows)


def hardware_lead(compared: Comparison) -> str:
    """Return a sentence on what the yearly saving behind the hardware's case is."""
    with_name, without = compared.best.inputs.offer.name, compared.best_without.inputs.offer.name
    other = "the same offer" if with_name == without else f"{without}, the best offer,"
    scaled = ""
    if compared.scaled:
        scaled = (
            f" The {compared.request.days} days are scaled to a year of {DAYS_A_YEAR:g}; other seasons may differ much."
        )
    return (
        f"The saving compares {with_name} with discharging and {other} for a plain charger that charges at the best "
        f"times, battery wear counted.{scaled}"
    )


def _money_table(compared: Comparison, names: Sequence[str], rows: Iterable[Sequence[Cell]]) -> Table:
    """Return a table of one column of names and others of money."""
    amounts = (Column(heading=name, unit=compared.currency, kind="money") for name in names[1:])
    return Table((Column(heading=names[0]), *amounts), tuple(tuple(row) for row in rows))


def _difference(compared: Comparison, each: ComparedOffer, more: str, less: str) -> float:
    """Return the difference of two totals as they are shown [money]."""
    digits = money_digits(compared.currency)
    return round(each.money[more].total, digits) - round(each.money[less].total, digits)


def listed(names: Sequence[str]) -> str:
    """Return names in a row.

    >>> listed(["a", "b", "c"])
    'a, b and c'
    """
    return " and ".join(names) if len(names) < 3 else f"{', '.join(names[:-1])} and {names[-1]}"


def _percent(share: float | None) -> str:
    return NOTHING if share is None else f"{number_text(100 * share, 1)} %"


def _share(each: ComparedOffer) -> str:
    share = each.perfect_foresight_share
    if share is None:
        return NOTHING
    return f"{number_text(100 * share, 0)} %" if share <= 1 else "all of it"


def _range_text(amounts: Iterable[float], currency: str) -> str:
    shown = sorted(amounts)
    low, high = (money_text(amount, currency) for amount in (shown[0], shown[-1]))
    return low if low == high else f"{low} to {high}"


def _missed(plan: RolledFlows) -> str:
    text = f"{plan.missed_departures} of {int(plan.night['departures'].sum())}"
    short = float(plan.night["missing_kwh"].max())
    return f"{text}, by up to {amount_text(short)}" if plan.missed_departures else text


def _whole(value: float) -> str:
    return number_text(float(value), 0)


def shown_amount(compared: Comparison, amount: float) -> str:
    """Return an amount with its currency."""
    return f"{money_text(amount, compared.currency)} {compared.currency}"
