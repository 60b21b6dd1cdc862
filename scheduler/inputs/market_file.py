"""Published market prices from CSV `start,price_per_kwh` or `start,price_per_mwh`, read strictly."""

from __future__ import annotations

from pathlib import Path

from models.tariff.market import MarketPrices
from scheduler.inputs.series_file import read_regular
from scheduler.textio.csv_rows import MOST_MEGABYTES, price_problem
from scheduler.textio.errors import shown, single_fault
from scheduler.textio.read_text import read_text

PER_KWH, PER_MWH = ("start", "price_per_kwh"), ("start", "price_per_mwh")
KWH_A_MWH = 1000.0


def read_market(path: Path, known_until_minute: int, published_minute: int) -> MarketPrices:
    """Market prices in a file, `start` with its offset from UTC, a regular step of 5 to 60 minutes.

    Raises
    ------
    InputFaults : the faults of the file, each with its line; the first ten and how many more.
    """
    header = read_text(path, MOST_MEGABYTES).split("\n", 1)[0].strip()
    names = [cell.strip() for cell in header.replace('"', "").split(",")]
    if names not in (list(PER_KWH), list(PER_MWH)):
        allowed = " or ".join(",".join(columns) for columns in (PER_KWH, PER_MWH))
        raise single_fault(path, f"the header is {shown(header)}; allowed is {allowed}", 1)
    per_mwh = names == list(PER_MWH)
    series = read_regular(path, PER_MWH if per_mwh else PER_KWH, price_problem)
    price = series.kw / KWH_A_MWH if per_mwh else series.kw
    return MarketPrices(series.start, price, series.step_minutes, known_until_minute, published_minute)
