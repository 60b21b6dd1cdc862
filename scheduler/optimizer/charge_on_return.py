"""What the same night costs otherwise: setpoints of a car that is simply charged on return."""

from __future__ import annotations

import numpy as np

from models.site.connection import import_cap_kw
from models.site.trips import on_the_way_kwh
from scheduler.nights.night import Night
from scheduler.optimizer.setpoints import Setpoints, setpoints_from_powers

FULL = 1e-9
"""Energy below which a battery counts as filled to its mark [kWh]."""


def charge_on_return(night: Night) -> Setpoints:
    """Return setpoints that charge whenever the car is at home until the ceiling, or the target before a trip.

    The target counts where it is over the ceiling. Charging is at full power, less where the import limit binds, and
    never below the charger's least. The last, partial interval runs at the mean power that just fills the battery;
    where that is below the charger's least, at the least power for a part of the interval.
    """
    charger, hours, ceiling = night.charger, night.hours.tolist(), night.ceiling_kwh.tolist()
    room_kw = import_cap_kw(night.connection, night.load_kw, night.solar_kw) - (night.load_kw - night.solar_kw)
    most_kw = np.minimum(night.most_charge_kw, room_kw).tolist()
    power, share = np.zeros(night.intervals), np.zeros(night.intervals)
    departures = {trip.depart for trip in night.trips}
    ending = {trip.comeback - 1: trip for trip in night.trips}
    stored = night.stored_now_kwh
    at_departure = stored
    for interval in range(night.intervals):
        if interval in departures:
            at_departure = stored
        if interval in ending:
            trip = ending[interval]
            factor = trip.consumption.middle
            stored += on_the_way_kwh(night.car, trip.trip.distance_km, at_departure, factor) - trip.energy_kwh
        most = most_kw[interval]
        wanted = ceiling[interval + 1] - stored
        if not night.at_home[interval] or most < charger.charge_min_kw or wanted <= FULL:
            continue
        just_fills = (wanted / hours[interval] + charger.fixed_loss_kw) / charger.charge_efficiency
        kw, part = min(most, just_fills), 1.0
        if kw < charger.charge_min_kw:
            kw = charger.charge_min_kw
            into_kw = charger.charge_efficiency * kw - charger.fixed_loss_kw
            part = min(1.0, wanted / (hours[interval] * into_kw)) if into_kw > 0 else 0.0
        elif charger.charge_efficiency * kw <= charger.fixed_loss_kw:
            continue
        power[interval], share[interval] = kw * part, part
        stored += hours[interval] * (charger.charge_efficiency * kw - charger.fixed_loss_kw) * part
    nothing = np.zeros(night.intervals)
    return setpoints_from_powers(night, power, nothing, share, nothing)
