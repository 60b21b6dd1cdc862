"""`overnight bill`: from meter files and an offer to the bill as it would be printed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from models.base.calendars import public_holidays
from models.tariff.bill import Bill, GridFlows, bill, printed_bill
from models.tariff.offer import Offer
from scheduler.inputs.offer_file import read_offer
from scheduler.inputs.site_file import SiteClock, read_site_clock
from scheduler.metering.align_channels import MeteredFlows, metered_flows, relabelled, shared_span
from scheduler.metering.channels import Channel, MeterReading
from scheduler.metering.fill_gaps import gap_text
from scheduler.metering.parse_options import parse_clock_name, parse_kinds, parse_midnight, read_all
from scheduler.textio.errors import Fault, InputFaults, single_fault
from scheduler.textio.format import money_digits
from scheduler.textio.parse_time import local_text, parse_day
from scheduler.textio.read_text import file_problem

FROM_OPTION, TO_OPTION, METER_OPTION = "--from", "--to", "--meter"
MOST_GAPS_TOLD = 5


@dataclass(frozen=True, slots=True)
class BillOptions:
    """What the command was told.

    Attributes
    ----------
    site : the site's folder. offer : the offer's file. meter : one or more meter files.
    first_day, last_day : "2026-03-02", local and both billed; None for as far as the files go in whole days.
    kinds : "NAME=KIND" each. clock : "local" or "standard".
    """

    site: Path
    offer: Path
    meter: tuple[Path, ...]
    first_day: str | None = None
    last_day: str | None = None
    kinds: tuple[str, ...] = ()
    clock: str = "local"


@dataclass(frozen=True, slots=True, eq=False)
class MeteredBill:
    """A bill and what it was made from.

    Attributes
    ----------
    exact, paper : the bill, exact and with each line rounded as it is printed.
    site : its name, zone and calendar. flows : of the meter. layouts : of each file, in words.
    notes : what the reader should know, one sentence each.
    """

    offer: Offer
    exact: Bill
    paper: Bill
    site: SiteClock
    flows: MeteredFlows
    layouts: Mapping[str, str]
    notes: tuple[str, ...]


def metered_bill(words: BillOptions) -> MeteredBill:
    """Read the files and make the bill.

    Raises
    ------
    InputFaults : the faults of the files or the options; values that are missing from the days to bill.
    """
    site = read_site_clock(words.site)
    offer_path = _offer_path(words)
    offer = read_offer(offer_path, has_calendar=site.holiday_calendar is not None)
    clock, kinds = parse_clock_name(words.clock), parse_kinds(words.kinds)
    readings = read_all(words.meter, site.timezone, clock)
    file = str(words.meter[0]) if len(words.meter) == 1 else METER_OPTION
    named = _without_generation(relabelled(readings, kinds))
    notes = [f"{path.name}: {note}" for path, one in zip(words.meter, readings, strict=True) for note in one.notes]
    if not any(channel.kind == "import" for reading in named for channel in reading.channels):
        raise single_fault(file, "no channel counts import; expected files that do, or --as NAME=import")
    shared = shared_span(named, file)
    _refuse_unlike_spans(named, words, site.timezone, shared, file)
    first, last = _days(words, site.timezone, shared, notes)
    counted_day = first.replace(day=1) if _has_monthly_steps(offer) else first
    counted_from = max(shared[0], parse_midnight(counted_day, site.timezone, FROM_OPTION, 0))
    end = parse_midnight(last, site.timezone, TO_OPTION, 1)
    flows = metered_flows(named, *_whole_steps(shared, counted_from, end, named), file)
    notes += flows.notes
    _refuse_gaps(flows, offer, site.timezone, file)
    if _has_monthly_steps(offer) and counted_from.tz_convert(site.timezone).date().day > 1:
        notes.append(
            f"The kWh of a month are counted from {local_text(counted_from.to_pydatetime(), site.timezone)} on, where "
            "the meter's values begin."
        )
    if flows.estimated:
        estimated = f"{flows.estimated} of {len(flows.start)}"
        notes.append(f"The meter's file marks {estimated} values as estimated; a final bill may differ.")
    metered = GridFlows(flows.start, flows.step_minutes, flows.import_kwh, flows.export_kwh)
    holidays = _holidays(site, offer, first, last)
    try:
        exact = bill(offer, metered, site.timezone, first, last + timedelta(days=1), holidays)
    except ValueError as error:
        raise single_fault(offer_path, f"these meter values cannot be billed: {error}{_allowed(offer)}") from None
    if exact.cell_minutes < flows.step_minutes:
        notes.append(
            f"Prices change inside the meter's steps of {flows.step_minutes} minutes; the energy of a step is taken as "
            "spread evenly over it."
        )
    paper = printed_bill(exact, offer, money_digits(offer.currency))
    layouts = {str(path): one.layout for path, one in zip(words.meter, readings, strict=True)}
    return MeteredBill(offer, exact, paper, site, flows, layouts, tuple(notes))


def _without_generation(readings: tuple[MeterReading, ...]) -> tuple[MeterReading, ...]:
    """The readings without channels of generation, which no bill sees."""
    kept = tuple(
        replace(reading, channels=tuple(each for each in reading.channels if each.kind != "generation"))
        for reading in readings
    )
    if not any(reading.channels for reading in kept):
        raise single_fault(METER_OPTION, "the files count generation alone; expected import and export")
    return kept


def _has_monthly_steps(offer: Offer) -> bool:
    return any(band.per == "month" and band.up_to_kwh is not None for band in offer.import_bands)


def _whole_steps(
    shared: tuple[pd.Timestamp, pd.Timestamp],
    begin: pd.Timestamp,
    end: pd.Timestamp,
    readings: tuple[MeterReading, ...],
) -> tuple[pd.Timestamp, pd.Timestamp]:
    """From the step that begin lies in to the one that end lies in; a bill takes its part of each."""
    step = pd.Timedelta(minutes=max(channel.step_minutes for reading in readings for channel in reading.channels))
    before, beyond = (begin - shared[0]) % step, (shared[0] - end) % step
    return begin - before, end + beyond


def _refuse_unlike_spans(
    readings: tuple[MeterReading, ...],
    words: BillOptions,
    timezone: str,
    shared: tuple[pd.Timestamp, pd.Timestamp],
    file: str,
) -> None:
    """Refuse to leave out what only some channels have, unless the days to bill were asked for."""
    channels = [channel for reading in readings for channel in reading.channels]
    begins = {_name(channel): channel.start[0] for channel in channels}
    ends = {_name(channel): channel.start[-1] + pd.Timedelta(minutes=channel.step_minutes) for channel in channels}
    early = words.first_day is None and min(begins.values()) < shared[0]
    late = words.last_day is None and max(ends.values()) > shared[1]
    if not early and not late:
        return

    def instant_text(instant: pd.Timestamp) -> str:
        return local_text(instant.to_pydatetime(), timezone)

    spans = "; ".join(f"{name} {instant_text(begins[name])} to {instant_text(ends[name])}" for name in begins)
    asked = " and ".join(option for option, wanted in ((FROM_OPTION, early), (TO_OPTION, late)) if wanted)
    raise single_fault(file, f"its channels have values over different times ({spans}); expected days, by {asked}")


def _name(channel: Channel) -> str:
    return f"{channel.name} of {channel.meter}" if channel.meter else channel.name


def _allowed(offer: Offer) -> str:
    """What can be billed, where the engine refuses."""
    if offer.demand_charge is not None:
        minutes = offer.demand_charge.interval_minutes
        return f"; expected meter steps that divide {minutes} minutes, and days that its prices cover"
    return "; expected days that its prices cover"


def _offer_path(words: BillOptions) -> Path:
    """The offer's file, relative to the working directory or else to the site's folder."""
    for path in (words.offer, words.site / words.offer):
        if file_problem(path) is None:
            return path
    raise single_fault(words.offer, f"{file_problem(words.offer)}; expected an offer's file")


def _days(
    words: BillOptions, timezone: str, shared: tuple[pd.Timestamp, pd.Timestamp], notes: list[str]
) -> tuple[date, date]:
    """First and last day to bill: those asked for, or the whole days of the meter's values."""
    begin, end = (instant.tz_convert(timezone) for instant in shared)
    first = begin.date() if begin == begin.normalize() else begin.date() + timedelta(days=1)
    last = end.date() - timedelta(days=1)
    has = f"the meter has whole days from {first} to {last}"
    if first > last:
        raise single_fault(METER_OPTION, "the files do not hold one whole local day; expected files that do")
    asked_first = None if words.first_day is None else parse_day(words.first_day, FROM_OPTION)
    asked_last = None if words.last_day is None else parse_day(words.last_day, TO_OPTION)
    if asked_first is not None and asked_last is not None and asked_first > asked_last:
        raise single_fault(TO_OPTION, f"{asked_last} is before --from {asked_first}; expected that day or later")
    faults = [
        Fault(option, None, None, f"{day} has no values; {has}, and expected days among them")
        for option, day in ((FROM_OPTION, asked_first), (TO_OPTION, asked_last))
        if day is not None and not first <= day <= last
    ]
    if faults:
        raise InputFaults(faults)
    if asked_first is None and begin != begin.normalize():
        notes.append(f"The meter's first day is not whole; the bill begins on {first}.")
    if asked_last is None and end != end.normalize():
        notes.append(f"The meter's last day is not whole; the bill ends with {last}.")
    return asked_first or first, asked_last or last


def _refuse_gaps(flows: MeteredFlows, offer: Offer, timezone: str, file: str) -> None:
    """A bill needs every value."""
    if not (np.isnan(flows.import_kwh).any() or np.isnan(flows.export_kwh).any()):
        return
    gaps = flows.gaps
    told = [
        Fault(file, None, None, f"{gap.channel} has no values {gap_text(gap, timezone)}")
        for gap in gaps[:MOST_GAPS_TOLD]
    ]
    more = f", the first {MOST_GAPS_TOLD} of {len(gaps)}" if len(gaps) > MOST_GAPS_TOLD else ""
    advice = f"a bill needs every value{more}; expected days without a gap, by {FROM_OPTION} and {TO_OPTION}"
    if _has_monthly_steps(offer):
        advice += ", and none since the first of their month, for the offer counts the kWh of a month"
    raise InputFaults([*told, Fault(file, None, None, advice)])


def _holidays(site: SiteClock, offer: Offer, first: date, last: date) -> frozenset[date]:
    if site.holiday_calendar is None or offer.holidays_count_as is None:
        return frozenset()
    return public_holidays(site.holiday_calendar, range(first.year - 1, last.year + 2))
