"""The one table of a hardware file: which keys there are and what each allows."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Annotated

from pydantic import AfterValidator, Field

from scheduler.textio.errors import shown
from scheduler.textio.toml_tables import Table
from scheduler.textio.toml_values import Currency, FormatOne, ZeroOrMore

LOWEST_RATE_PERCENT, HIGHEST_RATE_PERCENT = -99.0, 100.0
MOST_RATES = 9
_RATES_IN_WORDS = f"a list of 1 to {MOST_RATES} numbers from -99 to 100 that rise"


def _rising(rates: list[float]) -> list[float]:
    if not 1 <= len(rates) <= MOST_RATES or any(later <= earlier for earlier, later in pairwise(rates)):
        raise ValueError(f"found {shown(rates)}")
    return rates


YearlyPercent = Annotated[
    float, Field(ge=LOWEST_RATE_PERCENT, le=HIGHEST_RATE_PERCENT, description="a yearly rate from -99 to 100")
]
LifeYears = Annotated[int, Field(ge=1, le=100, description="a whole number of years from 1 to 100")]
YearlyPercents = Annotated[list[YearlyPercent], AfterValidator(_rising)]


class HardwareTable(Table):
    """The whole file."""

    format: FormatOne
    currency: Currency
    price: ZeroOrMore
    installation: ZeroOrMore
    plain_charger_price: ZeroOrMore
    grant: ZeroOrMore = 0.0
    life_years: LifeYears
    discount_rate_percent: YearlyPercent
    yearly_upkeep: ZeroOrMore = 0.0
    price_drift_percent: YearlyPercent = 0.0
    discount_rates_percent: YearlyPercents | None = Field(default=None, description=_RATES_IN_WORDS)
    price_drifts_percent: YearlyPercents | None = Field(default=None, description=_RATES_IN_WORDS)

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """A grant of more than the hardware costs."""
        costs = self.price + self.installation
        if self.grant > costs:
            yield (
                "grant",
                f"{shown(self.grant)} is over price and installation together; allowed is 0 to {costs:.12g}",
            )
