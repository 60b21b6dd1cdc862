"""Price wear tonight by the site's laws: segment prices, calendar ageing, and warnings where a law is extrapolated."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np

from models.wear.calendar_ageing import CalendarPrice, calendar_price
from models.wear.law import CalendarLaw, WearLaw, range_warnings
from models.wear.laws import calendar_law, wear_law
from models.wear.prices import REFERENCE_DEGC, DownFrom, wear_segments_of_law
from models.wear.segments import WearSegments
from scheduler.inputs.site import Site
from scheduler.textio.format import sentence_case


@dataclass(frozen=True, slots=True, eq=False)
class WearTonight:
    """Prices of wear, and warnings on values outside the range in which a law was measured.

    Attributes
    ----------
    segments : price of each segment of the battery's depth.
    calendar : price of calendar ageing; None where it is left out.
    """

    segments: WearSegments
    calendar: CalendarPrice | None
    warnings: tuple[str, ...]


def wear_tonight(site: Site, now: datetime) -> WearTonight:
    """Return the wear prices by the site's own laws, at the battery's age and this month's temperature."""
    wear, temp = site.wear, battery_temp_degc(site, now)
    law = wear_law(wear.law, wear.law_settings)
    warnings = _warnings(law, site, temp)
    calendar = None
    if wear.calendar_law is not None:
        ageing = calendar_law(wear.calendar_law, wear.law_settings)
        calendar = calendar_price(
            ageing,
            wear.battery_price,
            site.car.battery_kwh,
            temp,
            wear.law_settings.age_years,
            lowest_soc=site.car.floor_percent / 100,
        )
        warnings += [warning for warning in _warnings(ageing, site, temp) if warning not in warnings]
    return WearTonight(segments_of(site, wear.law, now), calendar, tuple(warnings))


def segments_of(site: Site, law_name: str, now: datetime) -> WearSegments:
    """Return the segment prices by any law for the site's battery, for cycles down from its ceiling."""
    wear, battery_kwh = site.wear, site.car.battery_kwh
    law = wear_law(law_name, wear.law_settings)
    temp = battery_temp_degc(site, now)
    return wear_segments_of_law(
        law, wear.battery_price, battery_kwh, wear.segment_edges_percent, cycle_states(site), temp
    )


def cycle_states(site: Site) -> DownFrom:
    """Return the states of charge at which cycles are priced: down from the car's ceiling.

    A departure target above the ceiling lifts a few cycles above that. They are priced like the others: what the car
    holds above its ceiling is driven off soon, and the price of a depth cannot differ from night to night, for the
    segments that one night leaves open are the next one's.
    """
    return DownFrom(site.car.ceiling_percent / 100)


def battery_temp_degc(site: Site, now: datetime) -> float:
    """Return the battery's temperature in the month of a moment [°C]; the laws' reference if the site gives none."""
    temps = site.wear.battery_temp_degc
    return REFERENCE_DEGC if temps is None else temps[now.astimezone(ZoneInfo(site.timezone)).month - 1]


def _warnings(law: WearLaw | CalendarLaw, site: Site, temp_degc: float) -> list[str]:
    """Return a sentence for each value of the site outside the range in which the law was measured."""
    window = np.array([site.car.floor_percent, site.car.ceiling_percent]) / 100
    depth = np.array([window[1] - window[0]])
    warnings = range_warnings(law, depth, window, np.array([temp_degc]))
    return [f"{sentence_case(warning)}." for warning in warnings]
