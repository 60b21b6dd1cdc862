"""`overnight wear`: from a trace, a plan's folder or a metered table to counted wear by every law."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC
from pathlib import Path

import numpy as np
import pandas as pd

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
from scheduler.nights.wear_prices import battery_temp_degc, middle_soc, segments_of
from scheduler.plans.saved_plan import PLAN_FILE, KeptPlan, read_kept_plan
from scheduler.textio.bounds import AGE_YEARS, BATTERY_KWH, MONEY
from scheduler.textio.errors import Fault, InputFaults, shown, single_fault

USUAL_AGE_YEARS = 3.0
"""The age where neither the site nor an option tells [a]."""
NOT_TOLD = math.nan
"""A temperature that no file tells."""
STEPS = ("Reading", "Counting")
MUCH_SHALLOW = 0.2


@dataclass(frozen=True, slots=True)
class WearOptions:
    """What the command was told.

    Attributes
    ----------
    source : a trace's file, a plan's folder or a metered table. site : the site's folder, or None.
    battery_kwh, battery_price : instead of the site's [kWh, money], or None.
    age_years : of the battery when the trace begins [a]; None: the site's, or three years.
    temp_degc : of the battery, where the file does not tell [degrees C]; None: the site's by month, or the reference.
    """

    source: Path
    site: Path | None
    battery_kwh: float | None
    battery_price: float | None
    age_years: float | None = None
    temp_degc: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class WearOfTrace:
    """What was found, and of what.

    Attributes
    ----------
    words : as told. read : the trace and its layout. counted : by every law.
    site_name, currency : where a site or a plan tells them. timezone : theirs, else UTC.
    battery_price : that costs were told with [money], or None.
    difference : for a plan of a known site, why its wear and the counted wear differ. law_of_plan : that priced it.
    notes : what the reader should know, one sentence each.
    """

    words: WearOptions
    read: ReadTrace
    counted: CountedWear
    site_name: str | None
    currency: str | None
    timezone: str
    battery_price: float | None
    difference: WearDifference | None
    law_of_plan: str | None
    notes: tuple[str, ...]


def wear_of_trace(words: WearOptions, progress: Callable[[str], None] = lambda step: None) -> WearOfTrace:
    """Read, count and price.

    Parameters
    ----------
    progress : is told each of STEPS as it begins.

    Raises
    ------
    InputFaults : the faults of the options and the files.
    """
    progress(STEPS[0])
    _check_options(words)
    plan = read_kept_plan(words.source) if words.source.is_dir() else None
    folder = words.site if words.site is not None else _site_of_plan(plan)
    site = None if folder is None else read_site(folder)
    battery_kwh = words.battery_kwh if words.battery_kwh is not None or site is None else site.car.battery_kwh
    price = words.battery_price if words.battery_price is not None or site is None else site.wear.battery_price
    read = read_trace(words.source, NOT_TOLD, battery_kwh) if plan is None else trace_of_plan(plan)
    read = replace(read, trace=_at_temperatures(read.trace, words, site))
    settings = _settings(words, site)
    words = replace(words, age_years=settings.age_years)
    progress(STEPS[1])
    counted = counted_wear(read.trace, [wear_law(name, settings) for name in WEAR_LAWS], price)
    difference, notes = None, list(read.notes)
    if plan is not None:
        if site is not None and folder != words.site:
            notes.append(f"The site is the one that the plan lies in, {site.name}.")
        difference = None if site is None else _difference(plan, read, site)
        if difference is None:
            notes.append("What the plan charged for wear is compared when --site tells the site it was made for.")
    notes += _shallow_note(counted)
    if price is None:
        notes.append("No cost is told without the battery's price; give --battery-price or --site.")
    return WearOfTrace(
        words,
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


def _settings(words: WearOptions, site: Site | None) -> LawSettings:
    """What laws need to know: the options, else the site, else the usual."""
    settings = LawSettings(USUAL_AGE_YEARS) if site is None else site.wear.law_settings
    return settings if words.age_years is None else replace(settings, age_years=words.age_years)


def _at_temperatures(trace: SocTrace, words: WearOptions, site: Site | None) -> SocTrace:
    """The trace with a temperature wherever its file tells none."""
    temps = REFERENCE_DEGC if words.temp_degc is None else words.temp_degc
    filled = np.full(len(trace.temp_degc), temps)
    if words.temp_degc is None and site is not None and site.wear.battery_temp_degc is not None:
        month = trace.instants.tz_convert(site.timezone).month
        filled = np.array(site.wear.battery_temp_degc)[np.asarray(month) - 1]
    return replace(trace, temp_degc=np.where(np.isnan(trace.temp_degc), filled, trace.temp_degc))


def trace_of_plan(plan: KeptPlan) -> ReadTrace:
    """A plan's states of charge at the boundaries of its schedule, at no temperature yet."""
    boundaries = [plan.rows[0].start, *(row.end for row in plan.rows)]
    # offsets change in a night with a clock change, so each becomes UTC by itself
    instants = pd.DatetimeIndex([instant.astimezone(UTC) for instant in boundaries]).as_unit("s")
    percent = np.array([plan.rows[0].soc_start_percent, *(row.soc_end_percent for row in plan.rows)])
    trace = SocTrace(instants, np.clip(percent / 100, 0.0, 1.0), np.full(len(percent), NOT_TOLD))
    return ReadTrace(trace, f"{len(plan.rows)} intervals of a plan", ())


def _site_of_plan(plan: KeptPlan | None) -> Path | None:
    """The site that a plan lies in, where its folder is SITE/plans/PLAN."""
    if plan is None:
        return None
    folder = plan.folder.resolve().parents[1]
    return folder if (folder / SITE_FILE).is_file() else None


def _difference(plan: KeptPlan, read: ReadTrace, site: Site) -> WearDifference | None:
    """Why the plan's cycle wear and the counted wear differ; None for a plan that does not tell its wear."""
    if plan.costs is None:
        return None
    if plan.wear_law not in WEAR_LAWS:
        message = f"found {shown(plan.wear_law)}; expected {', '.join(WEAR_LAWS)}"
        raise single_fault(plan.folder / PLAN_FILE, message, key="wear_law")
    law = wear_law(plan.wear_law, site.wear.law_settings)
    charged = plan.costs.wear if plan.costs.cycle_wear is None else plan.costs.cycle_wear
    segments, temp = segments_of(site, plan.wear_law, plan.start), battery_temp_degc(site, plan.start)
    return wear_difference(law, read.trace, segments, site.wear.battery_price, charged, middle_soc(site), temp)


def _shallow_note(counted: CountedWear) -> list[str]:
    """Whether much of the cycling is so shallow that it may be a meter's noise."""
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


def _check_options(words: WearOptions) -> None:
    """Raise what is wrong with the numbers among the options."""
    faults = []
    for option, value, bound in (
        ("--battery-kwh", words.battery_kwh, BATTERY_KWH),
        ("--battery-price", words.battery_price, MONEY),
        ("--age-years", words.age_years, AGE_YEARS),
    ):
        problem = None if value is None else bound.problem(value)
        if problem is not None:
            faults.append(Fault(option, None, None, problem))
    if words.temp_degc is not None:
        problem = temperature_problem(words.temp_degc)
        if problem is not None:
            faults.append(Fault("--temp-degc", None, None, problem))
    if faults:
        raise InputFaults(faults)
