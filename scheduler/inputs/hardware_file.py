"""Read a hardware file in TOML strictly: what a bidirectional charger costs beyond a plain one, and its life."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, Field

from models.tariff.investment import HardwareCase
from scheduler.textio.bounds import MONEY, RATE_PERCENT
from scheduler.textio.errors import Fault, InputFaults, in_line_order, shown
from scheduler.textio.toml_tables import Table, check_table, read_toml
from scheduler.textio.toml_values import Currency, FormatOne

STEPS_AROUND_PERCENT = (-4.0, -2.0, 0.0, 2.0, 4.0)
"""Rates shown around the file's own where it lists none [percentage points]."""

MOST_RATES = 9
_RATES_TEXT = f"a list of 1 to {MOST_RATES} numbers, {RATE_PERCENT.text}, in rising order"


def _rising(rates: list[float]) -> list[float]:
    if not 1 <= len(rates) <= MOST_RATES or any(later <= earlier for earlier, later in pairwise(rates)):
        raise ValueError(f"found {shown(rates)}")
    return rates


YearlyPercent = Annotated[float, RATE_PERCENT]
LifeYears = Annotated[int, Field(ge=1, le=100, description="a whole number of years from 1 to 100")]
YearlyPercents = Annotated[list[YearlyPercent], AfterValidator(_rising)]


class HardwareTable(Table):
    """The whole file."""

    format: FormatOne
    currency: Currency
    price: Annotated[float, MONEY]
    installation: Annotated[float, MONEY]
    plain_charger_price: Annotated[float, MONEY]
    grant: Annotated[float, MONEY] = 0.0
    life_years: LifeYears
    discount_rate_percent: YearlyPercent
    yearly_upkeep: Annotated[float, MONEY] = 0.0
    price_drift_percent: YearlyPercent = 0.0
    discount_rates_percent: YearlyPercents | None = Field(default=None, description=_RATES_TEXT)
    price_drifts_percent: YearlyPercents | None = Field(default=None, description=_RATES_TEXT)

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Refuse a grant of more than the hardware costs."""
        costs = self.price + self.installation
        if self.grant > costs:
            yield (
                "grant",
                f"{shown(self.grant)} is over price and installation together; expected 0 to {costs:.12g}",
            )


@dataclass(frozen=True, slots=True)
class Hardware:
    """A hardware file.

    Attributes
    ----------
    case : the costs, the life and the rates.
    currency : of all amounts, three capital letters (ISO 4217).
    discount_rates_percent, price_drifts_percent : rates for the table of present values [% a year], rising.
    """

    case: HardwareCase
    currency: str
    discount_rates_percent: tuple[float, ...]
    price_drifts_percent: tuple[float, ...]


def read_hardware(path: Path) -> Hardware:
    """Read the hardware that a file describes.

    Raises
    ------
    InputFaults : every fault of the file.
    """
    document = read_toml(path)
    faults: list[Fault] = []
    table = check_table(document, (), HardwareTable, faults)
    if faults or table is None:
        raise InputFaults(in_line_order(faults))
    case = HardwareCase(
        price=table.price,
        installation=table.installation,
        plain_charger_price=table.plain_charger_price,
        grant=table.grant,
        life_years=table.life_years,
        discount_rate_percent=table.discount_rate_percent,
        yearly_upkeep=table.yearly_upkeep,
        price_drift_percent=table.price_drift_percent,
    )
    return Hardware(
        case=case,
        currency=table.currency,
        discount_rates_percent=tuple(table.discount_rates_percent or _discount_rates(case.discount_rate_percent)),
        price_drifts_percent=tuple(table.price_drifts_percent or _around(case.price_drift_percent)),
    )


def _around(percent: float) -> tuple[float, ...]:
    """Return the rate and its neighbours [% a year], without impossible ones."""
    rates = [round(percent + step, 6) for step in STEPS_AROUND_PERCENT]
    return tuple(rate for rate in rates if RATE_PERCENT.accepts(rate))


def _discount_rates(percent: float) -> tuple[float, ...]:
    """Return the rate and its neighbours [% a year]; negative ones only if the rate itself is negative."""
    return tuple(rate for rate in _around(percent) if rate >= min(0.0, percent))
