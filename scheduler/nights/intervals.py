"""Cut the night into intervals inside which nothing changes, so that nothing is rounded to the hour."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray
from models.base.clock import local_clock
from models.site.connection import Connection, export_limits_kw
from models.tariff.offer import Offer, OfferPrices, SidePrices, TierPrices, offer_prices


@dataclass(frozen=True, slots=True, eq=False)
class Intervals:
    """Boundaries (UTC, shape (n + 1,)) and what holds between them, each array of shape (n,).

    Attributes
    ----------
    import_price, export_price : once every step is used up, tax included [money per kWh].
    offered : the offer's prices and rules, without tax.
    export_limit_kw : [kW], or None where no connection was given.
    """

    boundaries: pd.DatetimeIndex
    import_price: FloatArray
    export_price: FloatArray
    offered: OfferPrices
    export_limit_kw: FloatArray | None = None

    def boundary_at(self, instant: datetime) -> int:
        """Index of the boundary at an instant that was asked for."""
        return int(self.boundaries.get_indexer(pd.DatetimeIndex([instant]))[0])


def cut(
    now: datetime,
    end: datetime,
    timezone: str,
    step_minutes: int,
    offer: Offer,
    holidays: Collection[date],
    instants: Iterable[datetime] = (),
    connection: Connection | None = None,
) -> Intervals:
    """Boundaries and prices of a night.

    A boundary lies at now and the end, at every instant at which the local clock's minutes since midnight are a
    multiple of the step, at every change of an import or export price, of a rule of the offer or of the export limit,
    at each of `instants` inside the night, and where a mean of the demand charge begins if the step does not tell.

    Parameters
    ----------
    now, end : timezone-aware, whole minutes. step_minutes : [min]. holidays : local dates.

    Raises
    ------
    ValueError : an instant has no price.
    """
    first, last = pd.Timestamp(now).tz_convert("UTC"), pd.Timestamp(end).tz_convert("UTC")
    minutes = pd.date_range(first, last, freq="min", inclusive="left", unit="s")
    offered = offer_prices(offer, minutes, timezone, holidays)
    minute = local_clock(minutes, timezone).minute
    opens = np.asarray(minute % step_minutes == 0)
    limit = None if connection is None else export_limits_kw(connection, minutes, timezone)
    for values in _all_that_may_change(offered, limit):
        opens[1:] |= np.diff(values.astype(np.float64)) != 0
    charge = offer.demand_charge
    if charge is not None and charge.interval_minutes % step_minutes and step_minutes % charge.interval_minutes:
        opens |= offered.in_demand_window & (minute % charge.interval_minutes == 0)
    opens[0] = True
    inside = [pd.Timestamp(instant).tz_convert("UTC") for instant in instants]
    opens |= np.asarray(minutes.isin([instant for instant in inside if first <= instant < last]))
    boundaries = pd.DatetimeIndex([*minutes[opens], last]).as_unit("s")
    return Intervals(
        boundaries,
        offered.imports.beyond[opens] * offer.tax_factor("import"),
        offered.exports.beyond[opens] * offer.tax_factor("export"),
        _at_rows(offered, opens),
        None if limit is None else limit[opens],
    )


def _all_that_may_change(offered: OfferPrices, limit: FloatArray | None) -> list[FloatArray | BoolArray]:
    found: list[FloatArray | BoolArray] = [offered.no_grid_charging, offered.in_demand_window]
    for side in (offered.imports, offered.exports):
        found.append(side.beyond)
        for step in side.tiers:
            found += [step.holds, step.difference]
    return found if limit is None else [*found, limit]


def _at_rows(offered: OfferPrices, rows: BoolArray) -> OfferPrices:
    def of(side: SidePrices) -> SidePrices:
        steps = tuple(TierPrices(step.band, step.holds[rows], step.difference[rows]) for step in side.tiers)
        return SidePrices(side.beyond[rows], side.band[rows], steps)

    return OfferPrices(
        of(offered.imports), of(offered.exports), offered.no_grid_charging[rows], offered.in_demand_window[rows]
    )
