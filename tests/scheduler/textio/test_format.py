"""Times, prices, money and amounts as a reader sees them."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.textio.format import (
    MINOR_UNIT_DIGITS,
    amount_text,
    clock_text,
    day_clock_text,
    money_digits,
    money_text,
    number_text,
    percent_text,
    power_text,
    price_range_text,
    price_text,
    rows_that_add_up,
    span_text,
)

DUBLIN = "Europe/Dublin"


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("price", "words"),
    [
        (0.3, "0.30"),
        (0.12, "0.12"),
        (0.125, "0.125"),
        (0.1234, "0.1234"),
        (0.12341, "0.1234"),
        (31.0, "31.00"),
        (10.0, "10.00"),
        (0.0, "0.00"),
        (-0.05, "−0.05"),
        (-1.5, "−1.50"),
    ],
)
def test_a_price_has_two_to_four_decimals(price: float, words: str) -> None:
    """Cents are always written, tenths and hundredths of a cent where there are any, a true minus below zero."""
    assert price_text(price) == words


def test_a_range_of_one_price_is_that_price() -> None:
    """Prices that read the same are written once, others as lowest to highest."""
    assert price_range_text([0.12, 0.12]) == "0.12"
    assert price_range_text([0.12, 0.120001]) == "0.12"
    assert price_range_text([0.34, 0.12, 0.2]) == "0.12 to 0.34"
    assert price_range_text([0.1, -0.02]) == "−0.02 to 0.10"


@pytest.mark.parametrize(
    ("kwh", "words"), [(12.34, "12.3 kWh"), (1.0, "1.0 kWh"), (0.94, "0.94 kWh"), (0.05, "0.05 kWh"), (0.0, "0.00 kWh")]
)
def test_small_amounts_have_a_decimal_more(kwh: float, words: str) -> None:
    """A tenth of a kWh is enough for a battery, but not for a small amount."""
    assert amount_text(kwh) == words


def test_a_power_has_one_decimal() -> None:
    """7.4 kW and 1.25 kW are set to a tenth of a kilowatt."""
    assert (power_text(7.4), power_text(2.0), power_text(3.14)) == ("7.4 kW", "2.0 kW", "3.1 kW")


# ISO 4217, table A.1 (list of 29 August 2018): all active codes whose minor unit is not 2
NO_MINOR_UNIT = "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF"
THOUSANDTHS = "BHD IQD JOD KWD LYD OMR TND"
TEN_THOUSANDTHS = "CLF UYW"


@pytest.mark.parametrize(
    ("currencies", "digits", "words"),
    [
        (NO_MINOR_UNIT, 0, "2"),
        (THOUSANDTHS, 3, "1.500"),
        (TEN_THOUSANDTHS, 4, "1.5000"),
        ("EUR AUD USD GBP HUF MGA BYN UYU", 2, "1.50"),
    ],
)
def test_the_digits_of_a_currency_are_those_of_its_minor_unit(currencies: str, digits: int, words: str) -> None:
    """1.5 in each currency of the table; the forint and the ariary have two digits in it, whatever is paid with.

    Source: ISO 4217, table A.1, 29 August 2018.
    """
    for currency in currencies.split():
        assert money_digits(currency) == digits, currency
        assert money_text(1.5, currency) == words, currency


def test_no_other_currency_has_digits_of_its_own() -> None:
    """The table of exceptions holds those of ISO 4217 and none besides."""
    assert sorted(MINOR_UNIT_DIGITS) == sorted(f"{NO_MINOR_UNIT} {THOUSANDTHS} {TEN_THOUSANDTHS}".split())


@pytest.mark.parametrize(
    ("amount", "currency", "words"),
    [
        (1.234, "EUR", "1.23"),
        (-1.236, "EUR", "−1.24"),
        (123.4, "JPY", "123"),
        (1.23456, "KWD", "1.235"),
        (0.5, "EUR", "0.50"),
    ],
)
def test_money_is_written_to_the_minor_unit(amount: float, currency: str, words: str) -> None:
    """As many digits as the currency has, and a true minus below zero."""
    assert money_text(amount, currency) == words


@pytest.mark.parametrize(
    ("amount", "currency", "words"),
    [(-0.0, "EUR", "0.00"), (-0.004, "EUR", "0.00"), (-0.4, "JPY", "0"), (-0.0004, "KWD", "0.000")],
)
def test_nothing_is_never_negative(amount: float, currency: str, words: str) -> None:
    """What rounds to nothing is written without a minus."""
    assert money_text(amount, currency) == words


def test_rows_are_rounded_so_that_they_add_up() -> None:
    """Three amounts of 10 cents in all: each rounded alone gives 9, the largest remainder takes the tenth.

    3.3 + 3.3 + 3.4 cents; rounded down 3 + 3 + 3, one short of 10, which goes to the row with 0.4 left over.
    """
    assert rows_that_add_up([0.033, 0.033, 0.034], 2) == pytest.approx([0.03, 0.03, 0.04])


def test_rows_below_zero_add_up_too() -> None:
    """4.6 − 1.3 + 0.0 cents are 3.3, so 3: rounded down 4, −2 and 0, one short, and 0.7 is the larger remainder."""
    assert rows_that_add_up([0.046, -0.013, 0.0], 2) == pytest.approx([0.04, -0.01, 0.0])


def test_no_rows_are_no_rows() -> None:
    """Nothing to round is no error."""
    assert rows_that_add_up([], 2) == []


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(-500, 500), max_size=7), st.sampled_from([0, 2, 3]))
def test_rounded_rows_sum_to_the_rounded_total(amounts: list[float], digits: int) -> None:
    """Any amounts: whole minor units that sum to the rounded total, each less than one off; nothing stays nothing."""
    unit = 10**digits
    rows = [row * unit for row in rows_that_add_up(amounts, digits)]
    exact = [amount * unit for amount in amounts]
    assert rows == pytest.approx([round(row) for row in rows], abs=1e-6)
    assert abs(sum(rows) - sum(exact)) <= 0.5 + 1e-6
    assert all(abs(row - amount) < 1 + 1e-9 for row, amount in zip(rows, exact, strict=True))
    assert all(row == 0 for row, amount in zip(rows, exact, strict=True) if amount == 0)


def test_a_clock_time_has_its_day_unless_it_is_today() -> None:
    """07:30 tomorrow is "Tue 07:30"; 20:00 on the day itself is "20:00", read in local time."""
    monday = utc("2026-03-02T18:20")
    assert clock_text(utc("2026-03-03T07:30"), DUBLIN) == "Tue 07:30"
    assert clock_text(utc("2026-03-03T07:30"), DUBLIN, monday) == "Tue 07:30"
    assert clock_text(utc("2026-03-02T20:00"), DUBLIN, monday) == "20:00"
    # 18:40 UTC is 00:10 of the next day at half past five hours east
    assert clock_text(utc("2026-03-02T18:40"), "Asia/Kolkata") == "Tue 00:10"
    assert clock_text(utc("2026-03-02T18:40"), "Asia/Kolkata", monday) == "Tue 00:10"


def test_a_doubled_hour_is_told_apart_by_its_offset() -> None:
    """On 25 October 2026 the clock shows 01:30 twice, first in summer time (UTC+1), then in winter time."""
    first, second = (clock_text(utc(f"2026-10-25T{clock}"), DUBLIN) for clock in ("00:30", "01:30"))
    assert first == "Sun 01:30 (UTC+0100)"
    assert second == "Sun 01:30 (UTC+0000)"
    assert clock_text(utc("2026-10-25T02:00"), DUBLIN) == "Sun 02:00"
    assert clock_text(utc("2026-10-24T23:59"), DUBLIN) == "Sun 00:59"


def test_a_doubled_half_hour_is_told_apart_too() -> None:
    """Lord Howe goes from 02:00 (UTC+11) back to 01:30 (UTC+10:30) on 5 April 2026."""
    # 01:45 at UTC+11 is 14:45 UTC the day before
    assert clock_text(utc("2026-04-04T14:45"), "Australia/Lord_Howe") == "Sun 01:45 (UTC+1100)"
    assert clock_text(utc("2026-04-04T15:15"), "Australia/Lord_Howe") == "Sun 01:45 (UTC+1030)"
    assert clock_text(utc("2026-04-04T14:15"), "Australia/Lord_Howe") == "Sun 01:15"


def test_a_span_names_its_second_day_only_if_it_is_another() -> None:
    """ "Tue 03:00 to 06:00", but "Mon 23:00 to Tue 06:00"; on the day of the plan no day at all."""
    monday = utc("2026-03-02T18:20")
    assert span_text(utc("2026-03-03T03:00"), utc("2026-03-03T06:00"), DUBLIN) == "Tue 03:00 to 06:00"
    assert span_text(utc("2026-03-02T23:00"), utc("2026-03-03T06:00"), DUBLIN) == "Mon 23:00 to Tue 06:00"
    assert span_text(utc("2026-03-02T19:00"), utc("2026-03-02T21:00"), DUBLIN, monday) == "19:00 to 21:00"
    assert span_text(utc("2026-03-02T23:00"), utc("2026-03-03T06:00"), DUBLIN, monday) == "23:00 to Tue 06:00"


def test_a_day_is_written_out() -> None:
    """Weekday, day without a leading zero, month and year, in local time."""
    assert day_clock_text(utc("2026-03-02T18:20"), DUBLIN) == "Monday 2 March 2026, 18:20"
    # summer time is an hour ahead, so this is already the first of July
    assert day_clock_text(utc("2026-06-30T23:05"), DUBLIN) == "Wednesday 1 July 2026, 00:05"


def shown(value: float) -> tuple[str, ...]:
    """A value in every way that numbers are written."""
    return (
        price_text(value),
        price_range_text([value, value]),
        amount_text(value),
        power_text(value),
        percent_text(value),
        money_text(value, "EUR"),
        money_text(value, "JPY"),
        number_text(value, 0),
        number_text(value, 4),
    )


@pytest.mark.parametrize("value", [-0.0, -0.00001, 0.0])
def test_nothing_reads_as_nothing(value: float) -> None:
    """No number is shown as minus nothing, whatever rounding left of it."""
    assert shown(value) == ("0.00", "0.00", "0.00 kWh", "0.0 kW", "0 %", "0.00", "0", "0", "0.0000")


def test_every_number_below_zero_has_the_true_minus_sign() -> None:
    """Prices, energies, powers, percentages and money alike."""
    assert shown(-3.0) == (
        *("−3.00", "−3.00", "−3.0 kWh", "−3.0 kW", "−3 %"),
        *("−3.00", "−3", "−3", "−3.0000"),
    )


@settings(max_examples=200, deadline=None)
@given(st.one_of(st.floats(-1000, 1000), st.floats(-0.6, 0.0)))
def test_a_minus_is_a_true_one_and_before_something(value: float) -> None:
    """Any number: no hyphen, a minus only below zero, and only before what does not read as nothing."""
    for words in shown(value):
        assert "-" not in words
        assert words.count("−") <= (value < 0)
        assert "−" not in words or re.search("[1-9]", words)
