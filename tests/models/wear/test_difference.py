"""The terms from counted wear to the program's, each where it alone matters."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.wear.difference import WearDifference, wear_difference
from models.wear.law import LawSettings
from models.wear.laws import WEAR_LAWS, wear_law
from models.wear.prices import wear_segments_of_law
from models.wear.segments import WearSegments, initial_fill_kwh, wear_cost
from tests.builders.traces import hourly

BATTERY_KWH, BATTERY_PRICE = 40.0, 6000.0
TENTHS = tuple(range(10, 101, 10))


def charged(segments: WearSegments, levels: list[float], highest: float | None = None) -> float:
    stored = np.array(levels) * BATTERY_KWH
    initial = initial_fill_kwh(segments, float(stored[0]), None if highest is None else highest * BATTERY_KWH)
    change = np.diff(stored)
    return float(wear_cost(segments, initial, np.maximum(change, 0), np.maximum(-change, 0)).sum())


def explained(
    name: str, levels: list[float], temp_degc: float = 25.0, highest: float | None = None
) -> tuple[WearDifference, float]:
    law = wear_law(name, LawSettings())
    segments = wear_segments_of_law(law, BATTERY_PRICE, BATTERY_KWH, TENTHS)
    program = charged(segments, levels, highest)
    return wear_difference(law, hourly(levels, temp_degc), segments, BATTERY_PRICE, program), program


def test_closed_and_on_edges_nothing_differs() -> None:
    """By "depth", closed from its highest point and on edges, the program charges what counting finds."""
    found, program = explained("depth", [0.9, 0.4, 0.7, 0.2, 0.9])
    assert found.counted == pytest.approx(program)
    for part in (found.conditions, found.envelope, found.segments, found.open_ends, found.before):
        assert part == pytest.approx(0, abs=1e-12)


def test_a_discharge_never_put_back_is_charged_whole() -> None:
    """Half a cycle of half the battery: counted half, charged whole, so the open end is as much again."""
    found, program = explained("depth", [0.9, 0.4])
    full = BATTERY_PRICE * 5.24e-4 * 0.5**2.03
    assert found.counted == pytest.approx(full / 2)
    assert found.open_ends == pytest.approx(full / 2)
    assert program == pytest.approx(full)


def test_a_charge_is_free_until_it_is_discharged() -> None:
    """Charging alone is counted half and charged nothing."""
    found, program = explained("depth", [0.4, 0.9])
    assert program == 0
    assert found.open_ends == pytest.approx(-found.counted)


def test_off_the_edges_segments_charge_more() -> None:
    """A closed cycle of 45 %: between the edges the price is straight, above the law."""
    found, program = explained("depth", [0.9, 0.45, 0.9])
    assert found.segments == pytest.approx(program - found.counted)
    assert found.segments > 0


def test_shallow_cycles_under_the_envelope() -> None:
    """By "stress" a cycle of 10 % lies in its concave part: the program charges less than counting finds."""
    found, program = explained("stress", [0.55, 0.45, 0.55])
    assert found.envelope < 0
    assert program == pytest.approx(found.counted + found.envelope)


def test_warm_cycles_cost_more_than_the_price_knows() -> None:
    """At 35 degrees counting finds more than segments priced at 25: the difference is in the conditions alone."""
    found, program = explained("stress", [0.75, 0.25, 0.75], temp_degc=35.0)
    assert found.conditions < 0
    assert program == pytest.approx(found.counted + found.conditions, rel=1e-9)


def test_driving_before_deepens_the_cycle() -> None:
    """After a day that began higher, the program knows of a deeper cycle than the trace shows."""
    found, _ = explained("depth", [0.7, 0.4, 0.7], highest=0.9)
    assert found.before > 0
    assert found.counted + found.before == pytest.approx(found.program)


@given(st.sampled_from(list(WEAR_LAWS)), st.lists(st.floats(0.05, 0.95), min_size=2, max_size=12), st.floats(-5, 40))
def test_parts_add_up(name: str, levels: list[float], temp_degc: float) -> None:
    """Whatever the trace, the parts add up to what the program charged, and two of them have the sign they must."""
    found, program = explained(name, levels, temp_degc)
    assert found.program == pytest.approx(program, abs=1e-9)
    assert found.envelope <= 1e-9
    assert found.segments >= -1e-9
