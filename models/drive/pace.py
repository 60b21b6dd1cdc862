"""What a fast or a slow drive takes against the usual one, by the road load that cars are certified with.

The force that moves a car at a steady speed v is A + B v + C v²: the target coefficients of a coast-down test, by which
the EPA sets its dynamometers (40 CFR 1066.305). With the efficiency from battery to wheels and what the car's devices
take, it gives the battery's energy per km, to be compared with that of the EPA label, which stands for usual driving.
The label is measured at the wall and counts charging losses; at 88 % of it the battery gives the label's range.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median
from typing import Literal

from models.drive.factor import Factor

Pace = Literal["slow", "usual", "fast"]
PACES: tuple[Pace, ...] = ("slow", "usual", "fast")

NEWTON_PER_LBF = 4.4482216152605
"""Exactly (NIST Special Publication 811, appendix B.8)."""
KM_PER_MILE = 1.609344
"""The international mile [km]: exactly 1.609 344 km (NIST Special Publication 811, appendix B.8)."""
WALL_TO_BATTERY = 0.88
"""Share of the energy at the wall that reaches the battery, as the labels of the cars below are tested (40 kWh and a
label of 30 kWh per 100 miles come to the label's range of 243 km)."""
BATTERY_TO_WHEELS = 0.92
"""Efficiency of inverter, motor and gear at a steady speed: common practice for cars of these years."""
DEVICES_KW = 0.4
"""Lights, computers and pumps: common practice."""


@dataclass(frozen=True, slots=True)
class RoadLoad:
    """A car as it was certified.

    Attributes
    ----------
    a_lbf, b_lbf_per_mph, c_lbf_per_mph2 : target coefficients of the coast-down.
    city_kwh_per_100mi, label_kwh_per_100mi : at the wall, of the EPA label: in the city, and combined.
    """

    a_lbf: float
    b_lbf_per_mph: float
    c_lbf_per_mph2: float
    city_kwh_per_100mi: float
    label_kwh_per_100mi: float

    def force_n(self, kmh: float) -> float:
        """Return the force at the wheels at a steady speed [km/h] [N]."""
        mph = kmh / KM_PER_MILE
        return NEWTON_PER_LBF * (self.a_lbf + self.b_lbf_per_mph * mph + self.c_lbf_per_mph2 * mph**2)

    def steady_kwh_per_100km(self, kmh: float) -> float:
        """Return what a steady speed [km/h] takes from the battery [kWh per 100 km].

        Examples
        --------
        >>> [round(CARS["compact hatchback"].steady_kwh_per_100km(kmh), 1) for kmh in (80, 100, 120)]
        [13.0, 17.3, 22.5]
        """
        return self.force_n(kmh) / 36 / BATTERY_TO_WHEELS + 100 * DEVICES_KW / kmh

    @property
    def label_kwh_per_100km(self) -> float:
        """Return what usual driving takes from the battery by the label [kWh per 100 km]."""
        return self.label_kwh_per_100mi * WALL_TO_BATTERY / KM_PER_MILE

    @property
    def city(self) -> float:
        """Return what driving in the city takes, as a share of usual driving [-]."""
        return self.city_kwh_per_100mi / self.label_kwh_per_100mi


CARS = {
    "compact hatchback": RoadLoad(33.78, 0.0618, 0.02282, 27.0, 30.0),
    "small crossover": RoadLoad(28.4, 0.2018, 0.0195, 26.3, 28.3),
    "long-range saloon": RoadLoad(38.51, -0.0811, 0.01610, 25.0, 26.0),
}
"""Three makes of 2013 to 2018, target coefficients and labels of EPA certifications (from memory; the small crossover's
label was looked up: 128 and 119 miles per 33.7 kWh). At 80.5 km/h (50 mph) their road loads of 12.5, 11.6 and 9.9
horsepower lie by those that the EPA's fleet model of 2019 has for electric cars: compact 12.1, small crossover 9.9 to
11.5, midsize 10.4 (USEPA/EPA_OMEGA_Model, demo inputs, vehicles.csv, tot_road_load_hp)."""

FAST_KMH, FAST_FROM_KMH, FAST_TO_KMH = 115.0, 105.0, 125.0
"""Mean speeds of drives on a motorway with a limit of 120 to 130 km/h: a test allowed 130 km/h and came to a mean of
115 (nextmove 2019, as avtotachki.com told it)."""
SLOW_KMH = 80.0
"""A steady speed on country roads; with towns on the way a drive takes up to what the label has for the city."""

CABIN_SHARES: dict[Pace, float] = {"slow": 1.0, "usual": 1.0, "fast": 2 / 3}
"""What heating takes for each km against a usual drive [-]. In the frost, 112 km/h took 0.012 more per kelvin (Consumer
Reports: 1/0.75 at -9 °C), usual drives 0.018 (`models.drive.weather`)."""


def pace_factor(pace: Pace) -> Factor:
    """Return the factor of a drive's consumption at a pace against usual driving.

    The middle is the median of the cars; the spread is that of cars and speeds.

    Examples
    --------
    >>> fast = pace_factor("fast")
    >>> round(fast.middle, 2), round(fast.low, 2), round(fast.high, 2)
    (1.26, 0.99, 1.46)
    """
    if pace == "usual":
        return Factor(1.0, 1.0, 1.0)
    if pace == "fast":
        return Factor(
            median(_share(car, FAST_KMH) for car in CARS.values()),
            min(_share(car, FAST_FROM_KMH) for car in CARS.values()),
            max(_share(car, FAST_TO_KMH) for car in CARS.values()),
        )
    steady = [_share(car, SLOW_KMH) for car in CARS.values()]
    city = [car.city for car in CARS.values()]
    return Factor((median(steady) + median(city)) / 2, min(steady), 1.0)


def _share(car: RoadLoad, kmh: float) -> float:
    return car.steady_kwh_per_100km(kmh) / car.label_kwh_per_100km
