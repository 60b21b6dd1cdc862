"""The case for the hardware as an owner reads it; the amounts are worked out by hand beside each test."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from models.tariff.investment import HardwareCase, hardware_worth, worth_by_rate_and_drift
from scheduler.comparison.hardware_text import hardware_sentences, hardware_table, worth_table
from scheduler.inputs.hardware_file import Hardware
from scheduler.textio.format import money_text

CASE = HardwareCase(
    price=4950.0,
    installation=1100.0,
    plain_charger_price=1300.0,
    grant=600.0,
    life_years=12,
    discount_rate_percent=0.0,
)
"""Extra outlay 4150; 500 a year pays that back after 8 years and 150 / 500 of the ninth."""
TWO_YEARS = replace(CASE, price=1000.0, installation=0.0, plain_charger_price=0.0, grant=0.0, life_years=2)

cases = st.builds(
    HardwareCase,
    price=st.floats(0, 1e9),
    installation=st.floats(0, 5000),
    plain_charger_price=st.floats(0, 3000),
    grant=st.floats(0, 3000),
    life_years=st.integers(1, 100),
    discount_rate_percent=st.floats(-99, 100),
    yearly_upkeep=st.floats(0, 300),
    price_drift_percent=st.floats(-99, 100),
)


def hardware(case: HardwareCase = CASE, currency: str = "EUR", **changes: float) -> Hardware:
    return Hardware(replace(case, **changes), currency, (0.0, 5.0), (-2.0, 0.0, 1.5))


def rows_of(one: Hardware, saving: float) -> dict[str, str]:
    rows = hardware_table(one, saving).texts
    assert len(dict(rows)) == len(rows)
    return dict(rows)


def test_rows_without_interest() -> None:
    """Outlay, saving, payback and what 12 · 500 - 4150 = 1850 leaves; price may rise by that much."""
    rows = rows_of(hardware(), 500.0)
    earns = rows.pop("What the extra outlay earns in the hardware")
    assert rows == {
        "The hardware": "4950.00 EUR",
        "Installation": "1100.00 EUR",
        "Less a plain charger, needed anyway": "−1300.00 EUR",
        "Less the grant": "−600.00 EUR",
        "Extra outlay": "4150.00 EUR",
        "Saving in the first year": "500.00 EUR",
        "Life": "12 years",
        "Pays for itself after": "8.3 years",
        "What money earns elsewhere": "0 % a year",
        "Left over at the end of its life": "1850.00 EUR",
        "Highest price at which the hardware still pays": "6800.00 EUR",
    }
    rate = float(earns.removesuffix(" % a year")) / 100
    assert 500 * (1 - (1 + rate) ** -12) / rate == pytest.approx(4150, rel=5e-3)


def test_rows_with_interest_upkeep_and_rising_prices() -> None:
    """1000 that brings 110 and then 1210 earns 15.6 %; at 10 % it is paid back after 1.9 years and leaves 100.

    By hand: saving 160 less 50, then 160 · 7.875 = 1260 less 50; 110 / 1.1 + 1210 / 1.21 = 1100. The rate solves
    1000 z² - 110 z - 1210 = 0, so z = (110 + √(12100 + 4840000)) / 2000 = 1.1564.
    """
    one = hardware(TWO_YEARS, discount_rate_percent=10.0, yearly_upkeep=50.0, price_drift_percent=687.5)
    rows = rows_of(one, 160.0)
    assert rows["Upkeep a year, taken off the saving"] == "50.00 EUR"
    assert rows["Yearly change of energy prices, and so of the saving"] == "+687.5 %"
    assert rows["Pays for itself after"] == "1.7 years"  # 890 of the second year's 1210
    assert rows["What money earns elsewhere"] == "10 % a year"
    assert rows["What the extra outlay earns in the hardware"] == "15.6 % a year"
    assert rows["Pays for itself after, counting what the outlay would earn elsewhere"] == "1.9 years"
    beyond = "Left over at the end of its life, beyond what the money would earn elsewhere, in today's money"
    assert rows[beyond] == "100.00 EUR"
    assert rows["Highest price at which the hardware still pays"] == "1100.00 EUR"
    assert hardware_sentences(one, 160.0) == (
        "The hardware pays for itself after 1.7 years of its 2.",
        "Compared with money that earns 10 % a year elsewhere, it pays for itself after 1.9 years and leaves 100.00 "
        "EUR more over its life, in today's money.",
    )


@pytest.mark.parametrize(
    ("changes", "saving", "first", "second"),
    [
        (
            {},
            500.0,
            "The hardware pays for itself after 8.3 years of its 12.",
            "Over its life it brings in 1850.00 EUR more than it costs.",
        ),
        (
            {},
            300.0,  # 12 · 300 = 3600, of 4150
            "The hardware never pays for itself within its life of 12 years.",
            "Over its life it brings in 550.00 EUR less than it costs.",
        ),
        (
            {"life_years": 1},
            4150.0,
            "The hardware pays for itself after 1.0 years of its one year.",
            "Over its life it brings in just what it costs.",
        ),
        (
            {"life_years": 1},
            -20.0,
            "The hardware never pays for itself within its life of 1 year.",
            "Over its life it brings in 4170.00 EUR less than it costs.",
        ),
        (
            {"life_years": 1, "discount_rate_percent": 25.0},
            5187.5,  # 5187.5 / 1.25 = 4150
            "The hardware pays for itself after 0.8 years of its one year.",
            "Compared with money that earns 25 % a year elsewhere, it comes out even over its life.",
        ),
        (
            {"life_years": 1, "discount_rate_percent": 25.0},
            4500.0,  # 3600 today
            "The hardware pays for itself after 0.9 years of its one year.",
            "Compared with money that earns 25 % a year elsewhere, it does not pay: over its life it loses 550.00 EUR, "
            "in today's money.",
        ),
        (
            {"life_years": 1, "discount_rate_percent": -50.0},
            2075.0,  # 4150 today
            "The hardware never pays for itself within its life of 1 year.",
            "Compared with money that loses 50 % a year elsewhere, it comes out even over its life.",
        ),
        (
            {"price": 800.0},
            10.0,
            "After the grant the hardware costs no more than a plain charger: there is nothing to pay back.",
            "Over its life it brings in 120.00 EUR more than it costs.",
        ),
        (
            {"price": 200.0, "grant": 0.0, "discount_rate_percent": 4.0},
            0.0,
            "The hardware costs no more than a plain charger: there is nothing to pay back.",
            "Compared with money that earns 4 % a year elsewhere, it comes out even over its life.",
        ),
        (
            {"price": 100.0, "grant": 0.0},
            -10.0,  # 100 saved at first, then 12 · 10 lost
            "The hardware costs no more than a plain charger, but within its life of 12 years it loses more than that "
            "leaves.",
            "Over its life it brings in 20.00 EUR less than it costs.",
        ),
        (
            {},
            400_000.0,
            "The hardware pays for itself after less than 0.1 years of its 12.",
            "Over its life it brings in 4795850.00 EUR more than it costs.",
        ),
    ],
)
def test_two_plain_sentences(changes: dict[str, float], saving: float, first: str, second: str) -> None:
    """When it pays for itself, if ever, and how it stands against the money's other use."""
    assert hardware_sentences(hardware(**changes), saving) == (first, second)


def test_when_nothing_comes_back() -> None:
    """Without any saving there is no payback and no rate, and not even a gift would pay where upkeep is dear."""
    rows = rows_of(hardware(yearly_upkeep=200.0, discount_rate_percent=3.0), 0.0)
    assert rows["Pays for itself after"] == "never within its life"
    assert rows["Pays for itself after, counting what the outlay would earn elsewhere"] == "never within its life"
    assert rows["What the extra outlay earns in the hardware"] == "no rate: the extra outlay never comes back"
    assert rows["Highest price at which the hardware still pays"] == "none: it would not pay even as a gift"


def test_where_there_is_no_outlay() -> None:
    """What costs no more than a plain charger has nothing to pay back and so no rate."""
    rows = rows_of(hardware(price=800.0), 100.0)
    assert rows["Extra outlay"] == "0.00 EUR"
    assert rows["Pays for itself after"] == "nothing to pay back"
    assert rows["What the extra outlay earns in the hardware"] == "no rate: there is no extra outlay"


def test_where_several_rates_fit() -> None:
    """-800, +2000, -1200 fits 0 and 50 %: the one nearer to 0 first, and every one told.

    By hand: 2000 - 1200 = 800, and 2000 / 1.5 - 1200 / 2.25 = 1333.33 - 533.33 = 800. A saving of 5000 falls by 64 % to
    1800; less an upkeep of 3000 these are 2000 and -1200.
    """
    one = hardware(TWO_YEARS, price=800.0, yearly_upkeep=3000.0, price_drift_percent=-64.0)
    rows = rows_of(one, 5000.0)
    assert (
        rows["What the extra outlay earns in the hardware"]
        == "0.0 % a year, the nearest to 0 of 2 rates that fit (0.0 %, 50.0 %)"
    )


@pytest.mark.parametrize(("saving", "words"), [(10_900.0, "990.0 % a year"), (12_000.0, "over 1000 % a year")])
def test_a_very_high_rate_is_not_written_out(saving: float, words: str) -> None:
    """1000 that brings 10 900 in a year earns 990 %; 12 000 would be 1100 %."""
    rows = rows_of(hardware(TWO_YEARS, life_years=1), saving)
    assert rows["What the extra outlay earns in the hardware"] == words


def test_the_table_of_other_rates() -> None:
    """A row for each rate, a column for each price change, each the worth that models gives."""
    one = hardware(TWO_YEARS, currency="JPY")
    table = worth_table(one, 600.0)
    assert "JPY" in table.caption
    assert table.headings == ("", "−2 %", "0 %", "+1.5 %")
    assert [name for name, *_ in table.texts] == ["0 %", "5 %"]
    assert table.texts[0][1:] == ("188", "200", "209")  # 600 · 1.98, 1200, 600 · 2.015, less 1000
    amounts = worth_by_rate_and_drift(one.case, 600.0, (0.0, 5.0), (-2.0, 0.0, 1.5))
    assert table.texts[1][1:] == tuple(money_text(amount, "JPY") for amount in amounts[1].tolist())


def test_amounts_beyond_counting_are_not_written_out() -> None:
    """A hundred years at -99 % give amounts of two hundred digits, which no table holds."""
    one = Hardware(replace(CASE, life_years=100), "EUR", (-99.0,), (0.0,))
    assert worth_table(one, 500.0).texts == (("−99 %", "over 1000000000000"),)
    assert worth_table(one, -500.0).texts == (("−99 %", "under −1000000000000"),)


@given(cases, st.floats(-1e6, 1e6), st.sampled_from(["EUR", "JPY", "KWD"]))
def test_any_case_in_words(case: HardwareCase, saving: float, currency: str) -> None:
    """Every case has short rows and two sentences, its outlay adds up as shown, and words and worth agree."""
    one = hardware(case, currency)
    rows = hardware_table(one, saving).texts
    assert all(words and value and len(value) < 120 for words, value in rows)
    by_text = dict(rows)
    last = list(by_text).index("Extra outlay")
    shown = [Decimal(value.removesuffix(f" {currency}").replace("−", "-")) for _, value in rows[: last + 1]]
    assert sum(shown[:-1]) == shown[-1]
    first, second = hardware_sentences(one, saving)
    worth = hardware_worth(case, saving)
    paid = worth.simple_payback_years is not None
    assert paid == (" pays for itself after " in first or "nothing to pay back" in first)
    assume(abs(worth.net_present_value) > 0.5)
    assert (worth.net_present_value < 0) == (" it loses " in second or second.endswith(" less than it costs."))
    assert (worth.net_present_value > 0) == (" more" in second)
