"""When the hardware is paid back by what the nights on record earned, with its range, and honest where it is never."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from models.tariff.investment import HardwareCase
from scheduler.inputs.hardware_file import Hardware
from scheduler.record.payoff import pay_off, pay_off_sentences
from scheduler.record.totals import Totals, totals
from tests.builders.settled import settled_night

ZONE = "Europe/Helsinki"


def hardware(price: float = 3000.0, life_years: int = 12, **more: float) -> Hardware:
    """A charger that costs so much more than a plain one."""
    case = HardwareCase(price, 0.0, 0.0, 0.0, life_years=life_years, discount_rate_percent=3.0, **more)
    return Hardware(case, "EUR", (3.0,), (0.0,))


def nights(count: int, earned: float = 1.0, low: float = 0.5, high: float = 1.5) -> Totals:
    return totals(
        settled_night(number, cost=3.0, cost_charge_only=3.0 + earned, earned_only_low=low, earned_only_high=high)
        for number in range(count)
    )


def test_even_nights_pay_back_after_the_years_that_their_sum_says() -> None:
    """At 1.00 a night, 3000 take 3000 nights; 2000 and 6000 at the ends of the range (a sum by hand)."""
    paid = pay_off(nights(56), hardware(life_years=20), ZONE)
    assert paid is not None
    since = date(2026, 3, 2)
    assert paid.since == since
    assert paid.paid_on is not None
    assert paid.earliest is not None
    assert paid.latest is not None
    assert abs((paid.paid_on - since).days - 3000) <= 1
    assert abs((paid.earliest - since).days - 2000) <= 1
    assert abs((paid.latest - since).days - 6000) <= 1
    assert paid.yearly == pytest.approx(365.25)


def test_days_without_a_plan_earn_nothing() -> None:
    """Every other evening planned is half as much a year."""
    every_other = totals(settled_night(2 * number, cost=3.0, cost_charge_only=4.0) for number in range(30))
    paid = pay_off(every_other, hardware(), ZONE)
    assert paid is not None
    assert paid.yearly == pytest.approx(365.25 * 30 / 59)


def test_nights_that_differ_widen_the_range() -> None:
    even = pay_off(nights(56, 1.0, 1.0, 1.0), hardware(), ZONE)
    uneven = totals(
        settled_night(number, cost_charge_only=3.0 + each, earned_only_low=each, earned_only_high=each)
        for number in range(56)
        for each in [2.0 if number // 7 % 2 else 0.0]
    )
    found = pay_off(uneven, hardware(), ZONE)
    assert even is not None
    assert found is not None
    assert (even.yearly_low, even.yearly_high) == pytest.approx((even.yearly, even.yearly))
    assert found.yearly == pytest.approx(even.yearly)
    assert found.yearly_low < found.yearly < found.yearly_high


def test_it_says_never_where_it_is_never() -> None:
    sentence, *rests = pay_off_sentences(pay_off(nights(56, 0.1, 0.0, 0.2), hardware(), ZONE), 56, hardware())
    assert sentence.startswith("The hardware never pays for itself within its life of 12 years")
    assert len(rests) == 2
    wide = pay_off_sentences(pay_off(nights(56, 0.1, 0.0, 5.0), hardware(), ZONE), 56, hardware())[0]
    assert "never within its life of 12 years; in the range of what is known from " in wide
    assert wide.endswith("to never.")
    late = pay_off_sentences(pay_off(nights(56, 1.0, 0.0, 5.0), hardware(), ZONE), 56, hardware())[0]
    assert late.startswith("The hardware pays for itself around ")
    assert late.endswith(" to never within its life of 12 years.")


def test_few_nights_tell_no_date_and_nothing_to_pay_back_is_said() -> None:
    assert pay_off(nights(27), hardware(), ZONE) is None
    assert pay_off_sentences(None, 27, hardware()) == ["No pay-off date is told from 27 nights; it takes 28."]
    free = hardware(0.0)
    assert "nothing to pay back" in pay_off_sentences(pay_off(nights(56), free, ZONE), 56, free)[0]


def test_a_season_stands_for_a_year_only_with_a_word() -> None:
    short = pay_off_sentences(pay_off(nights(60), hardware(), ZONE), 60, hardware())
    assert short[-1] == "60 nights over 60 days stand for every season of a year here."
    year = pay_off(nights(360), hardware(), ZONE)
    assert year is not None
    assert year.days == 360
    assert len(pay_off_sentences(year, 360, hardware())) == 2
    assert year.since + timedelta(days=359) == date(2027, 2, 24)
