"""Settled nights as a record keeps them, with figures given one by one."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from scheduler.record.settled import FLOW_COLUMNS, NightFlows, SettledNight

FIRST_EVENING = datetime(2026, 3, 2, 16, 20, tzinfo=UTC)


def settled_night(number: int = 0, **figures: Any) -> SettledNight:
    """Return the night that begins so many days after the first, with plain figures but for those given."""
    begin = FIRST_EVENING + timedelta(days=number)
    plain: dict[str, Any] = {
        "begin": begin,
        "end": begin + timedelta(days=1),
        "was_set": True,
        "cost": 3.0,
        "cost_on_return": 5.0,
        "cost_charge_only": 4.0,
        "grid_cost": 2.5,
        "wear": 0.4,
        "wear_low": 0.1,
        "wear_high": 0.9,
        "imported_kwh": 12.0,
        "exported_kwh": 2.0,
        "charged_kwh": 9.0,
        "discharged_kwh": 6.0,
        "load_kwh": 14.0,
        "solar_kwh": 3.0,
        "load_forecast_kwh": 13.0,
        "solar_forecast_kwh": 4.0,
        "departures": 1,
        "short": 0,
        "chance_short": 0.05,
        "soc_begin_percent": 71.0,
        "soc_end_percent": 70.0,
        "soc_told_percent": None,
        "why": "All went about as forecast.",
        "stored_energy": -0.1,
        "earned_low": 1.5,
        "earned_high": 2.3,
        "earned_only_low": 0.6,
        "earned_only_high": 1.2,
        "offer": "Evening feed-in",
        "currency": "EUR",
    }
    return SettledNight(**plain | figures)


def night_flows_of(night: SettledNight, import_kwh: float = 0.5) -> NightFlows:
    """Return 24 equal intervals of a night."""
    start = pd.date_range(night.begin, periods=24, freq="h").as_unit("s")
    columns = {name: np.zeros(24) for name in FLOW_COLUMNS}
    return NightFlows(start, np.full(24, 60), columns | {"import_kwh": np.full(24, import_kwh)})
