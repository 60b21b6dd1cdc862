"""The meter: balance, caps, and curtailment against a fine grid of its alternatives."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from models.site.connection import (
    Connection,
    cheapest_curtailment_kw,
    grid_flows_kw,
    import_cap_kw,
    needed_curtailment_kw,
    net_draw_kw,
)

powers = st.floats(0, 20)
limits = st.sampled_from([0.0, 1.0, 5.0, 14.0])
some_prices = st.sampled_from([-0.2, -0.05, 0.0, 0.1, 0.3, 0.6])


@given(powers, powers, powers, powers, limits)
def test_balance(load: float, solar: float, charge: float, discharge: float, limit: float) -> None:
    """What is imported and not exported is what load and car take beyond the solar that is left."""
    values = (np.array([value]) for value in (load, solar, charge, discharge))
    net = net_draw_kw(*values)
    curtailed = needed_curtailment_kw(np.array([limit]), net, np.array([solar]))
    imported, exported = grid_flows_kw(net, curtailed)
    taken = load + charge - discharge - (solar - curtailed[0])
    assert imported[0] - exported[0] == pytest.approx(taken, abs=1e-9)
    assert min(imported[0], exported[0]) == 0


@given(powers, powers, powers, limits)
def test_needed_curtailment(load: float, solar: float, charge: float, limit: float) -> None:
    """Without discharging, the export limit holds and nothing is curtailed that could be exported."""
    values = (np.array([value]) for value in (load, solar, charge, 0.0))
    net = net_draw_kw(*values)
    curtailed = needed_curtailment_kw(np.array([limit]), net, np.array([solar]))
    _, exported = grid_flows_kw(net, curtailed)
    assert 0 <= curtailed[0] <= solar
    assert exported[0] <= limit + 1e-9
    if curtailed[0] > 0:
        assert exported[0] == pytest.approx(limit, abs=1e-9)


def test_import_cap_by_hand() -> None:
    """The cap is the approved limit, or the building's own draw where that is above it."""
    caps = import_cap_kw(Connection(5.0, 0.0), np.array([2.0, 9.0, 9.0]), np.array([0.0, 1.0, 8.0]))
    assert caps.tolist() == [5.0, 8.0, 5.0]


@settings(max_examples=300, deadline=None)
@given(powers, powers, st.floats(0, 7), st.floats(0, 7), limits, some_prices, some_prices)
def test_cheapest_curtailment_against_a_grid(
    load: float, solar: float, charge: float, discharge: float, limit: float, imports: float, exports: float
) -> None:
    """Where solar can be limited, no point of a fine grid of allowed curtailments costs less."""
    most_out = np.array([limit])
    net = load + charge - discharge - solar
    cap = max(9.0, load - solar)
    lowest, highest = max(0.0, -net - limit), min(solar, cap - net)
    assume(lowest <= highest)
    chosen = cheapest_curtailment_kw(most_out, *(np.array([value]) for value in (net, solar, cap, imports, exports)))[0]

    def cost(curtailed: np.ndarray) -> np.ndarray:
        imported, exported = grid_flows_kw(np.full(len(curtailed), net), curtailed)
        return imports * imported - exports * exported

    grid = np.linspace(lowest, highest, 401)
    assert lowest - 1e-9 <= chosen <= highest + 1e-9
    assert cost(np.array([chosen]))[0] <= cost(grid).min() + 1e-9


def test_least_of_equally_cheap_curtailments() -> None:
    """Where curtailing changes nothing in money, only what must be is curtailed."""
    zero = np.zeros(1)
    chosen = cheapest_curtailment_kw(np.array([5.0]), np.array([-6.0]), np.array([8.0]), np.array([9.0]), zero, zero)
    assert chosen.tolist() == [1.0]
