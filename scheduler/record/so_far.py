"""What the meter had counted when a night begins: energy towards tiers, and the month's peak, from settled nights.

Each way to use the car has a meter of its own, so that the nights of a month add up to its bill.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from models.tariff.offer import Band, TierPrices
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.planning_times import midnight
from scheduler.plans.metered_so_far import band_times, counted_kwh, counts_amounts
from scheduler.plans.saved_plan import SavedSoFar
from scheduler.record.settled import NightFlows, Way, flows_between
from scheduler.record.store import Record


def settled_so_far(record: Record, inputs: Inputs, way: Way, begin: datetime, told: SavedSoFar) -> SavedSoFar | None:
    """Return what the meter had counted one way when a night begins; None where the offer charges no amounts.

    What is counted since the start of the local day or month is known where settled nights cover all of that time.
    Elsewhere it is what the plan was told, and without that what the settled nights just before it have counted: a peak
    is charged once a month, and not again every night.

    Parameters
    ----------
    told : what the evening's plan was told.
    """
    if not counts_amounts(inputs.offer):
        return None
    timezone = inputs.site.timezone
    today = begin.astimezone(ZoneInfo(timezone)).date()
    day, month = midnight(today, timezone), midnight(today.replace(day=1), timezone)
    flows = _until(flows_between(record, way, month - timedelta(days=1), begin), begin)
    since = begin if len(flows.start) == 0 else flows.start[0].to_pydatetime()
    if since == begin:
        return told
    inside = np.asarray(flows.start >= pd.Timestamp(month))
    starts, offer = flows.start[inside], inputs.offer
    if len(starts) == 0:  # the night begins with the month
        return SavedSoFar(peak_kw=0.0, imported_kwh={}, exported_kwh={})
    prices = band_times(inputs, starts)
    now = pd.Timestamp(begin)

    def counted(
        name: str, tiers: tuple[TierPrices, ...], bands: tuple[Band, ...], told_kwh: dict[str, float] | None
    ) -> dict[str, float]:
        energy = counted_kwh({}, tiers, bands, flows.columns[name][inside], starts, now, timezone)
        known = {
            str(band): kwh
            for band, kwh in energy.items()
            if since <= (day if bands[band].per == "day" else month) or str(band) not in (told_kwh or {})
        }
        return (told_kwh or {}) | known

    peak_kw = told.peak_kw
    if offer.demand_charges:
        peak_kw = 0.0 if since <= month or told.peak_kw is None else told.peak_kw
        for charge, in_window in zip(offer.demand_charges, prices.in_demand_window, strict=True):
            interval = starts.as_unit("s").asi8 // (60 * charge.interval_minutes)
            _, first, mean_of = np.unique(interval, return_index=True, return_inverse=True)
            hours = np.bincount(mean_of, weights=flows.minutes[inside] / 60)
            means = np.bincount(mean_of, weights=flows.columns["import_kwh"][inside]) / hours
            peak_kw = max(peak_kw, float(means[in_window[first]].max(initial=0.0)))
    return SavedSoFar(
        peak_kw=peak_kw,
        imported_kwh=counted("import_kwh", prices.tiers("import"), offer.import_bands, told.imported_kwh),
        exported_kwh=counted("export_kwh", prices.tiers("export"), offer.export_bands, told.exported_kwh),
    )


def _until(flows: NightFlows, end: datetime) -> NightFlows:
    """Return the last intervals that follow each other without a gap until an instant; none if they end before."""
    starts = flows.start.as_unit("s").asi8
    ends = starts + 60 * flows.minutes
    if len(starts) == 0 or ends[-1] != int(end.timestamp()):
        kept = slice(len(starts), None)
    else:
        breaks = np.flatnonzero(ends[:-1] != starts[1:])
        kept = slice(int(breaks[-1]) + 1 if len(breaks) else 0, None)
    return NightFlows(
        flows.start[kept], flows.minutes[kept], {name: column[kept] for name, column in flows.columns.items()}
    )
