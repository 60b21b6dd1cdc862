"""The charger's losses against measured round trips, and its amps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.site.charger import into_battery_kwh, out_of_battery_kwh
from tests.builders.records import CHARGER

LOWEST, MEAN_AT_FULL_CURRENT, HIGHEST = 0.791, 0.870, 0.878
"""Round trips from the grid through a car's battery and back, Schram et al. 2020 (page not checked)."""

powers = st.floats(1.4, 7.4)


def round_trip(charge_kw: float, discharge_kw: float) -> float:
    """Energy given back at the AC side for each kWh drawn there."""
    one = np.ones(1)
    stored = into_battery_kwh(CHARGER, one, one * charge_kw, one)
    hours = stored / out_of_battery_kwh(CHARGER, one, one * discharge_kw, one)
    return float(hours[0] * discharge_kw / charge_kw)


@given(powers, powers)
def test_round_trip_within_what_was_measured(charge_kw: float, discharge_kw: float) -> None:
    """From least to full power the example's round trip stays within a point of the measured range."""
    assert LOWEST - 0.01 <= round_trip(charge_kw, discharge_kw) <= HIGHEST + 0.01


def test_round_trip_at_full_power() -> None:
    """At full power the example charger comes within two points of the mean measured at full current."""
    assert round_trip(7.4, 7.4) == pytest.approx(MEAN_AT_FULL_CURRENT, abs=0.02)


@given(powers, powers, st.floats(0.01, 3))
def test_low_power_wastes_more(charge_kw: float, discharge_kw: float, more_kw: float) -> None:
    """Less power gives a worse round trip, as measured (Schram et al. 2020): the fixed loss weighs more."""
    assert round_trip(charge_kw, discharge_kw) < round_trip(charge_kw + more_kw, discharge_kw)
    assert round_trip(charge_kw, discharge_kw) < round_trip(charge_kw, discharge_kw + more_kw)


@given(powers, powers)
def test_no_round_trip_gains(charge_kw: float, discharge_kw: float) -> None:
    """No pair of powers gives back more than the product of the two efficiencies."""
    limit = CHARGER.charge_efficiency * CHARGER.discharge_efficiency
    assert 0 < round_trip(charge_kw, discharge_kw) < limit


def test_least_currents() -> None:
    """6 A at 230 V, the least charging current of IEC 61851-1 (from memory), is 1.38 kW; a discharging
    minimum a little over 1 kW is common practice.
    """
    assert CHARGER.amps(1.38) == pytest.approx(6.0)
    assert CHARGER.amps(CHARGER.charge_min_kw) >= 6.0
    assert 1.0 < CHARGER.discharge_min_kw < CHARGER.charge_min_kw


def test_losses_by_hand() -> None:
    """Half an hour at 4 kW charges 1.86 kWh; on for half as long, it loses half the fixed loss."""
    half = np.array([0.5, 0.5])
    into = into_battery_kwh(CHARGER, half, np.array([4.0, 2.0]), np.array([1.0, 0.5]))
    assert into == pytest.approx([0.5 * (3.8 - 0.08), 0.5 * (1.9 - 0.04)])
    out = out_of_battery_kwh(CHARGER, half, np.array([3.8, 0.0]), np.array([1.0, 0.0]))
    assert out == pytest.approx([0.5 * (4.0 + 0.08), 0.0])
    assert pytest.approx(0.95 * 7.4 - 0.08) == CHARGER.max_into_battery_kw
