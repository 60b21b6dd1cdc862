"""The columns of a sweep's tables, with their units and meanings: the data dictionary."""

from __future__ import annotations

from collections.abc import Iterable

from models.wear.laws import WEAR_LAWS, calendar_law_names
from scheduler.render.data_dictionary import Column

LAWS_WITH_CAPACITY = calendar_law_names()
"""The laws that give the capacity lost as well as the life used: those with calendar ageing."""
MONEY, A_YEAR, SHARE = "money", "money a year", "% a year"
RUN_COLUMNS = (
    Column("run", "-", "number of the run, from 0: the grid in its order, then the references of every group"),
    Column("group", "-", "number of the frontier that the run is part of: one offer, one law, one value of every key"),
    Column("policy", "-", "how the car is used: plan (the grid); charge-only and charge-on-return are the references"),
    Column("site", "-", "name of the site"),
    Column("offer", "-", "name of the offer"),
    Column("currency", "-", "of all money in the row, ISO 4217"),
    Column("law", "-", "wear law that priced the plans"),
    Column("weight", "-", "factor on wear in the objective; of references 1"),
    Column("first_day", "local day", "first day, included"),
    Column("last_day", "local day", "last day, included"),
    Column("days", "d", "how many days"),
    Column(
        "forecast",
        "-",
        "what each evening knew: typical days, past days (samples), or what came (recorded)",
    ),
    Column("trips", "-", "trips that nights are planned on: usual, or recorded, which are always the ones driven"),
    Column("bill", MONEY, "from the meter, fees and taxes included"),
    Column("on_the_way_cost", MONEY, "of charging away from home"),
    Column("cash", MONEY, "bill + on_the_way_cost"),
    Column(
        "emissions_kg",
        "kg",
        "of the grid for what was bought, less what was avoided by what was sold; empty without a series",
    ),
    Column("gained_kwh", "kWh", "by which the battery ended fuller than it began"),
    Column("stored_energy_price", "money per kWh", "of what the battery gained: the mean of the charge-only reference"),
    Column("stored_energy", MONEY, "gained_kwh * stored_energy_price"),
    Column("wear_cost", MONEY, "unweighted, by the law that priced the plans, calendar ageing included where it is on"),
    Column(
        "counted_wear_cost",
        MONEY,
        "unweighted, counted after the fact: cycles of the closed trace by the law that priced the plans, and time by "
        "the site's calendar law where it is on",
    ),
    Column("in_all", MONEY, "cash + wear_cost - stored_energy"),
    Column("in_all_counted", MONEY, "cash + counted_wear_cost - stored_energy"),
    Column("cash_saved_a_year", A_YEAR, "cash - stored_energy of charge-on-return, less the same of this run"),
    Column(
        "cash_saved_by_discharging_a_year", A_YEAR, "cash - stored_energy of charge-only, less the same of this run"
    ),
    Column("saving_a_year", A_YEAR, "in_all of charge-on-return, less in_all of this run"),
    Column("discharge_value_a_year", A_YEAR, "in_all of charge-only, less in_all of this run"),
    Column(
        "full_horizon_bound",
        MONEY,
        "what no run of the group costs less than, all days seen at once: in_all with starts and time outside the "
        "window, energy left by what the days after make of it, wear at weight 1; empty without --bound",
    ),
    Column(
        "full_horizon_gap",
        MONEY,
        "by which the best plan known, of all days at once or of the group, is above that bound",
    ),
    Column(
        "full_horizon_part_bound",
        MONEY,
        "the bound if the charger may stop inside an interval; empty with tiers or a demand charge",
    ),
    Column(
        "full_horizon_share",
        "-",
        "share of the most that discharging can be worth: (charge-only - this run) / (charge-only - bound), totals as "
        "the bound counts them",
    ),
    Column(
        "capacity_lost_percent_a_year", SHARE, "life used × 20 %, by the law that priced the plans: its column below"
    ),
    Column("equivalent_full_cycles", "-", "energy out of the battery, driving included, over its capacity"),
    Column("charged_kwh", "kWh", "AC energy into the charger"),
    Column("discharged_kwh", "kWh", "AC energy out of the car at home"),
    Column("imported_kwh", "kWh", "at the meter"),
    Column("exported_kwh", "kWh", "at the meter"),
    Column("nights", "-", "how many nights were planned"),
    Column("nights_discharged", "-", "nights in which the car gave energy"),
    Column("starts", "-", "of charging or discharging"),
    Column("outside_window_kwh_hours", "kWh h", "energy under floor or over ceiling, times hours at home"),
    Column("stored_at_end_kwh", "kWh", "in the battery when the days end"),
    Column("departures", "-", "trips that began"),
    Column("missed_departures", "-", "trips that began under their departure target"),
    *(
        Column(
            f"cycle_life_used_percent_{law}",
            "%",
            f'of the battery\'s life in all its days, by counted cycles and law "{law}"; the trace is closed to '
            "its first state of charge",
        )
        for law in WEAR_LAWS
    ),
    *(
        Column(f"life_used_percent_{law}", "%", f'the same with calendar ageing, where law "{law}" knows it')
        for law in WEAR_LAWS
    ),
    *(
        Column(
            f"capacity_lost_percent_a_year_{law}",
            SHARE,
            f'life used × 20 %: life used a year by law "{law}", calendar ageing included where it knows it, times the '
            "20 % of the capacity that is lost when a life ends",
        )
        for law in WEAR_LAWS
    ),
    *(
        Column(
            f"own_capacity_lost_percent_a_year_{law}",
            SHARE,
            f'capacity lost by the equation of law "{law}" itself, from the battery\'s age on; by "stress" it depends '
            'on age where life used does not, by "nmc" it is life used × 20 %',
        )
        for law in LAWS_WITH_CAPACITY
    ),
)
"""Columns of every sweep; the site's values follow, by the names of their tables and keys."""

NIGHT_TABLE = (
    Column("run", "-", "number of the run in the table of runs"),
    Column("night", "-", "number of the night, from 0"),
    Column("night_start", "instant, UTC", "when it was planned"),
    Column("night_end", "instant, UTC", "when the next was, or the end of the days"),
    Column("soc_start_percent", "%", "state of charge at its start"),
    Column("soc_end_percent", "%", "and at its end"),
    Column("charge_kwh", "kWh", "AC energy into the charger"),
    Column("discharge_kwh", "kWh", "AC energy out of the car"),
    Column("import_kwh", "kWh", "at the meter"),
    Column("export_kwh", "kWh", "at the meter"),
    Column("wear_cost", MONEY, "unweighted, by the law that priced the plan"),
    Column(
        "planned_total", MONEY, "what the plan was to come to, to the end of its horizon; empty if nothing is planned"
    ),
    Column("on_the_way_kwh", "kWh", "charged away from home"),
    Column("missing_kwh", "kWh", "under departure targets, summed over trips"),
    Column("departures", "-", "trips that came home in this night"),
    Column("missed_departures", "-", "of those, how many began under their departure target"),
    Column("chance_short", "-", "chance told that a departure is short; empty without a forecast of samples"),
)

_UNITS = (
    ("_price_per_kwh", "money per kWh"),
    ("_kwh_per_100km", "kWh per 100 km"),
    ("_kwh", "kWh"),
    ("_kw", "kW"),
    ("_percent", "%"),
    ("_minutes", "min"),
    ("_minutes_before", "min"),
    ("_hours", "h"),
    ("_years", "a"),
    ("_degc", "degrees C"),
    ("_km", "km"),
    ("_price", MONEY),
    (".volts", "V"),
    (".evening", "local clock"),
)


SITE_MEANINGS = {
    "connection.import_limit_kw": "most import that the network operator approved",
    "connection.export_limit_kw": "most export that the network operator approved",
    "car.battery_kwh": "usable capacity of the battery",
    "car.floor_percent": "lower end of ordinary use",
    "car.ceiling_percent": "upper end of ordinary use",
    "car.consumption_kwh_per_100km": "from the battery",
    "car.trip_margin_percent": "added to a trip's energy in its departure target",
    "car.return_reserve_percent": "state of charge still wanted on coming home",
    "car.ready_minutes_before": "how long before a departure its target is held",
    "car.heats_cabin": "whether the cabin is heated or cooled, where the weather is given",
    "car.on_the_way_price_per_kwh": "of charging away from home",
    "car.outside_window_factor": "share of the highest import price that a kWh outside the window costs an hour",
    "car.discharge_limit_kwh": "most AC energy out of the car in a night",
    "charger.charge_min_kw": "least charging power, AC",
    "charger.charge_max_kw": "most charging power, AC",
    "charger.discharge_min_kw": "least discharging power, AC",
    "charger.discharge_max_kw": "most discharging power, AC",
    "charger.charge_efficiency_percent": "of the power beyond the fixed loss",
    "charger.discharge_efficiency_percent": "of the power beyond the fixed loss",
    "charger.fixed_loss_kw": "from the battery's side whenever the charger runs",
    "charger.discharge_to": "building, whose draw it never exceeds, or building-and-grid",
    "charger.start_worth_kwh": "a start is avoided if that costs less than this at the highest import price",
    "charger.volts": "for setpoints in amps",
    "charger.phases": "for setpoints in amps",
    "charger.can_stop_at_percent": "whether it stops by itself at a state of charge that was set",
    "charger.can_follow_surplus": "whether it can charge with the solar surplus alone",
    "charger.set_by": "schedule, or by hand: blocks or current",
    "charger.max_blocks": "most blocks in a night that is set by hand",
    "charger.min_block_minutes": "least length of a block that is set by hand",
    "charger.setting_worth": "what a person would give to be spared one setting",
    "charger.settings_between": "clock times between which a person sets the charger",
    "charger.timer": "whether the charger begins and ends blocks by its own clock",
    "solar.can_be_limited": "whether solar can be curtailed at will",
    "data.solar_scale": "factor on the recorded solar series",
    "wear.battery_price": "of a replacement battery",
    "wear.depth_coefficient": 'life lost by a full cycle of the whole depth, law "depth"',
    "wear.depth_exponent": 'of the depth, law "depth"',
    "wear.life_full_cycles": 'full cycles in a life, law "flat"; 1600 in its columns where the site does not say',
    "wear.segment_edges_percent": "depths at which the plan's wear price changes",
    "wear.calendar_law": "law of calendar ageing in the plan",
    "wear.battery_age_years": "age of the battery; 3 in the columns by law where the site does not say",
    "wear.battery_temp_degc": "of the battery by month, January first; 25 in columns by law where it does not say",
    "plan.step_minutes": "of the plan",
    "plan.horizon_hours": "of the plan",
    "plan.stored_energy_price_per_kwh": "of what is left in the battery at the end of a plan",
    "plan.evening": "when nights are planned",
    "plan.trip_notice_hours": "how long before departure a trip that is not as usual is known",
    "plan.short_chance_percent": "share of sampled days on which a departure may be short",
    "plan.emissions_price_per_tonne": "of the grid's emissions in the objective, on no bill",
}


def site_columns(names: Iterable[str]) -> list[Column]:
    """Return the columns of a site's values.

    Parameters
    ----------
    names : tables and keys of site.toml, such as "car.floor_percent".

    Returns
    -------
    A column for each, with its unit and meaning.

    Examples
    --------
    >>> [(column.name, column.unit) for column in site_columns(["car.floor_percent", "charger.volts"])]
    [('car.floor_percent', '%'), ('charger.volts', 'V')]
    """
    return [
        Column(
            name,
            next((unit for end, unit in _UNITS if name.endswith(end)), "-"),
            f"{SITE_MEANINGS.get(name, 'as in site.toml')}; empty where the site does not say",
        )
        for name in names
    ]
