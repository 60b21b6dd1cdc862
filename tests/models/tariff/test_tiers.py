"""Steps of kWh by hand: what falls within, what is paid, and what a kWh less saves."""

from __future__ import annotations

import numpy as np
import pytest

from models.tariff.tiers import (
    PriceTier,
    avoided_prices,
    paid_prices,
    possible_prices,
    price_ranges,
    within_tier_kwh,
)

ALL = np.ones(4, dtype=np.bool_)
BEYOND = np.full(4, 0.40)
STAIR = (
    PriceTier("import", 0, ALL, 8.0, np.full(4, -0.10)),
    PriceTier("import", 1, ALL, 3.0, np.full(4, -0.10)),
)
"""0.20 up to 3 kWh, 0.30 up to 8 kWh, 0.40 beyond."""


def test_within_a_step_of_two_days() -> None:
    """A step of 5 kWh a day, two rows a day: 3 and 2 of the first day's 3 and 4 kWh, 1 and 4 of the next's 1 and 9."""
    within = within_tier_kwh(np.array([3.0, 4.0, 1.0, 9.0]), ALL, np.array([0, 0, 1, 1]), 5.0)
    assert within.tolist() == [3, 2, 1, 4]


def test_rows_that_do_not_count() -> None:
    """Energy of a row outside the step's time neither counts nor falls within."""
    within = within_tier_kwh(np.full(4, 4.0), np.array([True, False, True, True]), np.zeros(4, np.int64), 6.0)
    assert within.tolist() == [4, 0, 2, 0]


def test_what_is_paid_along_a_stair() -> None:
    """2, 2, 5 and 1 kWh: 0.20; half 0.20 and half 0.30; four of five at 0.30; 0.40. Nothing: the next kWh's price."""
    paid = paid_prices(BEYOND, STAIR, np.array([2.0, 2.0, 5.0, 1.0]))
    assert paid == pytest.approx([0.20, 0.25, (4 * 0.30 + 0.40) / 5, 0.40])
    assert paid_prices(BEYOND, STAIR, np.array([2.0, 0.0, 2.0, 0.0])) == pytest.approx([0.20, 0.20, 0.25, 0.30])


def test_lowest_and_highest_price_along_a_stair() -> None:
    """The same amounts: each interval's cheapest and dearest part; 10 kWh at once span the whole stair."""
    low, high = price_ranges(BEYOND, STAIR, np.array([2.0, 2.0, 5.0, 0.0]))
    assert low == pytest.approx([0.20, 0.20, 0.30, 0.40])
    assert high == pytest.approx([0.20, 0.30, 0.40, 0.40])
    low, high = price_ranges(BEYOND, STAIR, np.array([10.0, 0.0, 0.0, 0.0]))
    assert (low[0], high[0]) == pytest.approx((0.20, 0.40))


def test_what_a_kwh_less_saves() -> None:
    """With 10 kWh both steps are used up, with 7 the shorter, with 2 neither."""
    for kwh, price in ((10.0, 0.40), (7.0, 0.30), (2.0, 0.20)):
        assert avoided_prices(BEYOND, STAIR, np.array([kwh, 0, 0, 0])) == pytest.approx(np.full(4, price))


def test_every_price_that_there_may_be() -> None:
    """Beyond, and down the stair."""
    assert possible_prices(BEYOND, STAIR)[:, 0] == pytest.approx([0.40, 0.30, 0.20])
