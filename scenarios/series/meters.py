"""Meter files: what a meter at the connection counts of a building with panels, before there was a car."""

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta

MARKET_TIME = timedelta(hours=10)
"""Of a NEM12 file, ahead of UTC all year."""
INTERVALS_A_DAY, WEEK = 48, 7

Quality = tuple[int, int, str]
"""First and last interval, numbered from 1, and what the values between are: "A" read, "E52" estimated, "N" none."""


def net_kwh(load_kw: float, solar_kw: float, hours: float, export_limit_kw: float) -> tuple[float, float]:
    """Import and export of a step [kWh]; what would go over the export limit is not made."""
    surplus = min(round(solar_kw, 3) - round(load_kw, 3), export_limit_kw)
    return max(0.0, -surplus) * hours, max(0.0, surplus) * hours


def plain_text(
    starts: Sequence[datetime], load: Sequence[float], solar: Sequence[float], first: date, end: date, limit_kw: float
) -> str:
    """CSV `start,import_kwh,export_kwh,generation_kwh` of an hourly meter, from a local day until before another."""
    rows = ["start,import_kwh,export_kwh,generation_kwh\n"]
    for start, load_kw, solar_kw in zip(starts, load, solar, strict=True):
        if first <= start.date() < end:
            drawn, fed = net_kwh(load_kw, solar_kw, 1.0, limit_kw)
            made = round(load_kw, 3) - drawn + fed
            rows.append(f"{start.isoformat()},{drawn:.3f},{fed:.3f},{made + 0.0:.3f}\n")
    return "".join(rows)


def nem12_text(
    meter: tuple[str, str],
    flows: Mapping[datetime, tuple[float, float]],
    first: date,
    end: date,
    qualities: Mapping[date, Sequence[Quality]],
    made_at: str,
) -> str:
    """NEM12 of a meter with the channels E1, drawn, and B1, fed in, every 30 minutes.

    Records 100, 200 a channel, 300 a day, 400 where a day's quality varies, 900 (AEMO's Meter Data File Format, from
    memory). Where a value is estimated, it is that of the same time a week before; where there is none, 0.

    `meter` is NMI and serial number, `flows` import and export [kWh] by the UTC start of each interval; days, with
    their `qualities` where not all is read, are in market time.
    """
    nmi, serial = meter
    lines = [f"100,NEM12,{made_at[:12]},PELLMETER,PELLPOWER"]
    for channel, suffix in enumerate(("E1", "B1")):
        lines.append(f"200,{nmi},E1B1,{suffix},{suffix},N{channel + 1},{serial},KWH,30,")
        for number in range((end - first).days):
            day = first + timedelta(days=number)
            parts = qualities.get(day, [(1, INTERVALS_A_DAY, "A")])
            kwh = [
                _kwh(flows, _interval(day - timedelta(days=WEEK * quality.startswith("E")), at), channel, quality)
                for begin, last, quality in parts
                for at in range(begin, last + 1)
            ]
            quality = parts[0][2] if len(parts) == 1 else "V"
            values = ",".join(f"{value:.3f}" for value in kwh)
            lines.append(f"300,{day:%Y%m%d},{values},{quality},,,{made_at},")
            if len(parts) > 1:
                lines += [f"400,{begin},{last},{each},," for begin, last, each in parts]
    return "\n".join([*lines, "900", ""])


def _interval(day: date, number: int) -> datetime:
    """Start of a numbered interval of a day in market time."""
    midnight = datetime(day.year, day.month, day.day, tzinfo=UTC) - MARKET_TIME
    return midnight + timedelta(minutes=1440 // INTERVALS_A_DAY * (number - 1))


def _kwh(flows: Mapping[datetime, tuple[float, float]], start: datetime, channel: int, quality: str) -> float:
    return 0.0 if quality == "N" else flows[start][channel]
