"""The invented meter data of a new site, and how it is known again."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, time, timedelta
from math import cos, pi
from zoneinfo import ZoneInfo

import numpy as np

from models.site.series import Series
from scheduler.inputs.site_inputs import Inputs

PLACEHOLDER_DAYS = 35
"""Days of placeholder data up to now; a typical forecast uses 28."""
READ_ME_FILE = "READ-ME-FIRST.txt"
MARK = f"# PLACEHOLDER, see {READ_ME_FILE}"
"""The note on a placeholder's line in `site.toml`."""


def placeholder_text(now: datetime, zone: ZoneInfo, kw: Callable[[int], float]) -> str:
    """Return CSV text of hours from midnight some weeks ago until now, repeating one day.

    Parameters
    ----------
    kw : mean power of an hour of the day [kW].
    """
    first = datetime.combine(now.astimezone(zone).date() - timedelta(days=PLACEHOLDER_DAYS), time(), zone)
    start, rows = first.astimezone(ZoneInfo("UTC")), ["start,kw"]
    while start < now:
        local = start.astimezone(zone)
        rows.append(f"{local.isoformat(timespec='minutes')},{kw(local.hour):.2f}")
        start += timedelta(hours=1)
    return "\n".join(rows) + "\n"


def placeholder_load_kw(hour: int) -> float:
    """Return the invented load of an hour of the day [kW]."""
    return 1.8 if 17 <= hour < 22 else 0.6 if 6 <= hour < 17 else 0.35


def placeholder_solar_kw(hour: int) -> float:
    """Return the invented solar power of an hour of the day [kW]."""
    return max(0.0, -2.5 * cos(2 * pi * (hour + 0.5) / 24))


def is_placeholder(series: Series, kw: Callable[[int], float]) -> bool:
    """Return whether every value of a series is one of the invented day: no meter reads like that.

    A series made by hand from a placeholder's values counts too, whatever notes were removed.
    """
    values = sorted({round(kw(hour), 2) for hour in range(24)})
    varied = len(np.unique(series.kw)) > 1
    return varied and series.step_minutes == 60 and bool(np.isin(series.kw, values).all())


def placeholder_files(inputs: Inputs) -> tuple[str, ...]:
    """Return the names of the site's series that are placeholders."""
    site = inputs.site
    found = [site.load_file.name] if is_placeholder(inputs.load, placeholder_load_kw) else []
    if inputs.solar is not None and site.solar_file is not None and is_placeholder(inputs.solar, placeholder_solar_kw):
        found.append(site.solar_file.name)
    return tuple(found)


def placeholders_say(names: tuple[str, ...]) -> str:
    """Return the sentence on placeholders; "" if there are none.

    Examples
    --------
    >>> placeholders_say(("load.csv",))
    'load.csv is a placeholder, invented and not about your building: overnight read-meter puts your meter there.'
    """
    if not names:
        return ""
    one = len(names) == 1
    return (
        f"{' and '.join(names)} {'is a placeholder' if one else 'are placeholders'}, invented and not about your "
        "building: overnight read-meter puts your meter there."
    )
