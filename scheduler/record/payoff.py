"""When the hardware has paid for itself, going by the nights on record, and how sure that is.

The hardware's case is that of `overnight compare`: its saving is what a bidirectional charger earns beyond a plain one
that charges at the best times. A year is taken to be like the days on record, those without a plan among them. The
range goes from the wear law that is worst for it and the lower end of a 95 % range over weeks to the best and the upper
end.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from models.base.arrays import FloatArray
from models.base.bootstrap import FEWEST_WEEKS, bootstrap_range
from models.tariff.investment import cash_flow_by_year, payback_years
from scheduler.inputs.hardware_file import Hardware
from scheduler.record.settled import SettledNight
from scheduler.record.totals import Totals
from scheduler.textio.format import money_text

DAYS_A_YEAR = 365.25
FEWEST_NIGHTS = 7 * FEWEST_WEEKS
"""With fewer nights than this no pay-off date is told."""
MOST_OF_A_YEAR = 330
"""Nights over fewer days than this say little about the other months."""


@dataclass(frozen=True, slots=True)
class PayOff:
    """When the hardware has paid for itself, if every year is like the days on record.

    Attributes
    ----------
    since : the first day on record, from which the years count. nights, days : how many there are, and over how many.
    yearly, yearly_low, yearly_high : what it saves in a year, and the ends of the range [money].
    paid_on, earliest, latest : when it is paid back; None: never within its life.
    life_years : of the hardware [a].
    """

    since: date
    nights: int
    days: int
    yearly: float
    yearly_low: float
    yearly_high: float
    paid_on: date | None
    earliest: date | None
    latest: date | None
    life_years: int


def pay_off(found: Totals, hardware: Hardware, timezone: str) -> PayOff | None:
    """Return when the hardware has paid for itself; None where there are too few nights to say."""
    if found.count < FEWEST_NIGHTS:
        return None
    zone = ZoneInfo(timezone)
    since, last = (night.begin.astimezone(zone).date() for night in (found.nights[0], found.nights[-1]))
    nights_a_year = DAYS_A_YEAR * found.count / _planned_days(found)

    def yearly(figure: Callable[[SettledNight], float]) -> float:
        return sum(map(figure, found.nights)) / found.count * nights_a_year

    low = bootstrap_range(_weekly(found, lambda night: night.earned_only_low))
    high = bootstrap_range(_weekly(found, lambda night: night.earned_only_high))
    middle = yearly(lambda night: night.earned_charge_only)
    lowest = middle if low is None else min(middle, low[0] / found.count * nights_a_year)
    highest = middle if high is None else max(middle, high[1] / found.count * nights_a_year)

    def paid_back(saving: float) -> date | None:
        years = payback_years(cash_flow_by_year(hardware.case, saving))
        return None if years is None else since + timedelta(days=years * DAYS_A_YEAR)

    return PayOff(
        since=since,
        nights=found.count,
        days=(last - since).days + 1,
        yearly=middle,
        yearly_low=lowest,
        yearly_high=highest,
        paid_on=paid_back(middle),
        earliest=paid_back(highest),
        latest=paid_back(lowest),
        life_years=hardware.case.life_years,
    )


def _planned_days(found: Totals) -> float:
    """Return over how many days the nights are, the days without one between them included."""
    return max(1.0, (found.nights[-1].end - found.nights[0].begin).total_seconds() / 86_400)


def _weekly(found: Totals, figure: Callable[[SettledNight], float]) -> FloatArray:
    """Return the sums of seven nights each; nights left over join the last."""
    amounts = [figure(night) for night in found.nights]
    weeks = len(amounts) // 7
    edges = [*range(0, 7 * weeks, 7), len(amounts)]
    return np.array([sum(amounts[begin:end]) for begin, end in pairwise(edges)])


def pay_off_sentences(paid: PayOff | None, count: int, hardware: Hardware) -> list[str]:
    """Return what to tell of the pay-off: when, the range, and what it rests on."""
    if paid is None:
        return [f"No pay-off date is told from {count} nights; it takes {FEWEST_NIGHTS}."]
    currency = hardware.currency
    if hardware.case.extra_outlay <= 0:
        return ["The hardware costs no more than a plain charger: there is nothing to pay back."]
    life = f"its life of {paid.life_years} year{'' if paid.life_years == 1 else 's'}"
    if paid.earliest is None:
        when = f"The hardware never pays for itself within {life}, not even at the best end of the range"
    else:
        middle = f"never within {life}" if paid.paid_on is None else f"around {paid.paid_on:%B %Y}"
        latest = f"never within {life}" if paid.latest is None else f"{paid.latest:%B %Y}"
        when = f"The hardware pays for itself {middle}; in the range of what is known from {paid.earliest:%B %Y} to "
        when += "never" if paid.latest is None and paid.paid_on is None else latest
    yearly, low, high = (money_text(each, currency) for each in (paid.yearly, paid.yearly_low, paid.yearly_high))
    rests = (
        f"That is at {yearly} {currency} a year ({low} to {high}) beyond a plain charger that charges at the best "
        f"times, counted from {paid.since.day} {paid.since:%B %Y}."
    )
    few = f"{paid.nights} nights over {paid.days} days stand for every season of a year here."
    return [f"{when}.", rests, *([few] if paid.days < MOST_OF_A_YEAR else [])]
