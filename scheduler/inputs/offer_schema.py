"""The tables of an offer's file: their keys, and what is expected of each."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any

from pydantic import Field

from scheduler.inputs.time_window_schema import TimeWindowTable
from scheduler.textio.bounds import (
    CONNECTION_KW,
    FEE,
    MARKET_FACTOR,
    MONTHLY_FEE,
    PRICE_PER_KW,
    PRICE_PER_KWH,
    SO_FAR_KW,
    TAX_PERCENT,
    TIER_KWH,
    plain,
)
from scheduler.textio.toml_tables import Table
from scheduler.textio.toml_values import (
    BILL_LINES,
    Clock,
    Currency,
    Day,
    DemandMinutes,
    FormatOne,
    KnownUntil,
    Name,
    TaxCovers,
    YesOrNo,
)

MOST_BANDS = 200
"""Bands of one side."""
MOST_TAXES, MOST_CHARGES, MOST_LOOK_BACK_MONTHS = 20, 20, 24
LINES_TEXT = f"a list of lines of the bill, each once: {', '.join(map(repr, BILL_LINES))}".replace("'", '"')
AnyTable = Annotated[dict[str, Any], Field(description="one table")]
PER_DAY, PER_MONTH, FIRST_PER_DAY = "up_to_kwh_per_day", "up_to_kwh_per_month", "first_kwh_per_day"


ORDINARY_PRICES = {
    **dict.fromkeys(("AUD", "CAD", "CHF", "EUR", "GBP", "NZD", "SGD", "USD"), 3.0),
    **dict.fromkeys(("DKK", "NOK", "SEK"), 15.0),
    **{"BRL": 10.0, "CZK": 40.0, "PLN": 10.0, "ZAR": 25.0},
}
"""What no kWh of a household costs, by currency [money per kWh]: several times what is usual, and far less than the
same price in hundredths of the unit. From memory; a currency that is not here has no such limit."""


def price_problem(price: float, currency: str, allowed_by: str = "allow_high_prices = true") -> str | None:
    """Return what is wrong with a price that is too high for its currency [money per kWh], or None.

    Parameters
    ----------
    allowed_by : what says that such a price is meant.

    Examples
    --------
    >>> price_problem(34, "EUR")
    '34 is over 3 EUR per kWh; expected less, or also allow_high_prices = true; did you mean 0.34?'
    >>> price_problem(340, "EUR").rpartition("; ")[2], price_problem(34, "JPY")
    ('did you mean 0.34 (per kWh, not per MWh)?', None)
    """
    most = ORDINARY_PRICES.get(currency)
    if most is None or abs(price) <= most:
        return None
    if abs(price) / 100 <= most / 3:
        meant = f"; did you mean {price / 100:.6g}?"
    else:
        meant = f"; did you mean {price / 1000:.6g} (per kWh, not per MWh)?" if abs(price) / 1000 <= most else ""
    where = f"over {most:g}" if price > 0 else f"under -{most:g}"
    return f"{plain(price)} is {where} {currency} per kWh; expected less, or also {allowed_by}{meant}"


class OfferTable(Table):
    """The whole file."""

    format: FormatOne
    name: Name
    currency: Currency
    daily_fee: Annotated[float, FEE]
    public_holidays_count_as: Day | None = Field(default=None, description='a day: "mon" to "sun"')
    allow_high_prices: YesOrNo = False
    tax_percent: Annotated[float, TAX_PERCENT] | None = None
    tax_covers: TaxCovers | None = Field(
        default=None,
        description=LINES_TEXT,
    )
    taxes: list[dict[str, Any]] = Field(
        alias="tax", default=[], max_length=MOST_TAXES, description=f"up to {MOST_TAXES} [[tax]] tables"
    )
    monthly_fee: Annotated[float, MONTHLY_FEE] | None = None
    connection_fee: AnyTable | None = Field(default=None, description="one [connection_fee] table")
    discount: AnyTable | None = Field(default=None, description="one [discount] table")
    market: AnyTable | None = Field(default=None, description="one [market] table")
    demand_charge: dict[str, Any] | list[dict[str, Any]] | None = Field(
        default=None, description=f"one [demand_charge] table, or 1 to {MOST_CHARGES} [[demand_charge]] tables"
    )
    import_bands: list[dict[str, Any]] = Field(
        alias="import", min_length=1, max_length=MOST_BANDS, description=f"1 to {MOST_BANDS} [[import]] tables"
    )
    export_bands: list[dict[str, Any]] = Field(
        alias="export", default=[], max_length=MOST_BANDS, description=f"up to {MOST_BANDS} [[export]] tables"
    )

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Refuse a tax that covers nothing, and taxed lines without a tax."""
        if self.tax_percent is not None and self.tax_covers is None:
            covers = self.__class__.model_fields["tax_covers"].description
            yield "tax_covers", f"missing, and required where there is a tax_percent: {covers}"
        if self.tax_covers is not None and self.tax_percent is None:
            yield "tax_percent", f"missing, and required where there is a tax_covers: {TAX_PERCENT.text}"
        if self.demand_charge is None and self.tax_covers is not None and "demand_charge" in self.tax_covers:
            yield "tax_covers", "it covers a demand charge, but there is none; expected a [demand_charge] table"
        if isinstance(self.demand_charge, list) and not 0 < len(self.demand_charge) <= MOST_CHARGES:
            yield "demand_charge", f"found {len(self.demand_charge)} tables; expected 1 to {MOST_CHARGES}"


class BandTable(TimeWindowTable):
    """What `[[import]]` and `[[export]]` share."""

    name: Name | None = Field(default=None, description="text on one line, not empty")
    part: Name | None = Field(default=None, description='the name of a part of the price, such as "network"')
    price_per_kwh: Annotated[float, PRICE_PER_KWH] | None = None
    follows_market: YesOrNo = False
    multiply: Annotated[float, MARKET_FACTOR] | None = None
    add_per_kwh: Annotated[float, PRICE_PER_KWH] | None = None

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Refuse a band with two prices, or none."""
        yield from TimeWindowTable.contradictions(self)
        if self.follows_market and self.price_per_kwh is not None:
            yield "price_per_kwh", "the band follows the market too; expected one of the two"
        if not self.follows_market:
            if self.price_per_kwh is None:
                yield "price_per_kwh", f"missing, and required unless follows_market = true: {PRICE_PER_KWH.text}"
            for key in ("multiply", "add_per_kwh"):
                if getattr(self, key) is not None:
                    yield key, "this is for a band that follows the market; expected follows_market = true"


class ImportTable(BandTable):
    """One `[[import]]`."""

    up_to_kwh_per_day: Annotated[float, TIER_KWH] | None = None
    up_to_kwh_per_month: Annotated[float, TIER_KWH] | None = None

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Refuse a tier with two limits."""
        yield from BandTable.contradictions(self)
        if self.up_to_kwh_per_day is not None and self.up_to_kwh_per_month is not None:
            yield PER_MONTH, f"there is {PER_DAY} as well; expected one of the two"


class ExportTable(BandTable):
    """One `[[export]]`."""

    first_kwh_per_day: Annotated[float, TIER_KWH] | None = None
    no_grid_charging: YesOrNo = False


class DemandTable(TimeWindowTable):
    """`[demand_charge]`, or one `[[demand_charge]]`."""

    name: Name | None = Field(default=None, description="text on one line, not empty")
    price_per_kw_month: Annotated[float, PRICE_PER_KW]
    interval_minutes: DemandMinutes
    least_billed_kw: Annotated[float, SO_FAR_KW] = 0.0
    highest_of_months: Annotated[int, Field(ge=1, le=MOST_LOOK_BACK_MONTHS)] = Field(
        default=1, description=f"a whole number of months, 1 to {MOST_LOOK_BACK_MONTHS}, this one included"
    )


class TaxTable(Table):
    """One `[[tax]]`."""

    percent: Annotated[float, TAX_PERCENT]
    covers: TaxCovers = Field(description=LINES_TEXT)
    part: Name | None = Field(default=None, description='the name of a part of the price, such as "network"')


class DiscountTable(Table):
    """`[discount]`."""

    percent: Annotated[float, TAX_PERCENT]
    covers: TaxCovers = Field(description=LINES_TEXT)


class ConnectionFeeTable(Table):
    """`[connection_fee]`."""

    price_per_kw_month: Annotated[float, PRICE_PER_KW]
    kw: Annotated[float, CONNECTION_KW]


class MarketTable(Table):
    """`[market]`."""

    file: Annotated[str, Field(description="a file, relative to the offer's folder")]
    multiply: Annotated[float, MARKET_FACTOR] = 1.0
    add_per_kwh: Annotated[float, PRICE_PER_KWH] = 0.0
    known_until: KnownUntil
    published_at: Clock | None = Field(default=None, description='a clock time "00:00" to "23:59", in quotes')
