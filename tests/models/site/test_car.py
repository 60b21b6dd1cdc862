"""The car's window and its percents."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.builders.records import CAR


def test_window_by_hand() -> None:
    """20 to 80 % of 52 kWh (a window of common practice) is 10.4 to 41.6 kWh."""
    assert pytest.approx(10.4) == CAR.floor_kwh
    assert pytest.approx(41.6) == CAR.ceiling_kwh
    assert pytest.approx(10.4) == CAR.return_reserve_kwh


@given(st.floats(0, 100))
def test_percent_and_energy_are_inverse(percent: float) -> None:
    """A state of charge in kWh and back in percent is the same."""
    assert CAR.percent(CAR.kwh(percent)) == pytest.approx(percent, abs=1e-12)
