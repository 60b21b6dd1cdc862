"""An ordinary car and charger for tests of the models; invented figures within common practice."""

from __future__ import annotations

from models.site.car import Car
from models.site.charger import Charger

CAR = Car(
    battery_kwh=52.0,
    floor_percent=20,
    ceiling_percent=80,
    consumption_kwh_per_100km=16.5,
    trip_margin_percent=10,
    return_reserve_percent=20,
    ready_minutes_before=30,
    on_the_way_price_per_kwh=0.6,
    outside_window_factor=0.1,
)
CHARGER = Charger(
    charge_min_kw=1.4,
    charge_max_kw=7.4,
    discharge_min_kw=1.2,
    discharge_max_kw=7.4,
    charge_efficiency_percent=95,
    discharge_efficiency_percent=95,
    fixed_loss_kw=0.08,
    discharge_to="building-and-grid",
    start_worth_kwh=0.1,
    volts=230,
    phases=1,
)
