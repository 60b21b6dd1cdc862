"""The car: its battery, its window of ordinary use, and what driving takes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Car:
    """An electric car as its owner describes it.

    Attributes
    ----------
    battery_kwh : usable battery capacity [kWh].
    floor_percent, ceiling_percent : window for ordinary use [% of battery_kwh].
    consumption_kwh_per_100km : energy a trip takes from the battery [kWh per 100 km].
    trip_margin_percent : share of the trip energy added for weather and detours [%].
    return_reserve_percent : state of charge still wanted on coming home [%].
    ready_minutes_before : how long before a departure its target is held [min].
    on_the_way_price_per_kwh : price of charging away from home [money per kWh].
    outside_window_factor : share of the dearest import price that a kWh outside the window costs per hour [-].
    discharge_limit_kwh : most AC energy out of the car in one night [kWh], or None for no limit.
    """

    battery_kwh: float
    floor_percent: float
    ceiling_percent: float
    consumption_kwh_per_100km: float
    trip_margin_percent: float
    return_reserve_percent: float
    ready_minutes_before: int
    on_the_way_price_per_kwh: float
    outside_window_factor: float
    discharge_limit_kwh: float | None = None

    @property
    def floor_kwh(self) -> float:
        """Stored energy at the floor [kWh]."""
        return self.kwh(self.floor_percent)

    @property
    def ceiling_kwh(self) -> float:
        """Stored energy at the ceiling [kWh]."""
        return self.kwh(self.ceiling_percent)

    @property
    def return_reserve_kwh(self) -> float:
        """Stored energy still wanted on coming home [kWh]."""
        return self.kwh(self.return_reserve_percent)

    def kwh(self, percent: float) -> float:
        """Stored energy [kWh] at a state of charge [%]."""
        return self.battery_kwh * percent / 100

    def percent(self, stored_kwh: float) -> float:
        """State of charge [%] at a stored energy [kWh]."""
        return 100 * stored_kwh / self.battery_kwh
