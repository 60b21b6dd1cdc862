"""Weather by textbook formulas: a clear sky dimmed by cloud that lingers from day to day."""

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np


@dataclass(frozen=True, slots=True)
class Panels:
    """Panels on a roof that faces the equator; degrees, north and east positive."""

    peak_kw: float
    latitude: float
    longitude: float
    tilt: float


def persistent(draws: list[float], memory: float) -> list[float]:
    """Turn independent draws from 0 to 1 into values from 0 to 1 that resemble the day before's."""
    values = [draws[0]]
    for draw in draws[1:]:
        values.append(memory * values[-1] + (1 - memory) * draw)
    spread = math.sqrt((1 + memory) / (1 - memory))
    return [min(1.0, max(0.0, 0.5 + spread * (value - 0.5))) for value in values]


def clear_sky_kw(start: datetime, panels: Panels, minutes: int = 60) -> float:
    """Solar power without clouds, mean over a step [kW].

    Declination by Cooper's formula, the sun's height as the usual sine, air mass 1/sine, direct sunlight
    1.353 × 0.7^(air mass^0.678) kW/m² (Meinel). Clock and sun differ by the longitude only.
    """
    total, parts = 0.0, 6
    toward_equator = math.copysign(panels.tilt, panels.latitude)
    for part in range(parts):
        moment = start.astimezone(UTC) + timedelta(minutes=minutes / parts * (part + 0.5))
        declination = math.radians(23.45) * math.sin(2 * math.pi * (284 + moment.timetuple().tm_yday) / 365)
        hour_angle = math.radians(15 * (moment.hour + moment.minute / 60 - 12) + panels.longitude)

        def sine(latitude: float, declination: float = declination, hour_angle: float = hour_angle) -> float:
            ground = math.radians(latitude)
            direct = math.cos(ground) * math.cos(declination) * math.cos(hour_angle)
            return math.sin(ground) * math.sin(declination) + direct

        # a tilted roof is level ground nearer the equator
        height, on_roof = sine(panels.latitude), sine(panels.latitude - toward_equator)
        if height > 0.01 and on_roof > 0:
            total += on_roof * 1.353 * 0.7 ** ((1 / height) ** 0.678)
    return 0.9 * panels.peak_kw * total / parts


def solar_kw(
    starts: list[datetime], first_day: date, panels: Panels, random: np.random.Generator, minutes: int = 60
) -> list[float]:
    """Clear sky, dimmed by cloud that lingers from day to day and changes a little from step to step.

    Cloudier in winter, which is in July where the latitude is negative.
    """
    days = (starts[-1].date() - first_day).days + 1
    cloud = persistent(random.random(days).tolist(), 0.5)
    season = math.copysign(0.15, panels.latitude)
    values = []
    for start, flicker in zip(starts, random.random(len(starts)).tolist(), strict=True):
        winter = season * math.cos(2 * math.pi * (start.timetuple().tm_yday - 5) / 365)
        cover = min(1.0, max(0.0, cloud[(start.date() - first_day).days] + winter + 0.4 * (flicker - 0.5)))
        values.append(clear_sky_kw(start, panels, minutes) * (1 - 0.85 * cover**1.5))
    return values
