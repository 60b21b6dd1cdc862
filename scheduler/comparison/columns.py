"""The columns of a comparison's tables, with their units and meanings: its data dictionary."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from scheduler.render.data_dictionary import Column

MONEY, A_YEAR, KWH = "money", "money a year", "kWh"
RUN_MEANING = "how the car is used: plan, hindsight (perfect foresight), charge-only, charge-on-return"
OFFER = Column("offer", "-", "name of the offer")
RUN = Column("run", "-", RUN_MEANING)
LAW = Column("wear_law", "-", "wear law by which the wear of the plans' cycles is counted")
BATTERY_PRICE = Column("battery_price", MONEY, "of a replacement battery, by which wear is counted")
AS_PLANNED = Column("as_planned", "-", "yes where law and price are the site's own, by which the plans were made")

COMPARISON_TABLE = (
    OFFER,
    Column("bill", MONEY, "from the meter, as planned, fees and taxes included"),
    Column("bill_charge_on_return", MONEY, "the same if the car is charged on its return"),
    Column("bill_charge_only", MONEY, "the same if the car is only charged, at the best times"),
    Column("discharge_value", MONEY, "in_all of charge-only, less in_all of the plan"),
    Column("hindsight_bill", MONEY, "the bill with perfect foresight, night by night"),
    Column(
        "hindsight_share",
        "-",
        "(charge-on-return - plan) / (charge-on-return - perfect foresight), totals; empty where that means nothing",
    ),
    Column("wear_cost", MONEY, "of the plan, unweighted, as the plans charged it, driving included"),
    Column("equivalent_full_cycles", "-", "energy out of the battery, driving included, over its capacity"),
    Column("discharged_kwh", KWH, "AC energy out of the car at home"),
    Column("exported_kwh", KWH, "at the meter"),
    Column("self_consumed_solar_kwh", KWH, "solar that the building or the car used at once"),
    Column("missed_departures", "-", "trips that began under their departure target"),
    Column("nights_discharged", "-", "nights in which the car gave energy"),
    Column("hindsight_share_of_charge_only", "-", "(charge-only - plan) / (charge-only - perfect foresight), totals"),
    Column("counted_wear_cost", MONEY, "unweighted, counted after the fact by the site's own law"),
    Column("in_all_counted", MONEY, "in_all of the plan with counted_wear_cost in place of wear_cost"),
    Column("full_horizon_bound", MONEY, "what no way of using the car costs less than; empty without --bound"),
    Column("full_horizon_gap", MONEY, "by which the best plan known is above that bound"),
    Column("full_horizon_part_bound", MONEY, "the bound if the charger may stop inside an interval"),
    Column("full_horizon_share", "-", "(charge-only - plan) / (charge-only - bound), totals as the bound counts them"),
    Column("hindsight_full_horizon_share", "-", "the same of perfect foresight, night by night"),
    Column(
        "emissions_kg",
        "kg",
        "of the grid for what was bought, less what was avoided by what was sold, as planned; empty without a series",
    ),
    Column("emissions_kg_charge_on_return", "kg", "the same if the car is charged on its return"),
    Column("emissions_kg_charge_only", "kg", "the same if the car is only charged, at the best times"),
)
SIZE_VERDICT = ("saving_a_year", "pays", "simple_payback_years", "discounted_payback_years", "net_present_value")
RANKING_TABLE = (
    Column("charger", "-", "plain (charge-only, at the best times) or bidirectional (as planned)"),
    LAW,
    BATTERY_PRICE,
    AS_PLANNED,
    Column("place", "-", "among the offers with that charger, law and price; 1 costs least"),
    OFFER,
    Column("total", MONEY, "in_all with wear counted by that law and price"),
    Column("more_than_first", MONEY, "total, less that of the first"),
    Column(
        "more_than_first_low", MONEY, "lower end of its 95 % range if whole weeks are resampled; empty under 4 weeks"
    ),
    Column("more_than_first_high", MONEY, "upper end of that range"),
    Column("tie", "-", "yes where 0 lies in that range: which costs less depends on the weeks"),
)
VERDICT_TABLE = (
    LAW,
    BATTERY_PRICE,
    AS_PLANNED,
    Column("offer_plain", "-", "offer that costs least with a plain charger"),
    Column("offer_bidirectional", "-", "offer that costs least with the bidirectional charger"),
    Column("saving_a_year", A_YEAR, "total of the one, less total of the other, scaled to a year"),
    Column("saving_a_year_low", A_YEAR, "lower end of its 95 % range if whole weeks are resampled"),
    Column("saving_a_year_high", A_YEAR, "upper end of that range"),
    Column("pays", "-", "yes where the hardware's net present value is not below 0; empty without --hardware"),
    Column("simple_payback_years", "a", "until the outlay is paid back for good; empty for never"),
    Column("discounted_payback_years", "a", "the same at the hardware file's discount rate"),
    Column("net_present_value", MONEY, "of the hardware over its life, at that rate"),
)
SIZES_TABLE = (
    Column("battery_kwh", KWH, "usable capacity of the car's battery"),
    Column("charger_kw", "kW", "most power of the charger both ways; discharging where the site's two differ"),
    Column("solar_scale", "-", "factor on the recorded solar series"),
    Column("battery_price", MONEY, "of a replacement battery, by which the nights are planned"),
    Column("offer_plain", "-", "offer that costs least with a plain charger"),
    Column("total_plain", MONEY, "its in_all, only charged"),
    Column("offer_bidirectional", "-", "offer that costs least with the bidirectional charger"),
    Column("total_bidirectional", MONEY, "its in_all, as planned"),
    *(column for column in VERDICT_TABLE if column.name in SIZE_VERDICT),
)
SITES_TABLE = (
    Column("site", "-", "name of the site"),
    Column("folder", "-", "of its comparison, beside this table"),
    Column("currency", "-", "of all money in the row, ISO 4217"),
    Column("first_day", "local day", "first day, included"),
    Column("last_day", "local day", "last day, included"),
    Column("offer_plain", "-", "offer that costs least with a plain charger"),
    Column("total_plain", MONEY, "its in_all, only charged"),
    Column("offer_bidirectional", "-", "offer that costs least with the bidirectional charger"),
    Column("total_bidirectional", MONEY, "its in_all, as planned"),
    *(column for column in VERDICT_TABLE if column.name.startswith("saving_a_year")),
    *(column for column in VERDICT_TABLE if column.name in SIZE_VERDICT[1:]),
    Column("depends_on", "-", "what the first places or whether it pays depend on; empty for nothing"),
)
BILL_MEANINGS = {
    "daily_fee": "standing charges by the day",
    "monthly_fee": "standing charges by the month",
    "connection_fee": "by the power of the connection",
    "import": "electricity bought, without tax",
    "demand_charge": "on the highest mean import of each month",
    "export": "electricity sold; below 0 for a credit",
    "discount": "on the lines that the offer names, before tax; below 0",
    "tax": "on the lines that the offer names",
}
"""Meanings of the parts of a bill; a part that is not here is a line of the bill by that name."""
FLOWS = (
    Column("import_kwh", KWH, "at the meter"),
    Column("export_kwh", KWH, "at the meter"),
    Column("charge_kwh", KWH, "AC energy into the charger"),
    Column("discharge_kwh", KWH, "AC energy out of the car"),
    Column("load_kwh", KWH, "of the building without the car"),
    Column("solar_kwh", KWH, "of the roof"),
    Column("curtailed_kwh", KWH, "solar that was not made because of the export limit"),
)
MONTHS_TABLE = (
    OFFER,
    RUN,
    Column("month", "local month", "calendar month, or the part of it that was compared"),
    Column("bill", MONEY, "of the month"),
    Column("on_the_way_cost", MONEY, "of charging away from home"),
    Column("wear_cost", MONEY, "unweighted, as the plans charged it"),
    Column("stored_energy", MONEY, "worth of what the battery gained"),
    Column("in_all", MONEY, "bill + on_the_way_cost + wear_cost - stored_energy"),
    *FLOWS,
)
NIGHTS_TABLE = (
    OFFER,
    RUN,
    Column("start", "local time", "when the night was planned, with its offset"),
    Column("end", "local time", "when the next was, or the end of the days"),
    Column("soc_start_percent", "%", "state of charge at its start"),
    Column("soc_end_percent", "%", "and at its end"),
    Column("charge_kwh", KWH, "AC energy into the charger"),
    Column("discharge_kwh", KWH, "AC energy out of the car"),
    Column("import_kwh", KWH, "at the meter"),
    Column("export_kwh", KWH, "at the meter"),
    Column("wear_cost", MONEY, "unweighted, as the plan charged it"),
    Column("planned_total", MONEY, "what the plan was to come to by its horizon's end; empty if nothing is planned"),
    Column("on_the_way_kwh", KWH, "charged away from home"),
    Column("missing_kwh", KWH, "under departure targets, summed over trips"),
    Column("departures", "-", "trips that came home in this night"),
    Column("missed_departures", "-", "of those, how many began under their departure target"),
    Column("chance_short", "-", "chance told that a departure is short; empty without a forecast of samples"),
)
METERED_TABLE = (
    Column("start", "local time", "start of the interval, with its offset"),
    Column("hours", "h", "its length"),
    *FLOWS,
    Column("stored_kwh", KWH, "in the battery at its end"),
)


def comparison_columns(bill_parts: Iterable[str]) -> Mapping[str, tuple[Column, ...]]:
    """Return the columns of every table by its name, in the order of the files.

    Parameters
    ----------
    bill_parts : kinds of line of a bill, in their order.
    """
    bills = (
        OFFER,
        RUN,
        *(Column(part, MONEY, BILL_MEANINGS.get(part, "lines of the bill of this kind")) for part in bill_parts),
        Column("bill", MONEY, "the sum of its parts"),
    )
    return {
        "comparison": COMPARISON_TABLE,
        "ranking": RANKING_TABLE,
        "verdict": VERDICT_TABLE,
        "bills": bills,
        "months": MONTHS_TABLE,
        "nights": NIGHTS_TABLE,
        "sizes": SIZES_TABLE,
        "metered-NAME": METERED_TABLE,
    }
