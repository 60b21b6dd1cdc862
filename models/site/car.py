"""The car: its battery, the state-of-charge window for ordinary use, and the energy that driving takes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Car:
    """An electric car, as its owner describes it.

    Attributes
    ----------
    battery_kwh : usable battery capacity [kWh].
    floor_percent, ceiling_percent : state-of-charge window for ordinary use [% of battery_kwh].
    consumption_kwh_per_100km : energy that driving takes from the battery [kWh per 100 km].
    trip_margin_percent : margin on the trip energy for weather and detours [%].
    return_reserve_percent : state of charge still wanted on coming home [%].
    ready_minutes_before : how long before a departure its target must be reached [min].
    on_the_way_price_per_kwh : price of charging away from home [money per kWh].
    outside_window_factor : cost of a kWh outside the window for an hour, as a share of the highest import price [-].
    discharge_limit_kwh : most AC energy that the car may give in one night [kWh]; None for no limit.
    heats_cabin : whether the cabin is heated or cooled while driving, where the weather is given.

    Examples
    --------
    >>> car = Car(52.0, 20, 80, 16.5, 10, 20, 30, 0.60, 0.1)
    >>> car.floor_kwh, car.ceiling_kwh
    (10.4, 41.6)
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
    heats_cabin: bool = True

    @property
    def floor_kwh(self) -> float:
        """Return the stored energy at the floor [kWh]."""
        return self.kwh(self.floor_percent)

    @property
    def ceiling_kwh(self) -> float:
        """Return the stored energy at the ceiling [kWh]."""
        return self.kwh(self.ceiling_percent)

    @property
    def return_reserve_kwh(self) -> float:
        """Return the stored energy still wanted on coming home [kWh]."""
        return self.kwh(self.return_reserve_percent)

    def kwh(self, percent: float) -> float:
        """Return the stored energy [kWh] at a state of charge [%]."""
        return self.battery_kwh * percent / 100

    def percent(self, stored_kwh: float) -> float:
        """Return the state of charge [%] at a stored energy [kWh]."""
        return 100 * stored_kwh / self.battery_kwh
