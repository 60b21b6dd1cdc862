"""A site from open data: a simbench household with its roof at 15 minutes, and German hourly market prices.

The household's 2016 is laid over 2018, 104 weeks later: weekdays and both clock changes fall on the same days. The car,
the charger, the battery and what a retailer adds to the market price are common practice, not published data.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

BERLIN = ZoneInfo("Europe/Berlin")
SHIFT = timedelta(weeks=104)
HOUSEHOLD_PEAK_KW, ROOF_PEAK_KW = 3.0, 6.0

SITE = """format = 1
[site]
name = "Household of open data"
timezone = "Europe/Berlin"
[connection]
import_limit_kw = 14.0
export_limit_kw = 6.0
[car]
battery_kwh = 50.0
floor_percent = 20
ceiling_percent = 80
consumption_kwh_per_100km = 17.0
on_the_way_price_per_kwh = 0.55
[charger]
charge_min_kw = 1.4
charge_max_kw = 7.4
discharge_min_kw = 1.2
discharge_max_kw = 7.4
charge_efficiency_percent = 95
discharge_efficiency_percent = 95
fixed_loss_kw = 0.1
discharge_to = "building-and-grid"
volts = 230
phases = 3
[solar]
[wear]
battery_price = 6500
depth_coefficient = 5.24e-4
depth_exponent = 2.03
weight = 1.0
[plan]
step_minutes = 15
horizon_hours = 24
[data]
offer = "market.toml"
load = "load.csv"
solar = "solar.csv"
[[usual_trip]]
days = ["mon", "tue", "wed", "thu", "fri"]
depart = "07:45"
return = "17:00"
distance_km = 32
[[usual_trip]]
days = ["sat"]
depart = "10:00"
return = "13:00"
distance_km = 45
"""
MARKET = """format = 1
name = "Market price"
currency = "EUR"
daily_fee = 0.35
[market]
file = "prices.csv"
add_per_kwh = 0.18
known_until = "24:00"
published_at = "13:00"
[[import]]
follows_market = true
[[export]]
price_per_kwh = 0.08
"""
FLAT = """format = 1
name = "One price"
currency = "EUR"
daily_fee = 0.35
[[import]]
price_per_kwh = 0.24
[[export]]
price_per_kwh = 0.08
"""


def write_open_site(
    folder: Path,
    household: Sequence[tuple[str, str, str]],
    prices: Sequence[tuple[str, str]],
    peaks_kw: tuple[float, float] = (HOUSEHOLD_PEAK_KW, ROOF_PEAK_KW),
) -> Path:
    """Write a site with its two offers.

    Parameters
    ----------
    household : rows of local time ("27.03.2016 03:00"), load and solar, both as shares of the yearly peak.
    prices : rows of local time with offset and price [EUR per MWh].
    peaks_kw : yearly peaks of load and solar [kW].
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "site.toml").write_text(SITE)
    (folder / "market.toml").write_text(MARKET)
    (folder / "one-price.toml").write_text(FLAT)
    stamps = with_offset([time for time, _, _ in household])
    for name, column, peak in (("load", 1, peaks_kw[0]), ("solar", 2, peaks_kw[1])):
        powers = [peak * float(row[column]) for row in household]
        rows = [f"{stamp},{power:.6f}" for stamp, power in zip(stamps, powers, strict=True)]
        (folder / f"{name}.csv").write_text("\n".join(["start,kw", *rows, ""]))
    rows = [f"{start},{price}" for start, price in prices]
    (folder / "prices.csv").write_text("\n".join(["start,price_per_mwh", *rows, ""]))
    return folder


def with_offset(times: Sequence[str]) -> list[str]:
    """Local times in order, 104 weeks later, with their offset: a time that comes again is the second of its hour."""
    found: list[str] = []
    before: datetime | None = None
    second = False
    for time in times:
        wall = datetime.strptime(time, "%d.%m.%Y %H:%M") + SHIFT
        second = (second and before is not None and wall > before) or (before is not None and wall <= before)
        local = wall.replace(tzinfo=BERLIN, fold=1 if second else 0)
        before = wall
        found.append(local.isoformat(timespec="minutes"))
    return found
