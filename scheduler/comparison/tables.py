"""A comparison as files for other programs: CSV tables, JSON, and a metered table for each offer."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date
from importlib.metadata import version
from typing import Any

import pandas as pd

from models.tariff.investment import hardware_worth, worth_by_rate_and_drift
from scheduler.comparison.columns import comparison_columns
from scheduler.comparison.compared_text import PARTS
from scheduler.comparison.conclusion import CHARGERS, Conclusion, Finding, conclusion_of, ranking_of
from scheduler.comparison.conclusion_text import dependence_text, headlines
from scheduler.comparison.results import ComparedOffer, Comparison, Money, SizedComparison, months
from scheduler.plan_output.plan_json import shown_path
from scheduler.render.data_dictionary import DICTIONARY_COLUMNS, dictionary_rows, dictionary_text
from scheduler.render.data_dictionary import Column as DescribedColumn
from scheduler.render.table import Cell, Column, Table, csv_text
from scheduler.rolling.flows import COLUMNS, NIGHT_COLUMNS, metered_text
from scheduler.textio.format import local_iso

FORMAT = 1
COMPARISON_COLUMNS = (
    "offer",
    "bill",
    "bill_charge_on_return",
    "bill_charge_only",
    "discharge_value",
    "hindsight_bill",
    "hindsight_share",
    "wear_cost",
    "equivalent_full_cycles",
    "discharged_kwh",
    "exported_kwh",
    "self_consumed_solar_kwh",
    "missed_departures",
    "nights_discharged",
    "hindsight_share_of_charge_only",
    "counted_wear_cost",
    "in_all_counted",
    "full_horizon_bound",
    "full_horizon_gap",
    "full_horizon_part_bound",
    "full_horizon_share",
    "hindsight_full_horizon_share",
    "emissions_kg",
    "emissions_kg_charge_on_return",
    "emissions_kg_charge_only",
)
MONEY_COLUMNS = ("bill", "on_the_way_cost", "wear_cost", "stored_energy", "in_all")
MONTH_COLUMNS = ("offer", "run", "month", *MONEY_COLUMNS, *COLUMNS)
WorkbookWriter = Callable[[Mapping[str, Table], Mapping[str, tuple[DescribedColumn, ...]], str, date], bytes]
"""Makes the content of an .xlsx file, as scheduler.render.workbook does, which needs an extra."""
RANKING_COLUMNS = (
    "charger",
    "wear_law",
    "battery_price",
    "as_planned",
    "place",
    "offer",
    "total",
    "more_than_first",
    "more_than_first_low",
    "more_than_first_high",
    "tie",
)
VERDICT_COLUMNS = (
    "wear_law",
    "battery_price",
    "as_planned",
    "offer_plain",
    "offer_bidirectional",
    "saving_a_year",
    "saving_a_year_low",
    "saving_a_year_high",
    "pays",
    "simple_payback_years",
    "discounted_payback_years",
    "net_present_value",
)
SIZE_COLUMNS = (
    "battery_kwh",
    "charger_kw",
    "solar_scale",
    "battery_price",
    "offer_plain",
    "total_plain",
    "offer_bidirectional",
    "total_bidirectional",
    "saving_a_year",
    "pays",
    "simple_payback_years",
    "discounted_payback_years",
    "net_present_value",
)
BILL_COLUMNS = ("offer", "run", *PARTS, "bill")
ALL_NIGHT_COLUMNS = ("offer", "run", "start", "end", *NIGHT_COLUMNS)


def comparison_texts(compared: Comparison) -> dict[str, str]:
    """Return the text of every file but the page, by file name."""
    timezone = compared.best.inputs.site.timezone
    metered = {f"metered-{each.name}.csv": metered_text(each.flows["plan"], timezone) for each in compared.offers}
    return {
        **{f"{name}.csv": csv_text(table) for name, table in comparison_tables(compared).items()},
        "dictionary.csv": dictionary_text(comparison_columns(PARTS)),
        "comparison.json": comparison_json(compared),
        **metered,
    }


def comparison_tables(compared: Comparison) -> dict[str, Table]:
    """Return every table but the metered ones, by the names of their files."""
    found = conclusion_of(compared)
    sizes = {"sizes": _files_table(SIZE_COLUMNS, map(_size_row, compared.sizes))} if compared.sizes else {}
    return {
        "comparison": _files_table(COMPARISON_COLUMNS, map(_row, compared.offers)),
        "ranking": _files_table(RANKING_COLUMNS, _ranking_rows(found)),
        "verdict": _files_table(VERDICT_COLUMNS, map(_verdict_row, found.findings)),
        "bills": _files_table(BILL_COLUMNS, _bill_rows(compared)),
        "months": _files_table(MONTH_COLUMNS, _month_rows(compared)),
        "nights": _files_table(ALL_NIGHT_COLUMNS, _night_rows(compared)),
        **sizes,
    }


def comparison_workbook(compared: Comparison, workbook: WorkbookWriter) -> bytes:
    """Return every table but the metered ones, and their dictionary, as the content of an .xlsx file."""
    described = comparison_columns(PARTS)
    rows = dictionary_rows({name: columns for name, columns in described.items() if not name.startswith("metered")})
    sheets = {**comparison_tables(compared), "dictionary": _files_table(DICTIONARY_COLUMNS, rows)}
    return workbook(sheets, described, compared.currency, compared.request.last)


def _files_table(keys: Sequence[str], rows: Iterable[Sequence[Cell]]) -> Table:
    """Return a table that is only written to files, not shown."""
    return Table(tuple(Column(key) for key in keys), tuple(tuple(row) for row in rows))


def _month_rows(compared: Comparison) -> Iterator[tuple[Cell, ...]]:
    """Yield one row for each offer, way of using the car and month; the column `in_all` holds the total."""
    for each in compared.offers:
        for kind in each.flows:
            for month in months(each, kind):
                yield (
                    each.inputs.offer.name,
                    kind,
                    f"{month.month:%Y-%m}",
                    *_money(month.money).values(),
                    *month.energy.values(),
                )


def _night_rows(compared: Comparison) -> Iterator[tuple[Cell, ...]]:
    """Yield one row for each offer, way of using the car and night."""
    for each in compared.offers:
        timezone = each.inputs.site.timezone
        for kind, flows in each.flows.items():
            for number, (begin, end) in enumerate(zip(flows.night_start, flows.night_end, strict=True)):
                values = (flows.night[name][number] for name in NIGHT_COLUMNS)
                yield each.inputs.offer.name, kind, _iso(begin, timezone), _iso(end, timezone), *values


def _bill_rows(compared: Comparison) -> Iterator[tuple[Cell, ...]]:
    """Yield one row for each offer and way of using the car: the parts of its bill, and the bill."""
    for each in compared.offers:
        for kind, bill in each.bills.items():
            yield each.inputs.offer.name, kind, *(bill.sum_of(part) for part in PARTS), bill.total


def _ranking_rows(found: Conclusion) -> Iterator[tuple[Cell, ...]]:
    """Yield one row for each charger, wear law, battery price and offer, the cheapest offer first."""
    for charger in CHARGERS:
        for finding in found.findings:
            ranking = ranking_of(finding, charger)
            for number, (each, total) in enumerate(zip(ranking.offers, ranking.totals, strict=True)):
                low, high = (None, None) if not number else ranking.distances[number - 1] or (None, None)
                yield (
                    charger,
                    finding.assumption.law,
                    finding.battery_price,
                    _yes(finding.assumption.as_planned),
                    number + 1,
                    each.inputs.offer.name,
                    total,
                    total - ranking.totals[0],
                    low,
                    high,
                    None if not number else _yes(ranking.ties[number - 1]),
                )


def _verdict_row(finding: Finding) -> tuple[Cell, ...]:
    """Return one wear law's and battery price's row of verdict.csv."""
    worth, (low, high) = finding.worth, finding.saving_range or (None, None)
    return (
        finding.assumption.law,
        finding.battery_price,
        _yes(finding.assumption.as_planned),
        finding.plain.best.inputs.offer.name,
        finding.bidirectional.best.inputs.offer.name,
        finding.yearly_saving,
        low,
        high,
        _yes(finding.pays),
        None if worth is None else worth.simple_payback_years,
        None if worth is None else worth.discounted_payback_years,
        None if worth is None else worth.net_present_value,
    )


def _size_row(each: SizedComparison) -> tuple[Cell, ...]:
    """Return a size's row of sizes.csv."""
    found, worth = each.compared, each.worth
    site = found.best.inputs.site
    plain = found.best_without
    return (
        site.car.battery_kwh,
        site.charger.discharge_max_kw if each.size.charger_kw is None else each.size.charger_kw,
        site.solar_scale,
        site.wear.battery_price,
        plain.inputs.offer.name,
        plain.money["charge-only"].total,
        found.best.inputs.offer.name,
        found.best.money["plan"].total,
        found.yearly_saving,
        None if worth is None else _yes(worth.net_present_value >= 0),
        None if worth is None else worth.simple_payback_years,
        None if worth is None else worth.discounted_payback_years,
        None if worth is None else worth.net_present_value,
    )


def _yes(value: bool | None) -> str | None:
    """Return "yes" or "no" for a table; None where it is not known."""
    return None if value is None else "yes" if value else "no"


def comparison_json(compared: Comparison) -> str:
    """Return the whole comparison as JSON text, without the nights and the metered tables."""
    request, best = compared.request, compared.best
    site = best.inputs.site
    document = {
        "format": FORMAT,
        "program_version": version("overnight-scheduler"),
        "site": site.name,
        "timezone": site.timezone,
        "currency": compared.currency,
        "first_day": request.first.isoformat(),
        "last_day": request.last.isoformat(),
        "forecast": request.forecast,
        "trips": request.trips,
        "start_soc_percent": request.start_soc_percent,
        "inputs": {shown_path(file, site.folder): sha256 for file, sha256 in compared.hashes.items()},
        "offers": [_offer(compared, each) for each in compared.offers],
        "hardware": _hardware(compared),
        "conclusion": _conclusion(conclusion_of(compared)),
        "today": _today(compared),
        "sizes": [dict(zip(SIZE_COLUMNS, _size_row(each), strict=True)) for each in compared.sizes],
        "notes": list(request.notes),
    }
    return json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def _conclusion(found: Conclusion) -> dict[str, Any]:
    """Return the two headlines, what they depend on, and every ranking and verdict behind them."""
    return {
        "headlines": list(headlines(found)),
        "depends_on": list(dependence_text(found)),
        "rankings": [dict(zip(RANKING_COLUMNS, row, strict=True)) for row in _ranking_rows(found)],
        "verdicts": [dict(zip(VERDICT_COLUMNS, _verdict_row(each), strict=True)) for each in found.findings],
    }


def _today(compared: Comparison) -> dict[str, Any] | None:
    """Return what today's offer comes to without any plan; None where it is not named."""
    today = compared.today
    if today is None:
        return None
    return {
        "offer": today.inputs.offer.name,
        "building_bill": compared.building_bill,
        "charge_on_return": _money(today.money["charge-on-return"]),
    }


def _offer(compared: Comparison, each: ComparedOffer) -> dict[str, Any]:
    distance, tie = compared.distances[each.name], compared.ties.get(each.name)
    return {
        **dict(zip(COMPARISON_COLUMNS[1:], _row(each)[1:], strict=True)),
        "offer": each.inputs.offer.name,
        "file": shown_path(each.inputs.site.offer_file, each.inputs.site.folder),
        "metered": f"metered-{each.name}.csv",
        "costs": {kind: _money(money) for kind, money in each.money.items()},
        "counted_wear_costs": dict(each.counted_wear),
        "in_all_counted_of": {kind: each.counted_total(kind) for kind in each.flows},
        "full_horizon": _full_horizon(each),
        "in_all_range": compared.ranges[each.name],
        "dearer_than_best": each.money["plan"].total - compared.best.money["plan"].total,
        "dearer_than_best_range": distance,
        "ties_with_best": tie,
        "cycle_wear_by_law": each.cycle_wear_by_law,
        "stored_energy_price_per_kwh": each.stored_energy_price,
        "months": [
            {"month": f"{month.month:%Y-%m}", **_money(month.money), **month.energy} for month in months(each, "plan")
        ],
    }


def _full_horizon(each: ComparedOffer) -> dict[str, Any] | None:
    """Return the bound of all days at once, and what share of it each way of using the car keeps; None if not asked."""
    whole = each.full_horizon
    if whole is None:
        return None
    return {
        "bound": whole.bound,
        "part_bound": whole.part_bound,
        "relaxed": whole.relaxed,
        "gap": each.full_horizon_gap,
        "value": each.full_horizon_value,
        "totals": dict(each.program_totals),
        "shares": {kind: each.full_horizon_share(kind) for kind in each.program_totals},
    }


def _row(each: ComparedOffer) -> tuple[Cell, ...]:
    """Return an offer's row of comparison.csv."""
    plan, whole = each.flows["plan"], each.full_horizon
    return (
        each.inputs.offer.name,
        each.money["plan"].bill,
        each.money["charge-on-return"].bill,
        each.money["charge-only"].bill,
        each.discharge_value,
        each.money["hindsight"].bill,
        each.perfect_foresight_share,
        each.money["plan"].wear,
        each.equivalent_full_cycles,
        float(plan.energy["discharge_kwh"].sum()),
        float(plan.energy["export_kwh"].sum()),
        plan.self_consumed_solar_kwh,
        plan.missed_departures,
        plan.nights_discharged,
        each.night_by_night_share,
        each.counted_wear["plan"],
        each.counted_total("plan"),
        None if whole is None else whole.bound,
        each.full_horizon_gap,
        None if whole is None else whole.part_bound,
        each.full_horizon_share("plan") if whole is not None else None,
        each.full_horizon_share("hindsight") if whole is not None else None,
        *(
            each.emissions[kind].net_kg if kind in each.emissions else None
            for kind in ("plan", "charge-on-return", "charge-only")
        ),
    )


def _money(money: Money) -> dict[str, float]:
    """Return amounts by name of MONEY_COLUMNS; in_all = bill + on_the_way_cost + wear_cost - stored_energy."""
    values = (money.bill, money.on_the_way, money.wear, money.stored_energy, money.total)
    return dict(zip(MONEY_COLUMNS, values, strict=True))


def _hardware(compared: Comparison) -> dict[str, Any] | None:
    hardware = compared.request.hardware
    if hardware is None:
        return None
    saving = compared.yearly_saving
    worth = hardware_worth(hardware.case, saving)
    return {
        "yearly_saving": saving,
        "scaled_to_a_year": compared.scaled,
        "offer_with": compared.best.inputs.offer.name,
        "offer_without": compared.best_without.inputs.offer.name,
        "extra_outlay": hardware.case.extra_outlay,
        "cash_flow": worth.cash_flow.tolist(),
        "simple_payback_years": worth.simple_payback_years,
        "discounted_payback_years": worth.discounted_payback_years,
        "net_present_value": worth.net_present_value,
        "return_percent": worth.return_percent,
        "break_even_price": worth.break_even_price,
        "discount_rates_percent": list(hardware.discount_rates_percent),
        "price_drifts_percent": list(hardware.price_drifts_percent),
        "net_present_values": worth_by_rate_and_drift(
            hardware.case, saving, hardware.discount_rates_percent, hardware.price_drifts_percent
        ).tolist(),
    }


def _iso(instant: pd.Timestamp, timezone: str) -> str:
    return local_iso(instant.to_pydatetime(), timezone)
