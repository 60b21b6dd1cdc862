"""Market prices that are not published yet, drawn from the same past days as load and solar.

What is drawn is how far the market price of a past day was off the mean of those days in the same hour, on top of the
price that the plan takes as typical. So the samples' mean is the forecast in every hour, as it is for the sun: the days
reach further back than the forecast, and the hours after a Friday are a Saturday's tonight and a Tuesday's on some of
them. On a year of published prices that comes nearer to what was published than the past prices themselves
(tests/benchmarks/README.md, Forecasts). From the market price the offer's own formula makes what a kWh costs and earns.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray
from models.site.series import Series
from models.tariff.market import MarketPrices
from models.tariff.offer import Offer, OfferPrices, offer_prices
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.build_night import holidays_tonight
from scheduler.nights.market_forecast import prices_known_until
from scheduler.nights.night import Night
from scheduler.nights.request import Request

SIDES: tuple[Literal["import", "export"], ...] = ("import", "export")


@dataclass(frozen=True, slots=True, eq=False)
class SampledPrices:
    """How market prices of S past days were off what a night of n intervals takes as typical, where it is not known.

    Attributes
    ----------
    more_per_kwh : market price on top of the typical one, 0 where it is published [money per kWh], shape (S, n).
    import_share, export_share : how much of it a kWh bought costs more, and a kWh sold earns more, by the offer's
        factors, taxes and discount [-], shape (n,).
    tier_share : how much of it the difference of each tier of the night grows by [-], shape (tiers, n).
    """

    more_per_kwh: FloatArray
    import_share: FloatArray
    export_share: FloatArray
    tier_share: FloatArray

    def first(self, count: int) -> SampledPrices:
        """Return those of the first days, at most so many."""
        return replace(self, more_per_kwh=self.more_per_kwh[:count])

    def of_all(self, night: Night) -> tuple[FloatArray, FloatArray]:
        """Return import and export prices of all samples, beyond every tier [money per kWh], shape (S, n)."""
        return (
            night.import_price + self.import_share * self.more_per_kwh,
            night.export_price + self.export_share * self.more_per_kwh,
        )

    def priced(self, night: Night, sample: int) -> Night:
        """Return a night at the prices of one sample."""
        more_per_kwh = self.more_per_kwh[sample]
        tiers = tuple(
            replace(tier, difference=tier.difference + share * more_per_kwh) if share.any() else tier
            for tier, share in zip(night.tiers, self.tier_share, strict=True)
        )
        return replace(
            night,
            import_price=night.import_price + self.import_share * more_per_kwh,
            export_price=night.export_price + self.export_share * more_per_kwh,
            tiers=tiers,
        )


def unpublished(inputs: Inputs, evening: Request, night: Night) -> BoolArray:
    """Return in which intervals of a night the offer's market price was not published when it was planned, shape (n,).

    Nowhere with an offer that follows no market.
    """
    market = inputs.offer.market
    if market is None or evening.forecast == "recorded":
        return np.zeros(night.intervals, dtype=np.bool_)
    known = prices_known_until(market, evening, night.timezone)
    return np.asarray(night.boundaries[:-1] >= known, dtype=np.bool_)


@lru_cache(maxsize=4)
def market_series(market: MarketPrices) -> Series:
    """Return market prices as a series whose means over time can be taken, its values in money per kWh."""
    return Series(market.start, market.price_per_kwh, market.step_minutes)


def sampled_prices(inputs: Inputs, night: Night, where: BoolArray, past_per_kwh: FloatArray) -> SampledPrices:
    """Return the market prices of past days as what they come to under the offer tonight.

    Parameters
    ----------
    inputs, night : the site's inputs, with an offer that follows a market, and the night with its typical prices.
    where : the intervals in which the market price is drawn, shape (n,).
    past_per_kwh : mean market price of each past day in them [money per kWh], shape (S, number of them).
    """
    more = np.zeros((len(past_per_kwh), night.intervals))
    more[:, where] = past_per_kwh - past_per_kwh.mean(axis=0)
    nothing, one = (_offered(inputs, night, price) for price in (0.0, 1.0))  # every price is linear in the market's
    offer = inputs.offer

    def difference(of: Callable[[OfferPrices], FloatArray]) -> FloatArray:
        return np.where(where, of(one) - of(nothing), 0.0)

    import_share, export_share = (difference(lambda each, side=side: each.beyond(offer, side)) for side in SIDES)  # type: ignore[misc]
    tier_share = np.zeros((len(night.tiers), night.intervals))
    for number, tier in enumerate(night.tiers):
        share = difference(lambda each, tier=tier: _tier_price(offer, each, tier.side, tier.band))  # type: ignore[misc]
        tier_share[number] = np.where(tier.holds, share, 0.0)
    return SampledPrices(more, import_share, export_share, tier_share)


def _offered(inputs: Inputs, night: Night, price_per_kwh: float) -> OfferPrices:
    """Return the offer's prices over a night if the market price were the same in all of it [money per kWh]."""
    assert inputs.offer.market is not None
    begin, end = night.boundaries[0], night.boundaries[-1]
    minutes = int((end - begin) // pd.Timedelta(minutes=1)) + 1
    market = replace(
        inputs.offer.market,
        start=night.boundaries[:1],
        price_per_kwh=np.array([price_per_kwh]),
        step_minutes=minutes,
    )
    holidays = holidays_tonight(inputs, begin.to_pydatetime(), end.to_pydatetime())
    return offer_prices(replace(inputs.offer, market=market), night.boundaries[:-1], night.timezone, holidays)


def _tier_price(offer: Offer, prices: OfferPrices, side: Literal["import", "export"], band: int) -> FloatArray:
    """Return a tier's difference, discount and taxes included [money per kWh], shape (n,)."""
    bands = offer.import_bands if side == "import" else offer.export_bands
    found = next(tier for tier in prices.tiers(side) if tier.band == band)
    return found.difference * offer.factor(side, bands[band].part)
