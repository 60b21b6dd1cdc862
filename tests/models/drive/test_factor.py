"""A factor with its spread: quantiles, and the product of independent ones."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.drive.factor import EXACT, Factor, product

spreads = st.builds(
    lambda middle, down, up: Factor(middle, middle / down, middle * up),
    st.floats(0.5, 3),
    st.floats(1, 2),
    st.floats(1, 2),
)


@given(spreads, st.floats(0, 1), st.floats(0, 1))
def test_quantiles_rise(factor: Factor, one: float, other: float) -> None:
    """A higher probability never gives a lower value, and every value is above 0 and finite."""
    low, high = sorted((one, other))
    assert 0 < factor.quantile(low) <= factor.quantile(high) < np.inf


@given(spreads)
def test_stated_quantiles(factor: Factor) -> None:
    """The three values are those that 5, 50 and 95 % of drives stay below."""
    found = [factor.quantile(probability) for probability in (0.05, 0.5, 0.95)]
    assert found == pytest.approx([factor.low, factor.middle, factor.high])


@given(spreads)
def test_product_with_nothing_known(factor: Factor) -> None:
    """Nothing known changes nothing."""
    found = product(factor, EXACT)
    assert (found.middle, found.low, found.high) == pytest.approx((factor.middle, factor.low, factor.high))


def test_product_of_samples() -> None:
    """The product's spread is that of products of samples (of 40,000, two symmetric factors; within 2 %)."""
    one, other = Factor(1.4, 1.4 / 1.2, 1.4 * 1.2), Factor(1.25, 1.25 / 1.15, 1.25 * 1.15)
    random = Random(7)
    drawn = [one.quantile(random.random()) * other.quantile(random.random()) for _ in range(40_000)]
    whole = product(one, other)
    assert np.quantile(drawn, [0.05, 0.5, 0.95]) == pytest.approx([whole.low, whole.middle, whole.high], rel=0.02)


@pytest.mark.parametrize("values", [(1.0, 1.1, 1.2), (1.0, 0.9, 0.95), (0.5, 0.0, 1.0)])
def test_refused(values: tuple[float, float, float]) -> None:
    """Values out of order, or not above 0."""
    with pytest.raises(ValueError, match="0 < low"):
        Factor(*values)
