"""A small valid site with invented names and numbers, to be written into a folder and changed by a test."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from math import cos, pi
from pathlib import Path

from scheduler.textio.errors import InputFaults

TIMEZONE = "Europe/Dublin"
SERIES_START = datetime(2026, 2, 1, tzinfo=UTC)
SERIES_DAYS = 40

SITE = """\
format = 1

[site]
name = "Brook Cottage"
timezone = "Europe/Dublin"
holiday_calendar = "IE"

[connection]
import_limit_kw = 14.0
export_limit_kw = 5.0

[car]
battery_kwh = 52.0
floor_percent = 20
ceiling_percent = 80
consumption_kwh_per_100km = 16.5
on_the_way_price_per_kwh = 0.60

[charger]
charge_min_kw = 1.4
charge_max_kw = 7.4
discharge_min_kw = 1.2
discharge_max_kw = 7.4
charge_efficiency_percent = 95
discharge_efficiency_percent = 95
fixed_loss_kw = 0.08
discharge_to = "building-and-grid"
volts = 230
phases = 1

[solar]
can_be_limited = false

[wear]
battery_price = 6800
depth_coefficient = 5.24e-4
depth_exponent = 2.03
weight = 1.0

[plan]
step_minutes = 60
horizon_hours = 24

[data]
offer = "offers/evening.toml"
load = "load.csv"
solar = "solar.csv"
trips = "trips.csv"

[[usual_trip]]
days = ["mon", "tue", "wed", "thu", "fri"]
depart = "08:10"
return = "17:30"
distance_km = 31
"""

OFFER = """\
format = 1
name = "Evening feed-in"
currency = "EUR"
daily_fee = 0.74
public_holidays_count_as = "sun"

[[import]]
price_per_kwh = 0.34

[[import]]
price_per_kwh = 0.12
from = "23:00"
to = "07:00"

[[export]]
price_per_kwh = 0.05

[[export]]
price_per_kwh = 0.45
from = "18:00"
to = "21:00"
"""

TRIPS = """\
depart,return,distance_km
2026-02-02T08:10+00:00,2026-02-02T17:30+00:00,31
2026-02-07T10:00+00:00,2026-02-08T19:00+00:00,180.5
"""


def load_kw(hour: int) -> float:
    """The building's load at an hour of the day [kW]."""
    return 1.6 if 17 <= hour < 22 else 0.4


def solar_kw(hour: int) -> float:
    """Solar at an hour of the day [kW]."""
    return max(0.0, round(-3.0 * cos(2 * pi * hour / 24), 3))


def series_text(kw: Callable[[int], float], days: int = SERIES_DAYS, step_minutes: int = 60) -> str:
    """A meter series of so many days from SERIES_START."""
    starts = (SERIES_START + timedelta(minutes=minutes) for minutes in range(0, days * 1440, step_minutes))
    rows = (f"{start.isoformat(timespec='minutes')},{kw(start.hour)}" for start in starts)
    return "\n".join(["start,kw", *rows, ""])


def changed(text: str, changes: Mapping[str, str]) -> str:
    """The text with each piece replaced; every piece must be in it."""
    for old, new in changes.items():
        assert old in text, old
        text = text.replace(old, new)
    return text


def write_site(
    folder: Path,
    site: Mapping[str, str] | None = None,
    offer: Mapping[str, str] | None = None,
    load: str | None = None,
    solar: str | None = None,
    trips: str = TRIPS,
) -> Path:
    """Write the valid site, changed, into a folder; gives the folder.

    Parameters
    ----------
    site, offer : pieces of `site.toml` and of the offer, and what they are replaced by.
    load, solar, trips : whole texts instead of the usual ones.
    """
    (folder / "offers").mkdir(parents=True, exist_ok=True)
    (folder / "site.toml").write_text(changed(SITE, site or {}), encoding="utf-8")
    (folder / "offers" / "evening.toml").write_text(changed(OFFER, offer or {}), encoding="utf-8")
    (folder / "load.csv").write_text(series_text(load_kw) if load is None else load, encoding="utf-8")
    (folder / "solar.csv").write_text(series_text(solar_kw) if solar is None else solar, encoding="utf-8")
    (folder / "trips.csv").write_text(trips, encoding="utf-8")
    return folder


def faults_of(read: Callable[[], object]) -> list[str]:
    """The faults that reading raises, as lines; none if it reads."""
    try:
        read()
    except InputFaults as error:
        return str(error).splitlines()
    return []
