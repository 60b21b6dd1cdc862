"""Make the bill that `overnight bill` prints, from meter files and an offer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from models.base.calendars import public_holidays
from models.tariff.bill import Bill, GridFlows, bill, counted_from_day, printed_bill
from models.tariff.offer import Offer
from scheduler.inputs.offer_file import read_offer
from scheduler.inputs.site_file import SiteClock, read_site_clock
from scheduler.metering.align_channels import MeteredFlows, channel_text, metered_flows, relabelled, shared_span
from scheduler.metering.channels import MeterReading
from scheduler.metering.column_names import kept_columns
from scheduler.metering.days_asked import DaysAsked
from scheduler.metering.fill_gaps import gap_text
from scheduler.metering.nem12_file import LAYOUT as NEM12_LAYOUT
from scheduler.metering.parse_options import parse_clock_name, parse_kinds, parse_midnight, read_all
from scheduler.metering.register_changes import from_local_midnight, joined_registers
from scheduler.textio.errors import Fault, InputFaults, single_fault
from scheduler.textio.format import money_digits
from scheduler.textio.parse_time import local_text, parse_day
from scheduler.textio.read_text import file_problem

FROM_OPTION, TO_OPTION, METER_OPTION = "--from", "--to", "--meter"
MOST_GAPS_TOLD = 5
MOST_BEFORE_MARKET_TIME = pd.Timedelta(hours=1)
"""By how much the market's day begins after the local one where clocks are changed in summer."""


@dataclass(frozen=True, slots=True)
class BillOptions:
    """The options of `overnight bill`.

    Attributes
    ----------
    site : the site's folder. offer : the offer's file. meter : one or more meter files.
    first_day, last_day : "2026-03-02", local, both included; None for as far as the files have whole days.
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
    """A bill and its inputs.

    Attributes
    ----------
    exact, paper : the bill, exact and with each line rounded as it is printed.
    site : its name, zone and calendar. flows : of the meter. layouts : name of each file's layout.
    notes : what the reader should know, one sentence each.
    """

    offer: Offer
    exact: Bill
    paper: Bill
    site: SiteClock
    flows: MeteredFlows
    layouts: Mapping[str, str]
    notes: tuple[str, ...]


def metered_bill(options: BillOptions) -> MeteredBill:
    """Read the files and make the bill.

    Raises
    ------
    InputFaults : faults of the files or the options; missing values in the days to bill.
    """
    site = read_site_clock(options.site)
    offer_path = _offer_path(options)
    offer = read_offer(offer_path, has_calendar=site.holiday_calendar is not None)
    clock, kinds = parse_clock_name(options.clock), parse_kinds(options.kinds)
    asked = _asked(options, offer, site.timezone)
    readings = read_all(options.meter, site.timezone, clock, kept_columns(options.site), asked)
    file = str(options.meter[0]) if len(options.meter) == 1 else METER_OPTION
    named, changes = joined_registers(_without_generation(relabelled(readings, kinds)), site.timezone)
    notes = [f"{path.name}: {note}" for path, one in zip(options.meter, readings, strict=True) for note in one.notes]
    notes += changes
    if not any(channel.kind == "import" for reading in named for channel in reading.channels):
        raise single_fault(file, "no channel counts import; expected files with import, or --as NAME=import")
    shared = shared_span(named, file)
    _refuse_unlike_spans(named, options, site.timezone, shared, file)
    named, shared = _with_hour_before_market_time(named, options, readings, site.timezone, shared, notes)
    first, last = _days(options, site.timezone, shared, notes)
    counted_day = counted_from_day(offer, first)
    counted_from = max(shared[0], parse_midnight(counted_day, site.timezone, FROM_OPTION, 0))
    end = parse_midnight(last, site.timezone, TO_OPTION, 1)
    flows = metered_flows(named, *_whole_intervals(shared, counted_from, end, named), file)
    notes += flows.notes
    _refuse_gaps(flows, offer, site.timezone, file)
    if _has_monthly_tiers(offer) and counted_from.tz_convert(site.timezone).date().day > 1:
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
            f"Prices change inside the meter's intervals of {flows.step_minutes} minutes; the energy of an interval is "
            "spread evenly over it."
        )
    paper = printed_bill(exact, offer, money_digits(offer.currency))
    layouts = {str(path): one.layout for path, one in zip(options.meter, readings, strict=True)}
    return MeteredBill(offer, exact, paper, site, flows, layouts, tuple(notes))


def _with_hour_before_market_time(
    named: tuple[MeterReading, ...],
    options: BillOptions,
    readings: Sequence[MeterReading],
    timezone: str,
    shared: tuple[pd.Timestamp, pd.Timestamp],
    notes: list[str],
) -> tuple[tuple[MeterReading, ...], tuple[pd.Timestamp, pd.Timestamp]]:
    """Return the readings and their span from the local midnight of the first day, if that day is asked for.

    Days of NEM12 are market time: where the site has summer time, the first begins an hour after the local midnight.
    What is missing counts 0, and a note says so.
    """
    begin = shared[0].tz_convert(timezone)
    midnight = begin.normalize()
    first = None if options.first_day is None else parse_day(options.first_day, FROM_OPTION)
    is_market_time = all(reading.layout == NEM12_LAYOUT for reading in readings)
    if first != begin.date() or not is_market_time or not midnight < begin <= midnight + MOST_BEFORE_MARKET_TIME:
        return named, shared
    notes.append(
        "The file's days are market time (UTC+10), and its first begins "
        f"{local_text(begin.to_pydatetime(), timezone)}: what the meter counted from {midnight:%H:%M} to "
        f"{begin:%H:%M} that day is not in the file and counts 0 kWh."
    )
    midnight = midnight.tz_convert("UTC")
    return from_local_midnight(named, midnight, shared[0]), (midnight, shared[1])


def _asked(options: BillOptions, offer: Offer, timezone: str) -> DaysAsked:
    """Return the days whose values the bill needs: those asked for, from the first of the month where its kWh count."""
    first = None if options.first_day is None else parse_day(options.first_day, FROM_OPTION)
    last = None if options.last_day is None else parse_day(options.last_day, TO_OPTION)
    if first is not None:
        first = counted_from_day(offer, first)
    return DaysAsked(first, last, timezone)


def _without_generation(readings: tuple[MeterReading, ...]) -> tuple[MeterReading, ...]:
    """Return the readings without channels of generation, which do not appear on a bill."""
    kept = tuple(
        replace(reading, channels=tuple(each for each in reading.channels if each.kind != "generation"))
        for reading in readings
    )
    if not any(reading.channels for reading in kept):
        raise single_fault(METER_OPTION, "the files count only generation; expected import and export")
    return kept


def _has_monthly_tiers(offer: Offer) -> bool:
    """Return whether the offer has an import price for only the first kWh of a month."""
    return any(band.per == "month" and band.up_to_kwh is not None for band in offer.import_bands)


def _whole_intervals(
    shared: tuple[pd.Timestamp, pd.Timestamp],
    begin: pd.Timestamp,
    end: pd.Timestamp,
    readings: tuple[MeterReading, ...],
) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Return the span widened to whole intervals of the meter; a bill takes its part of the first and the last."""
    step = pd.Timedelta(minutes=max(channel.step_minutes for reading in readings for channel in reading.channels))
    before, beyond = (begin - shared[0]) % step, (shared[0] - end) % step
    return begin - before, end + beyond


def _refuse_unlike_spans(
    readings: tuple[MeterReading, ...],
    options: BillOptions,
    timezone: str,
    shared: tuple[pd.Timestamp, pd.Timestamp],
    file: str,
) -> None:
    """Refuse to leave out values that only some channels have, unless the days to bill are given."""
    begins: dict[str, pd.Timestamp] = {}
    ends: dict[str, pd.Timestamp] = {}
    for channel in (channel for reading in readings for channel in reading.channels):
        name, end = channel_text(channel), channel.start[-1] + pd.Timedelta(minutes=channel.step_minutes)
        begins[name] = min(channel.start[0], begins.get(name, channel.start[0]))
        ends[name] = max(end, ends.get(name, end))
    early = options.first_day is None and min(begins.values()) < shared[0]
    late = options.last_day is None and max(ends.values()) > shared[1]
    if not early and not late:
        return

    spans = "; ".join(
        f"{name} {local_text(begins[name], timezone)} to {local_text(ends[name], timezone)}" for name in begins
    )
    missing = " and ".join(option for option, wanted in ((FROM_OPTION, early), (TO_OPTION, late)) if wanted)
    raise single_fault(file, f"its channels have values over different times ({spans}); expected {missing}")


def _allowed(offer: Offer) -> str:
    """Return what can be billed, for the message where models.tariff.bill refuses."""
    if offer.demand_charges:
        minutes = " and ".join(str(each) for each in sorted({each.interval_minutes for each in offer.demand_charges}))
        return f"; expected meter intervals that divide {minutes} minutes, and days that its prices cover"
    return "; expected days that its prices cover"


def _offer_path(options: BillOptions) -> Path:
    """Return the path of the offer's file, which is relative to the working directory or else to the site's folder."""
    for path in (options.offer, options.site / options.offer):
        if file_problem(path) is None:
            return path
    raise single_fault(options.offer, f"{file_problem(options.offer)}; expected an offer's file")


def _days(
    options: BillOptions, timezone: str, shared: tuple[pd.Timestamp, pd.Timestamp], notes: list[str]
) -> tuple[date, date]:
    """Return the first and the last day to bill: those given, or the whole days of the meter's values."""
    begin, end = (instant.tz_convert(timezone) for instant in shared)
    first = begin.date() if begin == begin.normalize() else begin.date() + timedelta(days=1)
    last = end.date() - timedelta(days=1)

    if first > last:
        raise single_fault(METER_OPTION, "the files do not cover a whole local day; expected at least one")
    given_first = None if options.first_day is None else parse_day(options.first_day, FROM_OPTION)
    given_last = None if options.last_day is None else parse_day(options.last_day, TO_OPTION)
    if given_first is not None and given_last is not None and given_first > given_last:
        raise single_fault(TO_OPTION, f"{given_last} is before --from {given_first}; expected that day or later")
    faults = [
        Fault(option, None, None, f"{day} has no values; expected one of the meter's whole days, {first} to {last}")
        for option, day in ((FROM_OPTION, given_first), (TO_OPTION, given_last))
        if day is not None and not first <= day <= last
    ]
    if faults:
        raise InputFaults(faults)
    if given_first is None and begin != begin.normalize():
        hour = begin - begin.normalize() <= MOST_BEFORE_MARKET_TIME
        also = f"; {FROM_OPTION} {begin.date()} bills that day too, without what is missing" if hour else ""
        notes.append(f"The meter's first day is not whole; the bill begins on {first}{also}.")
    if given_last is None and end != end.normalize():
        notes.append(f"The meter's last day is not whole; the bill ends with {last}.")
    return given_first or first, given_last or last


def _refuse_gaps(flows: MeteredFlows, offer: Offer, timezone: str, file: str) -> None:
    """Refuse a span with gaps: a bill needs every value."""
    if not (np.isnan(flows.import_kwh).any() or np.isnan(flows.export_kwh).any()):
        return
    gaps = flows.gaps
    told = [
        Fault(file, None, None, f"{gap.channel} has no values {gap_text(gap, timezone)}")
        for gap in gaps[:MOST_GAPS_TOLD]
    ]
    more = f", the first {MOST_GAPS_TOLD} of {len(gaps)}" if len(gaps) > MOST_GAPS_TOLD else ""
    advice = f"a bill needs every value{more}; expected days without a gap, by {FROM_OPTION} and {TO_OPTION}"
    if _has_monthly_tiers(offer):
        advice += ", and without one since the first of their month, as the offer counts the kWh of a month"
    raise InputFaults([*told, Fault(file, None, None, advice)])


def _holidays(site: SiteClock, offer: Offer, first: date, last: date) -> frozenset[date]:
    if site.holiday_calendar is None or offer.holidays_count_as is None:
        return frozenset()
    return public_holidays(site.holiday_calendar, range(first.year - 1, last.year + 2))
