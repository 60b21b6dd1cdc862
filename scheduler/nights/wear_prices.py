"""What wear costs tonight, by the site's law: segment prices, ageing by time, and where a law is stretched."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np

from models.wear.calendar_ageing import CalendarPrice, calendar_price
from models.wear.law import CalendarLaw, WearLaw, range_warnings
from models.wear.laws import calendar_law, wear_law
from models.wear.prices import REFERENCE_DEGC, wear_segments_of_law
from models.wear.segments import WearSegments
from scheduler.inputs.site import Site


@dataclass(frozen=True, slots=True, eq=False)
class WearTonight:
    """Prices of wear, and warnings on values outside what a law was measured at.

    Attributes
    ----------
    calendar : None where ageing by time is left out.
    """

    segments: WearSegments
    calendar: CalendarPrice | None
    warnings: tuple[str, ...]


def wear_tonight(site: Site, now: datetime) -> WearTonight:
    """The wear prices of the site's own laws at the battery's age and this month's temperature."""
    wear, temp = site.wear, battery_temp_degc(site, now)
    law = wear_law(wear.law, wear.law_settings)
    warnings = _warnings(law, site, temp)
    calendar = None
    if wear.calendar_law is not None:
        by_time = calendar_law(wear.calendar_law, wear.law_settings)
        calendar = calendar_price(
            by_time,
            wear.battery_price,
            site.car.battery_kwh,
            temp,
            wear.law_settings.age_years,
            lowest_soc=site.car.floor_percent / 100,
        )
        warnings += [words for words in _warnings(by_time, site, temp) if words not in warnings]
    return WearTonight(segments_of(site, wear.law, now), calendar, tuple(warnings))


def segments_of(site: Site, law_name: str, now: datetime) -> WearSegments:
    """The segment prices of any law for the site's battery, cycles around the middle of its window."""
    wear, battery_kwh = site.wear, site.car.battery_kwh
    law = wear_law(law_name, wear.law_settings)
    temp = battery_temp_degc(site, now)
    return wear_segments_of_law(
        law, wear.battery_price, battery_kwh, wear.segment_edges_percent, middle_soc(site), temp
    )


def middle_soc(site: Site) -> float:
    """The middle of the car's window, at which cycles are priced [0 to 1]."""
    return (site.car.floor_percent + site.car.ceiling_percent) / 200


def battery_temp_degc(site: Site, now: datetime) -> float:
    """The battery's temperature in the month of a moment [degrees C]; the laws' reference where none is given."""
    temps = site.wear.battery_temp_degc
    return REFERENCE_DEGC if temps is None else temps[now.astimezone(ZoneInfo(site.timezone)).month - 1]


def _warnings(law: WearLaw | CalendarLaw, site: Site, temp_degc: float) -> list[str]:
    window = np.array([site.car.floor_percent, site.car.ceiling_percent]) / 100
    depth = np.array([window[1] - window[0]])
    told = range_warnings(law, depth, window, np.array([temp_degc]))
    return [f"{words[0].upper()}{words[1:]}." for words in told]
