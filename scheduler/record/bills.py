"""Bills of whole local days over settled flows, beside the meter's own.

Only the plans' flows are billed: each night of the other ways begins from the state of charge that the car really had,
so that their nights do not follow from each other, and a bill over many of them would be nobody's.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import reduce
from math import gcd
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from models.base.calendars import public_holidays
from models.tariff.bill import GridFlows, bill
from scheduler.inputs.site_inputs import Inputs
from scheduler.metering.align_channels import MeteredFlows
from scheduler.nights.planning_times import midnight
from scheduler.record.settled import NightFlows, flows_between, settled_nights
from scheduler.record.store import Record


@dataclass(frozen=True, slots=True)
class BilledDays:
    """Whole local days in a row that settled nights cover, and their bill, fees included [money].

    Attributes
    ----------
    first, last : both included.
    by_plans : of the car used as the plans said.
    by_meter : of what the meter itself counted; None without a meter, or where it has gaps.
    """

    first: date
    last: date
    by_plans: float
    by_meter: float | None


def billed_days(record: Record, inputs: Inputs, metered: MeteredFlows | None = None) -> list[BilledDays]:
    """Return the bills of all whole local days that the nights settled under the site's offer cover, run by run."""
    nights = [night for night in settled_nights(record) if night.offer == inputs.offer.name]
    runs: list[tuple[datetime, datetime]] = []
    for night in nights:
        if runs and runs[-1][1] == night.begin:
            runs[-1] = (runs[-1][0], night.end)
        else:
            runs.append((night.begin, night.end))
    found = []
    for begin, end in runs:
        days = _whole_days(begin, end, inputs.site.timezone)
        if days is not None:
            found.append(_billed(record, inputs, *days, metered))
    return found


def _whole_days(begin: datetime, end: datetime, timezone: str) -> tuple[date, date] | None:
    """Return the first and the last whole local day of a span; None without one."""
    zone = ZoneInfo(timezone)
    first, beyond = begin.astimezone(zone).date(), end.astimezone(zone).date()
    if midnight(first, timezone) < begin:
        first += timedelta(days=1)
    return (first, beyond - timedelta(days=1)) if first < beyond else None


def _billed(record: Record, inputs: Inputs, first: date, last: date, metered: MeteredFlows | None) -> BilledDays:
    timezone = inputs.site.timezone
    begin, end = midnight(first, timezone), midnight(last + timedelta(days=1), timezone)
    counted_from = begin.astimezone(ZoneInfo(timezone)).replace(day=1)
    by_plans = _total(inputs, grid_flows(flows_between(record, "plan", begin, end), begin, end), first, last)
    by_meter = None
    if metered is not None:
        inside = np.asarray((metered.start >= pd.Timestamp(counted_from)) & (metered.start < pd.Timestamp(end)))
        flows = GridFlows(
            metered.start[inside], metered.step_minutes, metered.import_kwh[inside], metered.export_kwh[inside]
        )
        known = inside.any() and not np.isnan(np.concatenate([flows.import_kwh, flows.export_kwh])).any()
        if known and flows.start[0] <= pd.Timestamp(begin) and flows.end >= pd.Timestamp(end):
            by_meter = _total(inputs, flows, first, last)
    return BilledDays(first, last, by_plans, by_meter)


def _total(inputs: Inputs, flows: GridFlows, first: date, last: date) -> float:
    calendar, offer = inputs.site.holiday_calendar, inputs.offer
    holidays = frozenset[date]()
    if calendar is not None and offer.holidays_count_as is not None:
        holidays = public_holidays(calendar, range(first.year - 1, last.year + 2))
    return bill(offer, flows, inputs.site.timezone, first, last + timedelta(days=1), holidays).total


def grid_flows(flows: NightFlows, begin: datetime, end: datetime) -> GridFlows:
    """Return import and export between two instants in equal intervals; the energy of an interval is spread evenly.

    Parameters
    ----------
    flows : of intervals that start in the span; the last may end later. None begins before it.

    Raises
    ------
    ValueError : they do not cover the span.
    """
    starts = flows.start.as_unit("s").asi8
    first, last = int(begin.timestamp()), int(end.timestamp())
    lengths = 60 * flows.minutes
    if len(starts) == 0 or starts[0] != first or (starts[1:] != (starts + lengths)[:-1]).any():
        raise ValueError("the flows do not cover the span")
    step = reduce(gcd, [*lengths.tolist(), last - first])
    parts = lengths // step
    seconds = np.repeat(starts, parts) + np.concatenate([np.arange(count) for count in parts]) * step
    inside = seconds < last
    energy = {name: np.repeat(flows.columns[name] / parts, parts)[inside] for name in ("import_kwh", "export_kwh")}
    index = pd.DatetimeIndex(seconds[inside].view("datetime64[s]"), tz="UTC")
    return GridFlows(index, step // 60, energy["import_kwh"], energy["export_kwh"])
