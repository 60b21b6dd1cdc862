"""Bills by hand: each rule of an offer with its arithmetic shown; all offers and figures are invented.

How each rule reads is common practice on printed tariff sheets; the arithmetic beside each check is the source of its
value.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from models.base.time_window import TimeWindow
from models.tariff.bill import Bill, GridFlows, bill, export_credit, import_cost, printed_bill, rounded
from models.tariff.market import MarketPrices
from models.tariff.offer import Band, ConnectionFee, DemandCharge, Discount, Offer, Tax, offer_prices
from tests.builders.flows import flows

DUBLIN = "Europe/Dublin"
EVERYTHING = frozenset({"import", "export", "daily_fee", "demand_charge"})


def clock(hour: int, minute: int = 0) -> int:
    return 60 * hour + minute


def offer(*bands: Band, exports: tuple[Band, ...] = (), **changes: object) -> Offer:
    return replace(Offer("invented", "EUR", 0.0, bands or (Band(0.30),), exports), **changes)  # type: ignore[arg-type]


def bill_of(tariff: Offer, metered: GridFlows, begin: str, end: str, zone: str = "UTC") -> Bill:
    return bill(tariff, metered, zone, date.fromisoformat(begin), date.fromisoformat(end))


def amounts(made: Bill, kind: str) -> list[float]:
    return [line.amount for line in made.lines if line.kind == kind]


def quantities(made: Bill, kind: str) -> list[tuple[int | None, float]]:
    return [(line.band, round(line.quantity, 9)) for line in made.lines if line.kind == kind]


def test_by_hand() -> None:
    """1 h of 2 kW at 0.30, 0.5 h of 4 kW at 0.10 and 0.25 h of 4 kW at -0.05 cost 0.60, 0.20 and -0.05."""
    hours, power = np.array([1.0, 0.5, 0.25]), np.array([2.0, 4.0, 4.0])
    assert import_cost(hours, power, np.array([0.30, 0.10, -0.05])) == pytest.approx([0.60, 0.20, -0.05])


def test_credit_by_hand() -> None:
    """Exported energy earns its price, and costs where that is below zero."""
    hours, power = np.array([1.0, 0.5]), np.array([3.0, 3.0])
    assert export_credit(hours, power, np.array([0.25, -0.02])) == pytest.approx([0.75, -0.03])


def test_bands_and_fee() -> None:
    """A day at 1 kWh an hour: 8 h at night x 0.12 = 0.96, 16 h x 0.34 = 5.44, one day's fee 0.74; 7.14 in total."""
    tariff = offer(Band(0.34), Band(0.12, clock(23), clock(7)), daily_fee=0.74)
    made = bill_of(tariff, flows("2026-01-14", 1), "2026-01-14", "2026-01-15")
    assert quantities(made, "import") == [(0, 16.0), (1, 8.0)]
    assert amounts(made, "import") == pytest.approx([5.44, 0.96])
    assert made.total == pytest.approx(7.14)


def test_a_price_that_changes_inside_a_meter_step() -> None:
    """Hourly 2 kWh, a band that ends at 06:30: half of that hour's energy, 1 kWh, is in it; 6.5 h x 2 = 13 kWh."""
    tariff = offer(Band(0.30), Band(0.10, 0, clock(6, 30)))
    made = bill_of(tariff, flows("2026-01-14", 1, 2.0), "2026-01-14", "2026-01-15")
    assert quantities(made, "import") == [(0, 35.0), (1, 13.0)]


def test_a_zone_half_an_hour_off() -> None:
    """In Kolkata, 5:30 ahead of UTC, UTC hours straddle local hours; a band of 06:00 to 07:00 still gets one hour."""
    tariff = offer(Band(0.30), Band(0.10, clock(6), clock(7)))
    start = pd.date_range("2026-01-13T18:00Z", periods=25, freq="h").as_unit("s")
    metered = GridFlows(start, 60, np.ones(25), np.zeros(25))
    made = bill_of(tariff, metered, "2026-01-14", "2026-01-15", "Asia/Kolkata")
    assert quantities(made, "import") == [(0, 23.0), (1, 1.0)]


@pytest.mark.parametrize(
    ("day", "after", "hours"), [("2026-03-29", "2026-03-30", 23), ("2026-10-25", "2026-10-26", 25)]
)
def test_clock_changes(day: str, after: str, hours: int) -> None:
    """The day of 23 and the day of 25 hours in Dublin: so many kWh at 1 kW, and one daily fee."""
    made = bill_of(offer(daily_fee=1.0), flows(day, 1, zone=DUBLIN), day, after, DUBLIN)
    assert quantities(made, "import") == [(0, hours)]
    assert amounts(made, "daily_fee") == [1.0]


def test_steps_of_a_day() -> None:
    """30 kWh a day, 0.20 up to 10 kWh, 0.30 up to 24 kWh, 0.40 beyond: 10 x 0.20 + 14 x 0.30 + 6 x 0.40 = 8.60."""
    tariff = offer(Band(0.40), Band(0.30, up_to_kwh=24), Band(0.20, up_to_kwh=10))
    made = bill_of(tariff, flows("2026-01-14", 2, 1.25), "2026-01-14", "2026-01-16")
    assert quantities(made, "import") == [(0, 12.0), (1, 28.0), (2, 20.0)]
    assert made.total == pytest.approx(2 * 8.60)


def test_a_step_edge_inside_a_meter_step() -> None:
    """4 kWh an hour against a tier of 10 kWh: the third hour is half inside. 10 x 0.20 + 86 x 0.40 = 36.40."""
    tariff = offer(Band(0.40), Band(0.20, up_to_kwh=10))
    made = bill_of(tariff, flows("2026-01-14", 1, 4.0), "2026-01-14", "2026-01-15")
    assert made.total == pytest.approx(36.40)


def test_a_tier_counts_only_its_own_hours() -> None:
    """A peak band later in the list: its 4 h do not count towards the tier, so 20 kWh of other hours fill its 8 kWh.

    8 x 0.20 + 12 x 0.30 + 4 x 0.50 = 7.20.
    """
    tariff = offer(Band(0.30), Band(0.20, up_to_kwh=8), Band(0.50, clock(17), clock(21)))
    made = bill_of(tariff, flows("2026-01-14", 1), "2026-01-14", "2026-01-15")
    assert quantities(made, "import") == [(0, 12.0), (1, 8.0), (2, 4.0)]
    assert made.total == pytest.approx(7.20)


def test_steps_of_a_month_begin_anew() -> None:
    """24 kWh a day, 0.20 up to 100 kWh a month: 30 and 31 January cost 0.40 throughout, 1 February 0.20.

    Counted from 1 January, by the 30th 29 x 24 = 696 kWh are used: 48 x 0.40 = 19.20, then 24 x 0.20 = 4.80.
    """
    tariff = offer(Band(0.40), Band(0.20, up_to_kwh=100, per="month"))
    made = bill_of(tariff, flows("2026-01-01", 40), "2026-01-30", "2026-02-02")
    assert amounts(made, "import") == pytest.approx([19.20, 0.0, 0.0, 4.80])


def test_first_kwh_of_export() -> None:
    """10 kWh sent from 18:00 to 20:00, 0.50 on the first 8 kWh a day, else 0.05: 8 x 0.50 + 2 x 0.05 = 4.10 a day."""
    exports = (Band(0.05), Band(0.50, clock(18), clock(21), up_to_kwh=8))
    sent = [5.0 if hour in (18, 19) else 0.0 for hour in range(24)]
    made = bill_of(offer(exports=exports), flows("2026-01-14", 2, 0.0, sent), "2026-01-14", "2026-01-16")
    assert quantities(made, "export") == [(0, 4.0), (1, 16.0)]
    assert made.sum_of("export") == pytest.approx(-8.20)


def test_export_that_is_not_paid_is_on_the_bill() -> None:
    """Export outside every band is a line of its own at no price."""
    made = bill_of(
        offer(exports=(Band(0.5, clock(18), clock(20)),)), flows("2026-01-14", 1, 0.0, 1.0), "2026-01-14", "2026-01-15"
    )
    assert quantities(made, "export") == [(0, 2.0), (None, 22.0)]
    assert made.sum_of("export") == pytest.approx(-1.0)


def demand_offer(**changes: object) -> Offer:
    window = TimeWindow(clock(15), clock(21), frozenset(range(5)))
    return offer(Band(0.0), demand_charges=(DemandCharge(9.00, 30, window),), **changes)


def test_demand_charge() -> None:
    """Highest half hour on weekdays from 15:00 to 21:00: quarters of 2 and 0.5 kWh make 5 kW, x 9.00 = 45.00.

    The 3 kWh in the quarter at 21:00, and Saturday's, do not count.
    """
    metered = flows("2026-01-01", 31, 0.1, step_minutes=15)
    energy = metered.import_kwh
    quarter = {wall: row for row, wall in enumerate(metered.start.strftime("%m-%d %H:%M"))}
    energy[quarter["01-14 18:30"]], energy[quarter["01-14 18:45"]] = 2.0, 0.5
    energy[quarter["01-14 21:00"]] = energy[quarter["01-17 18:00"]] = 3.0
    energy[quarter["01-20 17:45"]] = energy[quarter["01-20 18:00"]] = 1.4  # 1.5 kWh in each half hour: 3 kW
    made = bill_of(demand_offer(), metered, "2026-01-01", "2026-02-01")
    line = next(line for line in made.lines if line.kind == "demand_charge")
    assert (line.quantity, line.amount) == pytest.approx((5.0, 45.0))


def test_a_month_billed_in_part_pays_its_days_of_the_demand_charge() -> None:
    """2 kW throughout, 10 of April's 30 days: 2 x 9.00 x 10 / 30 = 6.00; then all of May: 18.00."""
    made = bill_of(demand_offer(), flows("2026-04-21", 41, 1.0, step_minutes=30), "2026-04-21", "2026-06-01")
    assert amounts(made, "demand_charge") == pytest.approx([6.00, 18.00])


def test_hours_after_midnight_belong_to_the_month_in_which_the_window_began() -> None:
    """A January window from 22:00 to 06:00 reaches into 1 February: its peak there is January's, charged once."""
    window = TimeWindow(clock(22), clock(6), months=frozenset({1}))
    metered = flows("2026-01-01", 59, 1.0)
    metered.import_kwh[31 * 24 + 3] = 4.0  # 1 February, 03:00
    made = bill_of(
        offer(Band(0.0), demand_charges=(DemandCharge(9.0, 60, window),)), metered, "2026-01-01", "2026-03-01"
    )
    assert amounts(made, "demand_charge") == pytest.approx([4.0 * 9.0])
    february = bill_of(
        offer(Band(0.0), demand_charges=(DemandCharge(9.0, 60, window),)), metered, "2026-02-01", "2026-03-01"
    )
    assert amounts(february, "demand_charge") == []


def test_no_demand_charge_without_its_window() -> None:
    """A month without a day in the window has no such line."""
    winter = replace(demand_offer(), demand_charges=(DemandCharge(9.0, 30, TimeWindow(months=frozenset({7}))),))
    made = bill_of(winter, flows("2026-01-01", 31, step_minutes=30), "2026-01-01", "2026-02-01")
    assert amounts(made, "demand_charge") == []


def test_intervals_too_long_for_the_demand_charge() -> None:
    """Hourly energy does not give the mean of half an hour."""
    with pytest.raises(ValueError, match="means over 30 minutes"):
        bill_of(demand_offer(), flows("2026-01-01", 31), "2026-01-01", "2026-02-01")


def test_summer_and_winter_have_demand_charges_of_their_own() -> None:
    """5 kW on 3 January in the evening x 8.00, 2 kW at other times x 1.50; in July 3 kW x 4.00 in the afternoon."""
    winter = DemandCharge(8.00, 60, TimeWindow(clock(17), clock(21), months=frozenset({1, 2, 12})))
    summer = DemandCharge(4.00, 60, TimeWindow(clock(12), clock(18), months=frozenset({6, 7, 8})), name="Summer")
    tariff = offer(Band(0.0), demand_charges=(winter, summer, DemandCharge(1.50, 60)))
    january = flows("2026-01-01", 31, 2.0)
    january.import_kwh[2 * 24 + 18] = 5.0
    assert amounts(bill_of(tariff, january, "2026-01-01", "2026-02-01"), "demand_charge") == [5 * 8.00, 5 * 1.50]
    july = flows("2026-07-01", 31, 2.0)
    july.import_kwh[4 * 24 + 13] = 3.0
    july.import_kwh[4 * 24 + 20] = 4.0  # in no season's hours
    made = bill_of(tariff, july, "2026-07-01", "2026-08-01")
    assert [(line.band, line.quantity, line.amount) for line in made.lines if line.kind == "demand_charge"] == [
        (1, 3.0, 12.00),
        (2, 4.0, 6.00),
    ]


def test_a_least_demand_is_billed_in_each_month_of_its_window() -> None:
    """2 kW all month, 6 kW billed at least: 6 x 9.00, with no hour at which it was drawn; 7 kW are billed as 7."""
    tariff = offer(Band(0.0), demand_charges=(DemandCharge(9.00, 60, least_kw=6.0),))
    (line,) = [
        each
        for each in bill_of(tariff, flows("2026-01-01", 31, 2.0), "2026-01-01", "2026-02-01").lines
        if each.kind == "demand_charge"
    ]
    assert (line.quantity, line.amount, line.at) == (6.0, 54.00, None)
    high = flows("2026-01-01", 31, 2.0)
    high.import_kwh[100] = 7.0
    assert amounts(bill_of(tariff, high, "2026-01-01", "2026-02-01"), "demand_charge") == [63.00]


def test_the_highest_of_the_last_twelve_months_is_billed() -> None:
    """9 kW in January 2025 are billed until December 2025, then the 4 kW of June 2025 until May 2026, then 2 kW."""
    metered = flows("2025-01-01", 546, 2.0)  # to 30 June 2026
    metered.import_kwh[10 * 24] = 9.0
    metered.import_kwh[(date(2025, 6, 20) - date(2025, 1, 1)).days * 24 + 5] = 4.0
    tariff = offer(Band(0.0), demand_charges=(DemandCharge(10.0, 60, look_back_months=12),))
    made = bill_of(tariff, metered, "2025-03-01", "2026-07-01")
    assert amounts(made, "demand_charge") == [90.0] * 10 + [40.0] * 5 + [20.0]


def test_fees_by_the_month_and_by_the_connection() -> None:
    """10 of January's 31 days: 12.40 x 10 / 31 = 4.00, and 14 kW x 1.55 x 10 / 31 = 7.00."""
    tariff = offer(Band(0.0), monthly_fee=12.40, connection_fee=ConnectionFee(1.55, 14.0))
    made = bill_of(tariff, flows("2026-01-01", 31), "2026-01-05", "2026-01-15")
    assert amounts(made, "monthly_fee") == pytest.approx([4.00])
    assert amounts(made, "connection_fee") == pytest.approx([7.00])


def test_a_discount_comes_before_the_tax() -> None:
    """24 kWh x 0.25 = 6.00 and a fee of 2.00; 10 % off import is 0.60; 20 % tax on 5.40 + 2.00 is 1.48: 8.88 to pay.

    To the cent, line by line: the same.
    """
    covers = frozenset({"import", "daily_fee"})
    tariff = offer(
        Band(0.25), daily_fee=2.0, discount=Discount(10.0, frozenset({"import"})), taxes=(Tax(20.0, covers),)
    )
    made = bill_of(tariff, flows("2026-01-14", 1), "2026-01-14", "2026-01-15")
    assert [(line.kind, round(line.amount, 9)) for line in made.lines] == [
        ("daily_fee", 2.00),
        ("import", 6.00),
        ("discount", -0.60),
        ("tax", 1.48),
    ]
    assert printed_bill(made, tariff, 2).total == pytest.approx(8.88)
    assert tariff.factor("import") == pytest.approx(0.9 * 1.2)


def test_network_and_energy_have_prices_and_taxes_of_their_own() -> None:
    """Energy 0.20, at night 0.12; network 0.10 from 16:00 to 21:00 alone, 1 kWh an hour.

    Energy 16 x 0.20 + 8 x 0.12 = 4.16, network 5 x 0.10 = 0.50; 10 % on all of it 0.466, 50 % more on network 0.25.
    """
    tariff = offer(
        Band(0.20, part="energy"),
        Band(0.12, clock(23), clock(7), part="energy"),
        Band(0.10, clock(16), clock(21), part="network"),
        taxes=(Tax(10.0, frozenset({"import"})), Tax(50.0, frozenset({"import"}), "network")),
    )
    made = bill_of(tariff, flows("2026-01-14", 1), "2026-01-14", "2026-01-15")
    assert amounts(made, "import") == pytest.approx([3.20, 0.96, 0.50])
    assert amounts(made, "tax") == pytest.approx([0.466, 0.25])
    assert [line.band for line in made.lines if line.kind == "tax"] == [0, 1]
    found = offer_prices(tariff, pd.DatetimeIndex(["2026-01-14T12:00Z", "2026-01-14T18:00Z"]), "UTC")
    assert found.beyond(tariff, "import") == pytest.approx([0.22, 0.22 + 0.10 * 1.6])


def test_tax_on_some_lines() -> None:
    """24 kWh x 0.30 = 7.20 and a fee of 0.80 make 8.00; 25 % on both 2.00; 2 kWh sold at 0.10 are not covered."""
    tariff = offer(exports=(Band(0.10),), daily_fee=0.80, taxes=(Tax(25.0, frozenset({"import", "daily_fee"})),))
    made = bill_of(tariff, flows("2026-01-14", 1, 1.0, [2.0] + [0.0] * 23), "2026-01-14", "2026-01-15")
    tax = next(line for line in made.lines if line.kind == "tax")
    assert (tax.quantity, tax.amount) == pytest.approx((8.00, 2.00))
    assert made.total == pytest.approx(8.00 + 2.00 - 0.20)


def market(price: list[float], step_minutes: int = 60, begin: str = "2026-01-14T00:00Z") -> MarketPrices:
    start = pd.date_range(begin, periods=len(price), freq=f"{step_minutes}min").as_unit("s")
    return MarketPrices(start, np.array(price), step_minutes, 1440, clock(14))


def test_market_prices() -> None:
    """Factor 1.2 on hourly prices, and 0.05 on each kWh. 0.10 for 12 h, -0.20 for 12 h at 1 kWh:

    12 x (0.12 + 0.05) + 12 x (-0.24 + 0.05) = 2.04 - 2.28 = -0.24.
    """
    prices = market([0.10] * 12 + [-0.20] * 12)
    tariff = offer(Band(0.05, market_factor=1.2), market=prices)
    made = bill_of(tariff, flows("2026-01-14", 1), "2026-01-14", "2026-01-15")
    assert made.total == pytest.approx(-0.24)
    line = made.lines[-1]
    assert (line.quantity, line.unit_price) == pytest.approx((24.0, -0.01))


def test_quarter_hour_market_and_hourly_meter() -> None:
    """An hour's kWh is spread over its four quarter-hour prices: 24 x (0.10 + 0.20 + 0.30 + 0.40) / 4 = 6.00."""
    tariff = offer(Band(0.0, market_factor=1.0), market=market([0.10, 0.20, 0.30, 0.40] * 24, 15))
    assert bill_of(tariff, flows("2026-01-14", 1), "2026-01-14", "2026-01-15").total == pytest.approx(6.00)


def test_a_market_that_does_not_reach() -> None:
    """An instant without a market price is an error that names it."""
    tariff = offer(Band(0.0, market_factor=1.0), market=market([0.1] * 23))
    with pytest.raises(ValueError, match="market prices of offer 'invented' have none at 2026-01-14T23:00"):
        bill_of(tariff, flows("2026-01-14", 1), "2026-01-14", "2026-01-15")


def test_public_holidays() -> None:
    """On a public holiday, a Tuesday, the Sunday band holds: 24 kWh x 0.10."""
    tariff = offer(Band(0.30), Band(0.10, days=frozenset({6})), holidays_count_as=6)
    metered = flows("2026-03-17", 1)
    made = bill(tariff, metered, "UTC", date(2026, 3, 17), date(2026, 3, 18), [date(2026, 3, 17)])
    assert made.total == pytest.approx(2.40)


def test_on_paper_every_line_is_rounded_and_the_tax_is_on_the_rounded_lines() -> None:
    """0.5 kWh x 0.25 = 0.125 becomes 0.13, a fee of 0.105 becomes 0.11; 50 % of 0.24 is 0.12; 0.36 in total."""
    tariff = offer(Band(0.25), daily_fee=0.105, taxes=(Tax(50.0, EVERYTHING),))
    metered = flows("2026-01-14", 1, [0.5] + [0.0] * 23)
    paper = printed_bill(bill_of(tariff, metered, "2026-01-14", "2026-01-15"), tariff, 2)
    assert [line.amount for line in paper.lines] == [0.11, 0.13, 0.12]
    assert rounded(paper.total, 2) == 0.36


@pytest.mark.parametrize(
    ("amount", "digits", "found"),
    [(0.125, 2, 0.13), (-0.125, 2, -0.13), (2.675, 2, 2.68), (1.005, 2, 1.01), (0.4, 0, 0.0), (-0.004, 2, 0.0)],
)
def test_half_up(amount: float, digits: int, found: float) -> None:
    """Halves go up, away from zero, whatever the float below them (common practice of printed bills)."""
    assert rounded(amount, digits) == found


def test_uncovered_days() -> None:
    """Days outside the flows, and a bill of no days, are errors."""
    with pytest.raises(ValueError, match="the meter covers"):
        bill_of(offer(), flows("2026-01-14", 1), "2026-01-14", "2026-01-16")
    with pytest.raises(ValueError, match="has no days"):
        bill_of(offer(), flows("2026-01-14", 1), "2026-01-14", "2026-01-14")
