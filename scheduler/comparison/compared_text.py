"""What was compared, in words: the site, its trips and series, each offer; and the bill's parts as a table."""

from __future__ import annotations

from datetime import timedelta

import pandas as pd

from models.tariff.bill import BillLineKind
from scheduler.billing.bill_line_text import KIND_TEXT, time_window_text
from scheduler.comparison.conclusion import CHARGERS, Conclusion, ranking_of
from scheduler.comparison.conclusion_text import CHARGER_NAMES, whole_money
from scheduler.comparison.results import ComparedOffer, Comparison, midnight_of
from scheduler.inputs.site import Site
from scheduler.inputs.site_inputs import Inputs
from scheduler.render.table import Cell, Column, Role, Table
from scheduler.textio.format import money_digits, number_text, percent_text, price_text, rows_that_add_up

PARTS: tuple[BillLineKind, ...] = tuple(KIND_TEXT)  # type: ignore[arg-type]  # its keys are the kinds


def site_facts(compared: Comparison) -> list[tuple[str, str]]:
    """Return the site as it was compared, a name and a text each."""
    inputs = compared.best.inputs
    site, currency = inputs.site, compared.currency
    car, connection = site.car, site.connection
    windows = "; ".join(
        f"{_number(each.export_limit_kw)} kW {time_window_text(each.window)}" for each in connection.export_windows
    )
    return [
        (
            "Car",
            f"battery of {_number(car.battery_kwh)} kWh, used between {percent_text(car.floor_percent)} and "
            f"{percent_text(car.ceiling_percent)}, {percent_text(car.return_reserve_percent)} kept for coming home; "
            f"{_number(car.consumption_kwh_per_100km)} kWh per 100 km",
        ),
        ("Charger", charger_text(site)),
        (
            "Approved connection",
            f"import up to {_number(connection.import_limit_kw)} kW, export "
            + (f"up to {_number(connection.export_limit_kw)} kW" if connection.export_limit_kw else "none")
            + (f"; export {windows}" if windows else ""),
        ),
        ("Trips", _trips_text(compared, inputs)),
        ("Building", _energy_text(compared.best)),
        (
            "Battery wear",
            f'a battery of {whole_money(site.wear.battery_price, currency)}, cycles by law "{site.wear.law}"'
            + (f', time by law "{site.wear.calendar_law}"' if site.wear.calendar_law else "")
            + (f", weight {site.wear.weight:g}" if site.wear.weight != 1 else ""),
        ),
        ("Charging away from home", f"{price_text(car.on_the_way_price_per_kwh)} {currency} per kWh"),
        ("Plans", f"intervals of {site.plan.step_minutes} minutes, {_number(site.plan.horizon_hours)} hours ahead"),
    ]


def charger_text(site: Site) -> str:
    """Return the charger in words."""
    charger = site.charger
    to = "to the building and the grid" if charger.discharge_to == "building-and-grid" else "to the building alone"
    into = f"{_number(charger.charge_min_kw)} to {_number(charger.charge_max_kw)} kW"
    out = f"{_number(charger.discharge_min_kw)} to {_number(charger.discharge_max_kw)} kW"
    losses = (
        f"{percent_text(charger.charge_efficiency_percent)} efficient in and "
        f"{percent_text(charger.discharge_efficiency_percent)} out"
    )
    fixed = f", {_number(charger.fixed_loss_kw)} kW lost while it runs" if charger.fixed_loss_kw else ""
    by_hand = f"; set by hand, up to {site.setting.max_blocks} blocks a night" if site.setting.by_hand else ""
    return f"charges with {into}; where bidirectional, discharges {out} {to}; {losses}{fixed}{by_hand}"


def bills_table(found: Conclusion) -> Table:
    """Return a row per charger and offer: the bill in its parts, which add up as shown."""
    compared = found.compared
    kinds = [kind for kind in PARTS if any(_has(each, kind) for each in compared.offers)]
    columns = (
        Column(heading="Offer"),
        *(Column(heading=KIND_TEXT[kind], unit=compared.currency, kind="money") for kind in kinds),
        Column(heading="Bill", unit=compared.currency, kind="money"),
    )
    rows: list[tuple[Cell, ...]] = []
    roles: dict[int, Role] = {}

    def group(name: str) -> None:
        roles[len(rows)] = "group"
        rows.append((name, *("" for _ in columns[1:])))

    def row(each: ComparedOffer, way: str) -> None:
        bill = each.bills[way]
        parts = rows_that_add_up([bill.sum_of(kind) for kind in kinds], money_digits(compared.currency))
        rows.append((each.inputs.offer.name, *parts, sum(parts)))

    if compared.today is not None:
        group("Today, charged on return")
        row(compared.today, "charge-on-return")
    for charger in CHARGERS:
        group(CHARGER_NAMES[charger])
        for each in ranking_of(found.own, charger).offers:
            row(each, CHARGERS[charger])
    return Table(columns, tuple(rows), roles=roles)


def _has(each: ComparedOffer, kind: BillLineKind) -> bool:
    return any(line.kind == kind for bill in each.bills.values() for line in bill.lines)


def _trips_text(compared: Comparison, inputs: Inputs) -> str:
    request = compared.request
    if inputs.recorded_trips is None:
        count = sum(len(trip.days) for trip in inputs.site.usual_trips)
        km = sum(len(trip.days) * trip.distance_km for trip in inputs.site.usual_trips)
        return f"{count} usual trips a week, {_number(km)} km" if count else "none: the car never leaves"
    begin = midnight_of(request.first, inputs)
    end = midnight_of(request.last + timedelta(days=1), inputs)
    inside = [trip for trip in inputs.recorded_trips if begin <= pd.Timestamp(trip.depart_at) < end]
    km = sum(trip.distance_km for trip in inside)
    return f"{len(inside)} recorded in these days, {_number(round(km))} km in total"


def _energy_text(each: ComparedOffer) -> str:
    energy = each.flows["charge-only"].energy
    load = number_text(float(energy["load_kwh"].sum()), 0)
    solar = float(energy["solar_kwh"].sum())
    made = f", and its roof made {number_text(solar, 0)} kWh" if each.inputs.solar is not None else ""
    return f"drew {load} kWh in these days without the car{made}"


def _number(value: float) -> str:
    """Return a number with as many decimals as it has, at most three."""
    text = number_text(value, 3)
    return text.rstrip("0").rstrip(".")
