"""A plan does not depend on the currency: prices times 17,000 (small units), or 0.001, give the same setpoints."""

from __future__ import annotations

import numpy as np
import pytest

from scheduler.nights.night import Night
from scheduler.optimizer.money_scale import in_units_of, money_scale
from scheduler.optimizer.solve import solve
from scheduler.plans.replay import verify
from tests.builders.nights import flat_night
from tests.builders.random_nights import random_night
from tests.builders.random_offers import random_offer_night


@pytest.mark.parametrize("factor", [17_000.0, 1e-3])
@pytest.mark.parametrize(
    ("make", "seed"), [*((random_night, seed) for seed in (0, 1, 3, 8, 13, 20)), (random_offer_night, 203)]
)
def test_another_currency_gives_the_same_setpoints(make: object, seed: int, factor: float) -> None:
    """On nights with missed targets and an offer of tiers among them, money is the same times the factor, and replay
    finds it again."""
    night: Night = make(seed)  # type: ignore[operator]
    other = in_units_of(night, 1 / factor)
    answer, dear = solve(night), solve(other)
    for name in ("charge_kw", "discharge_kw", "curtailed_kw"):
        np.testing.assert_allclose(getattr(dear.setpoints, name), getattr(answer.setpoints, name), atol=1e-4)
    assert dear.money / factor == pytest.approx(answer.money, abs=1e-4)
    assert verify(other, dear).costs.total / factor == pytest.approx(verify(night, answer).costs.total, abs=1e-4)
    assert dear.gap <= 0.003 * other.highest_price + 1e-9 * factor


def test_the_scale_is_a_power_of_two_and_one_for_ordinary_prices() -> None:
    """Prices from 0.016 to 16 a kWh stay as they are; 5,780 is divided by 16,384 and 0.0002 by 1/2048."""
    assert money_scale(flat_night(import_price=0.30)) == 1.0
    assert money_scale(flat_night(import_price=3.6)) == 1.0
    assert money_scale(flat_night(import_price=5780.0)) == 2**14
    assert money_scale(flat_night(import_price=0.0002)) == 2**-11


def test_a_night_without_a_price_above_zero_goes_by_the_size_of_its_prices() -> None:
    """Import paid with 3,000 a kWh: the size counts, not the sign. Without any price there is no scale."""
    assert money_scale(flat_night(import_price=-3000.0)) == 2**13
    assert money_scale(flat_night(import_price=0.0, export_price=0.0)) == 1.0
