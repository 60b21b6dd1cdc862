"""What a drive takes in the cold and in the heat, against mild weather, from published tests.

Mild is 20 to 24 °C. Outside that, consumption rises in proportion to the distance from it, for the drive itself (denser
air, stiffer tyres, a cold battery) and for the cabin, whose heating and cooling follow the same distance. The slopes
span what these tests found (a loss of range is turned into consumption by 1 / (1 - loss)):

- AAA, Electric Vehicle Range Testing, February 2019, key findings: five cars of 2017 and 2018 on a dynamometer, city
  and highway cycles, against 24 °C (75 °F). At -7 °C (20 °F), cabin not heated, range -12 % and miles per energy -9 %;
  heated, -41 % and -39 %. At 35 °C (95 °F), not cooled, -4 % and -5 %; cooled, range -17 %.
- NAF and Motor, winter range tests on one route of city, highway and mountains, against the WLTP figure, cabins heated:
  -6 to -32 % at -2 to -10 °C (January 2023, as newspapers told it), -29 to -46 % on a route from mild frost down to
  -31 °C (January 2026).
- Geotab 2020, 4,200 cars on 5.2 million trips, most of them short: 115 % of the rated range at 21.5 °C, 54 % at
  -15 °C, at least 100 % from 10 °C to a little over 30 °C.
- Consumer Reports 2022 and 2023: at -9 °C (16 °F) and 112 km/h (70 mph), -25 % against mild weather; short trips in the
  cold with many stops, -50 %.

Long drives lie at the low end of the spread and short ones at its high end: a cabin is heated up once.
"""

from __future__ import annotations

from dataclasses import dataclass

from models.drive.factor import Factor

MILD_FROM_DEGC, MILD_TO_DEGC = 20.0, 24.0


@dataclass(frozen=True, slots=True)
class Slope:
    """How much more a drive takes for each kelvin outside mild weather, as a share of the usual [1/K].

    Attributes
    ----------
    middle, low, high : as of a Factor.
    """

    middle: float
    low: float
    high: float

    def extra(self, kelvin: float) -> tuple[float, float, float]:
        """Return what a drive takes more [-]: middle, low and high."""
        return self.middle * kelvin, self.low * kelvin, self.high * kelvin


COLD_DRIVE = Slope(0.0037, 0.002, 0.006)
"""Without heating. AAA: 1/0.91 and 1/0.88 at -7 °C, which is 27 K below mild: 0.0037 and 0.0051 per kelvin."""
COLD_CABIN = Slope(0.0143, 0.008, 0.024)
"""Heating alone; with the drive 0.018, from 0.010 to 0.030 per kelvin. AAA 0.024 (1/0.61), NAF 0.010 (a mean of 1.25 at
-5 °C), Consumer Reports 0.011 (1.33 at -9 °C), Geotab 0.032 (115/54 at -15 °C) and 0.015 (115/100 at 10 °C)."""
HOT_DRIVE = Slope(0.0045, 0.0, 0.006)
"""Without cooling. AAA: 1/0.95 at 35 °C, 11 K above mild: 0.0048 per kelvin on energy, 0.0038 on range."""
HOT_CABIN = Slope(0.0085, 0.0, 0.014)
"""Cooling alone; with the drive 0.013, from 0 to 0.020 per kelvin. AAA 0.019 (1/0.83), Geotab at most 0.025 (at least
100/115 at 30 °C), Consumer Reports 0 (the warm day at 27 °C had the longest range)."""


@dataclass(frozen=True, slots=True)
class Weather:
    """The weather of a drive.

    Attributes
    ----------
    outside_degc : temperature outside [°C].
    heats_cabin : whether the cabin is heated or cooled while driving.
    """

    outside_degc: float
    heats_cabin: bool = True


def weather_factor(weather: Weather, cabin_share: float = 1.0) -> Factor:
    """Return the factor of a drive's consumption in a weather against mild weather.

    Parameters
    ----------
    cabin_share : what heating and cooling take for each km, as a share of what they take on a usual drive [-]; less
        on a fast one, which is over sooner.

    Examples
    --------
    >>> cold = weather_factor(Weather(-5))
    >>> round(cold.middle, 2), round(cold.low, 2), round(cold.high, 2)
    (1.45, 1.25, 1.75)
    >>> round(weather_factor(Weather(-5, heats_cabin=False)).middle, 2), weather_factor(Weather(21)).middle
    (1.09, 1.0)
    """
    below, above = MILD_FROM_DEGC - weather.outside_degc, weather.outside_degc - MILD_TO_DEGC
    kelvin = max(below, above, 0.0)
    drive, cabin = (COLD_DRIVE, COLD_CABIN) if below > above else (HOT_DRIVE, HOT_CABIN)
    share = cabin_share if weather.heats_cabin else 0.0
    middle, low, high = (
        1 + of_drive + share * of_cabin
        for of_drive, of_cabin in zip(drive.extra(kelvin), cabin.extra(kelvin), strict=True)
    )
    return Factor(middle, low, high)
