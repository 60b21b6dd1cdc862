"""`overnight wear`: from a trace, a plan's folder or a metered table to counted wear by every law."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC
from pathlib import Path

import numpy as np
import pandas as pd

from models.base.arrays import runs
from models.wear.counted import CountedWear, counted_wear
from models.wear.difference import WearDifference, wear_difference
from models.wear.law import LawSettings
from models.wear.laws import WEAR_LAWS, wear_law
from models.wear.prices import REFERENCE_DEGC
from models.wear.soc_trace import SocTrace
from scheduler.diagnostics.trace_file import ReadTrace, read_trace, temperature_problem
from scheduler.inputs.offer_file import read_offer
from scheduler.inputs.site import Site
from scheduler.inputs.site_file import SITE_FILE, read_site
from scheduler.nights.wear_prices import battery_temp_degc, cycle_states, segments_of
from scheduler.plans.saved_plan import PLAN_FILE, SavedPlan, read_saved_plan
from scheduler.textio.bounds import AGE_YEARS, BATTERY_KWH, MONEY
from scheduler.textio.errors import Fault, InputFaults, shown, single_fault

USUAL_AGE_YEARS = 3.0
"""The battery's age where neither the site nor an option gives one [a]."""
NO_TEMPERATURE = math.nan
"""A temperature that no file gives [degrees C]."""
STAGES = ("Reading", "Counting")
MUCH_SHALLOW = 0.2


@dataclass(frozen=True, slots=True)
class WearOptions:
    """What is asked of the command.

    Attributes
    ----------
    source : a trace's file, a plan's folder or a metered table. site : the site's folder, or None.
    battery_kwh, battery_price : instead of the site's [kWh, money], or None.
    age_years : of the battery when the trace begins [a]; None: the site's, or three years.
    temp_degc : of the battery, where the file has none [degrees C]; None: the site's by month, or the reference.
    """

    source: Path
    site: Path | None
    battery_kwh: float | None
    battery_price: float | None
    age_years: float | None = None
    temp_degc: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class WearOfTrace:
    """Counted wear, and the trace in which it was counted.

    Attributes
    ----------
    options : as given, the age filled in. read : the trace and its layout. counted : wear by every law.
    site_name, currency : of the site or plan, or None. timezone : likewise, else UTC.
    battery_price : behind the costs [money], or None.
    difference : for a plan of a known site, why its wear and the counted wear differ. law_of_plan : that priced it.
    notes : what the reader should know, one sentence each.
    """

    options: WearOptions
    read: ReadTrace
    counted: CountedWear
    site_name: str | None
    currency: str | None
    timezone: str
    battery_price: float | None
    difference: WearDifference | None
    law_of_plan: str | None
    notes: tuple[str, ...]


def wear_of_trace(options: WearOptions, progress: Callable[[str], None] = lambda step: None) -> WearOfTrace:
    """Return the wear of a trace, counted and priced by every law.

    Parameters
    ----------
    progress : called with each of STAGES as it begins.

    Raises
    ------
    InputFaults : the faults of the options and the files.
    """
    progress(STAGES[0])
    _check_options(options)
    plan = read_saved_plan(options.source) if options.source.is_dir() else None
    folder = options.site if options.site is not None else _site_of_plan(plan)
    site = None if folder is None else read_site(folder)
    battery_kwh = options.battery_kwh if options.battery_kwh is not None or site is None else site.car.battery_kwh
    price = options.battery_price if options.battery_price is not None or site is None else site.wear.battery_price
    read = read_trace(options.source, NO_TEMPERATURE, battery_kwh) if plan is None else trace_of_plan(plan)
    read = replace(read, trace=_at_temperatures(read.trace, options, site))
    settings = _settings(options, site)
    options = replace(options, age_years=settings.age_years)
    progress(STAGES[1])
    counted = counted_wear(read.trace, [wear_law(name, settings) for name in WEAR_LAWS], price)
    difference, notes = None, list(read.notes)
    if plan is not None:
        if site is not None and folder != options.site:
            notes.append(f"The site is the one that the plan lies in, {site.name}.")
        difference = None if site is None else _difference(plan, read, site)
        if difference is None:
            notes.append("What the plan charged for wear is compared when --site tells the site it was made for.")
    notes += _shallow_note(counted)
    if price is None:
        notes.append("No cost is given without the battery's price; give --battery-price or --site.")
    return WearOfTrace(
        options,
        read,
        counted,
        site_name=plan.site if plan is not None else None if site is None else site.name,
        currency=plan.currency if plan is not None else None if site is None else _currency(site),
        timezone=plan.timezone if plan is not None else "UTC" if site is None else site.timezone,
        battery_price=price,
        difference=difference,
        law_of_plan=None if plan is None else plan.wear_law,
        notes=tuple(notes),
    )


def _settings(options: WearOptions, site: Site | None) -> LawSettings:
    """Return what the laws need to know: from the options, else the site, else the usual values."""
    settings = LawSettings(USUAL_AGE_YEARS) if site is None else site.wear.law_settings
    return settings if options.age_years is None else replace(settings, age_years=options.age_years)


def _at_temperatures(trace: SocTrace, options: WearOptions, site: Site | None) -> SocTrace:
    """Return the trace with a temperature filled in wherever its file gives none."""
    temps = REFERENCE_DEGC if options.temp_degc is None else options.temp_degc
    filled = np.full(len(trace.temp_degc), temps)
    if options.temp_degc is None and site is not None and site.wear.battery_temp_degc is not None:
        month = trace.instants.tz_convert(site.timezone).month
        filled = np.array(site.wear.battery_temp_degc)[np.asarray(month) - 1]
    return replace(trace, temp_degc=np.where(np.isnan(trace.temp_degc), filled, trace.temp_degc))


def trace_of_plan(plan: SavedPlan) -> ReadTrace:
    """Return a plan's states of charge at the boundaries of its schedule, without temperatures."""
    boundaries = [plan.rows[0].start, *(row.end for row in plan.rows)]
    # offsets change in a night with a clock change, so each becomes UTC by itself
    instants = pd.DatetimeIndex([instant.astimezone(UTC) for instant in boundaries]).as_unit("s")
    percent = np.array([plan.rows[0].soc_start_percent, *(row.soc_end_percent for row in plan.rows)])
    trace = SocTrace(instants, np.clip(percent / 100, 0.0, 1.0), np.full(len(percent), NO_TEMPERATURE))
    trips = tuple(runs(np.array([row.state == "away" for row in plan.rows])))
    return ReadTrace(trace, f"{len(plan.rows)} intervals of a plan", (), trips)


def _site_of_plan(plan: SavedPlan | None) -> Path | None:
    """Return the folder of the site that a plan lies in, where the plan's folder is SITE/plans/PLAN; else None."""
    if plan is None:
        return None
    folder = plan.folder.resolve().parents[1]
    return folder if (folder / SITE_FILE).is_file() else None


def _difference(plan: SavedPlan, read: ReadTrace, site: Site) -> WearDifference | None:
    """Return why the plan's cycle wear and the counted wear differ; None for a plan without its wear."""
    if plan.costs is None:
        return None
    if plan.wear_law not in WEAR_LAWS:
        message = f"found {shown(plan.wear_law)}; expected {', '.join(WEAR_LAWS)}"
        raise single_fault(plan.folder / PLAN_FILE, message, key="wear_law")
    law = wear_law(plan.wear_law, site.wear.law_settings)
    charged = plan.costs.wear if plan.costs.cycle_wear is None else plan.costs.cycle_wear
    segments, temp = segments_of(site, plan.wear_law, plan.start), battery_temp_degc(site, plan.start)
    return wear_difference(law, read.trace, segments, site.wear.battery_price, charged, cycle_states(site), temp)


def _shallow_note(counted: CountedWear) -> list[str]:
    """Return a sentence if much of the cycling is so shallow that it may be a meter's noise; else nothing."""
    shallowest, full = float(counted.histogram.edges_percent[0]), counted.cycles.equivalent_full_cycles
    part = float(counted.histogram.full_cycles[0])
    if part <= MUCH_SHALLOW * full:
        return []
    return [
        f"{100 * part / full:.0f} % of the equivalent full cycles are cycles of {shallowest:g} % or less; if they are "
        'noise of the meter, the wear by "flat", "stress" and "nmc" is too high.'
    ]


def _currency(site: Site) -> str:
    return read_offer(site.offer_file, has_calendar=site.holiday_calendar is not None).currency


def _check_options(options: WearOptions) -> None:
    """Raise faults for numbers among the options that are out of bounds."""
    faults = []
    for option, value, bound in (
        ("--battery-kwh", options.battery_kwh, BATTERY_KWH),
        ("--battery-price", options.battery_price, MONEY),
        ("--age-years", options.age_years, AGE_YEARS),
    ):
        problem = None if value is None else bound.problem(value)
        if problem is not None:
            faults.append(Fault(option, None, None, problem))
    if options.temp_degc is not None:
        problem = temperature_problem(options.temp_degc)
        if problem is not None:
            faults.append(Fault("--temp-degc", None, None, problem))
    if faults:
        raise InputFaults(faults)
