"""Cut the night into intervals within which nothing changes, so that nothing is rounded to the hour."""

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
    import_price, export_price : price once every tier is used up, tax included [money per kWh].
    offered : the offer's prices and rules, without tax.
    export_limit_kw : [kW], or None where no connection was given.
    """

    boundaries: pd.DatetimeIndex
    import_price: FloatArray
    export_price: FloatArray
    offered: OfferPrices
    export_limit_kw: FloatArray | None = None

    def boundary_at(self, instant: datetime) -> int:
        """Return the index of the boundary at one of the instants given to `cut`."""
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
    """Cut a night into intervals.

    A boundary lies at now and at the end, wherever the local clock's minutes since midnight are a multiple of
    `step_minutes`, at every change of an import or export price, of a rule of the offer or of the export limit, at each
    of `instants` inside the night, and where a mean of the demand charge begins if that is not a boundary already.

    Parameters
    ----------
    now, end : timezone-aware, whole minutes.
    step_minutes : longest interval [min].
    holidays : local dates.
    instants : further instants at which an interval must begin.

    Returns
    -------
    Boundaries and prices of n intervals.

    Raises
    ------
    ValueError : an instant has no price.

    Examples
    --------
    From 18:40 to 21:00 with a price that changes at 19:30:

    >>> from models.tariff.offer import Band
    >>> evening = Band(0.40, from_minute=19 * 60 + 30)
    >>> offer = Offer("Evening", "EUR", 0.0, import_bands=(Band(0.20), evening), export_bands=(Band(0.10),))
    >>> now = datetime.fromisoformat("2026-03-02T18:40+00:00")
    >>> night = cut(now, datetime.fromisoformat("2026-03-02T21:00+00:00"), "Europe/Dublin", 60, offer, ())
    >>> night.boundaries.strftime("%H:%M").tolist()
    ['18:40', '19:00', '19:30', '20:00', '21:00']
    >>> night.import_price.tolist()
    [0.2, 0.2, 0.4, 0.4]
    """
    first, last = pd.Timestamp(now).tz_convert("UTC"), pd.Timestamp(end).tz_convert("UTC")
    minutes = pd.date_range(first, last, freq="min", inclusive="left", unit="s")
    offered = offer_prices(offer, minutes, timezone, holidays)
    minute = local_clock(minutes, timezone).minute
    opens = np.asarray(minute % step_minutes == 0)
    limit = None if connection is None else export_limits_kw(connection, minutes, timezone)
    for values in _all_that_may_change(offered, limit):
        opens[1:] |= np.diff(values.astype(np.float64)) != 0
    for charge, in_window in zip(offer.demand_charges, offered.in_demand_window, strict=True):
        if charge.interval_minutes % step_minutes and step_minutes % charge.interval_minutes:
            opens |= in_window & (minute % charge.interval_minutes == 0)
    opens[0] = True
    inside = [pd.Timestamp(instant).tz_convert("UTC") for instant in instants]
    opens |= np.asarray(minutes.isin([instant for instant in inside if first <= instant < last]))
    boundaries = pd.DatetimeIndex([*minutes[opens], last]).as_unit("s")
    return Intervals(
        boundaries,
        offered.beyond(offer, "import")[opens],
        offered.beyond(offer, "export")[opens],
        _at_rows(offered, opens),
        None if limit is None else limit[opens],
    )


def _all_that_may_change(offered: OfferPrices, limit: FloatArray | None) -> list[FloatArray | BoolArray]:
    """Return every array, by minute, whose change needs a boundary."""
    found: list[FloatArray | BoolArray] = [offered.no_grid_charging, *offered.in_demand_window]
    for side in (*offered.imports, *offered.exports):
        found.append(side.beyond)
        for tier in side.tiers:
            found += [tier.holds, tier.difference]
    return found if limit is None else [*found, limit]


def _at_rows(offered: OfferPrices, rows: BoolArray) -> OfferPrices:
    """Return the prices and rules of some minutes alone."""

    def of(side: SidePrices) -> SidePrices:
        tiers = tuple(TierPrices(tier.band, tier.holds[rows], tier.difference[rows]) for tier in side.tiers)
        return SidePrices(side.beyond[rows], side.band[rows], tiers, side.part)

    return OfferPrices(
        tuple(map(of, offered.imports)),
        tuple(map(of, offered.exports)),
        offered.no_grid_charging[rows],
        tuple(window[rows] for window in offered.in_demand_window),
    )
