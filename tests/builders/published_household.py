"""A site from open data: a simbench household under published time-of-use prices, with a car at its charger.

The household is that of tests/published (3 kW at most, no roof), laid over 2018. Prices: Table 1 of the article
PMC9744089, by their size in yuan. The car, the charger (no least power to discharge) and a battery at 1000 yuan per kWh
are common practice, from memory.
"""

from __future__ import annotations

import csv
from pathlib import Path

from tests.builders.open_year import SITE, with_offset
from tests.builders.places import PUBLISHED

PRICES = ((0.594, ""), (0.308, 'to = "07:00"'), (0.88, 'from = "09:00"\nto = "11:00"'), (0.88, 'from = "19:00"'))
CHANGES = (
    ("[solar]\n", ""),
    ('solar = "solar.csv"\n', ""),
    ("step_minutes = 15", "step_minutes = 60"),
    ("discharge_min_kw = 1.2", "discharge_min_kw = 0"),
    ("on_the_way_price_per_kwh = 0.55", "on_the_way_price_per_kwh = 1.5"),
    ("battery_price = 6500", 'battery_price = 50000\nlaw = "stress"\ncalendar_law = "stress"\nbattery_temp_degc = 15'),
    ('offer = "market.toml"', 'offer = "ratio-0.toml"'),
)


def write_published_household(site: Path) -> Path:
    """Write the site, with an offer for each ratio, 0 and 1, of the price sold to the price bought, return it."""
    site.mkdir()
    text = SITE
    for found, changed in CHANGES:
        assert found in text
        text = text.replace(found, changed)
    (site / "site.toml").write_text(text)
    with (PUBLISHED / "simbench-2016-spring.csv").open() as file:
        rows = list(csv.reader(file, delimiter=";"))[1:]
    stamps = with_offset([row[0] for row in rows])
    series = [f"{stamp},{3 * float(row[1]):.6f}" for stamp, row in zip(stamps, rows, strict=True)]
    (site / "load.csv").write_text("\n".join(["start,kw", *series, ""]))
    for ratio in (0, 1):
        bands = [
            f"[[{side}]]\nprice_per_kwh = {price * factor}\n{when}\n"
            for price, when in PRICES
            for side, factor in (("import", 1), ("export", ratio))
        ]
        head = f'format = 1\nname = "ratio {ratio}"\ncurrency = "CNY"\ndaily_fee = 0\n'
        (site / f"ratio-{ratio}.toml").write_text(head + "".join(bands))
    return site
