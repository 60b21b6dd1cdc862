"""Tiered prices by hand: the energy within a tier, the price paid, and what one kWh less saves."""

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
TIERS = (
    PriceTier("import", 0, ALL, 8.0, np.full(4, -0.10)),
    PriceTier("import", 1, ALL, 3.0, np.full(4, -0.10)),
)
"""0.20 up to 3 kWh, 0.30 up to 8 kWh, 0.40 beyond."""


def test_a_tier_starts_again_each_day() -> None:
    """A tier of 5 kWh a day, two rows a day: 3 and 2 of the first day's 3 and 4 kWh, 1 and 4 of the next's 1 and 9."""
    within = within_tier_kwh(np.array([3.0, 4.0, 1.0, 9.0]), ALL, np.array([0, 0, 1, 1]), 5.0)
    assert within.tolist() == [3, 2, 1, 4]


def test_rows_that_do_not_count() -> None:
    """Energy outside the window of the tier neither counts towards it nor lies within it."""
    within = within_tier_kwh(np.full(4, 4.0), np.array([True, False, True, True]), np.zeros(4, np.int64), 6.0)
    assert within.tolist() == [4, 0, 2, 0]


def test_the_mean_price_across_tiers() -> None:
    """2, 2, 5 and 1 kWh: 0.20; half 0.20 and half 0.30; four of five at 0.30; 0.40. Nothing: the next kWh's price."""
    paid = paid_prices(BEYOND, TIERS, np.array([2.0, 2.0, 5.0, 1.0]))
    assert paid == pytest.approx([0.20, 0.25, (4 * 0.30 + 0.40) / 5, 0.40])
    assert paid_prices(BEYOND, TIERS, np.array([2.0, 0.0, 2.0, 0.0])) == pytest.approx([0.20, 0.20, 0.25, 0.30])


def test_the_lowest_and_the_highest_price_across_tiers() -> None:
    """The same amounts: the lowest and the highest price in each interval; 10 kWh at once reach all three."""
    low, high = price_ranges(BEYOND, TIERS, np.array([2.0, 2.0, 5.0, 0.0]))
    assert low == pytest.approx([0.20, 0.20, 0.30, 0.40])
    assert high == pytest.approx([0.20, 0.30, 0.40, 0.40])
    low, high = price_ranges(BEYOND, TIERS, np.array([10.0, 0.0, 0.0, 0.0]))
    assert (low[0], high[0]) == pytest.approx((0.20, 0.40))


def test_what_one_kwh_less_saves() -> None:
    """With 10 kWh both tiers are used up, with 7 the shorter, with 2 neither."""
    for kwh, price in ((10.0, 0.40), (7.0, 0.30), (2.0, 0.20)):
        assert avoided_prices(BEYOND, TIERS, np.array([kwh, 0, 0, 0])) == pytest.approx(np.full(4, price))


def test_every_possible_price() -> None:
    """The price beyond both tiers, then that of each tier."""
    assert possible_prices(BEYOND, TIERS)[:, 0] == pytest.approx([0.40, 0.30, 0.20])
