"""The rules of an offer's file beyond plain bands: steps, market prices, demand charge and tax, good and bad."""

from __future__ import annotations

from pathlib import Path

import pytest

from models.base.time_window import TimeWindow
from models.tariff.offer import ConnectionFee, DemandCharge, Discount, Offer, Tax
from scheduler.inputs.offer_file import read_offer, read_offer_files
from tests.builders.sites import faults_of

HEAD = 'format = 1\nname = "Invented"\ncurrency = "EUR"\ndaily_fee = 0.5\n'
IMPORT = "[[import]]\nprice_per_kwh = 0.30\n"
MARKET = (
    '[market]\nfile = "market.csv"\nmultiply = 1.2\nadd_per_kwh = 0.02\nknown_until = "24:00"\npublished_at = "13:00"\n'
)
FOLLOWS = "[[import]]\nfollows_market = true\n"
DEMAND = (
    '[demand_charge]\nprice_per_kw_month = 6.5\ninterval_minutes = 30\nfrom = "15:00"\nto = "21:00"\ndays = ["mon"]\n'
)
HOURS = [f"2026-01-01T{hour:02}:00Z,{hour / 100 - 0.05:.2f}" for hour in range(24)]


def write(folder: Path, text: str, market: list[str] | None = None, header: str = "start,price_per_kwh") -> Path:
    (folder / "offer.toml").write_text(HEAD + text, encoding="utf-8")
    if market is not None:
        (folder / "market.csv").write_text("\n".join([header, *market, ""]), encoding="utf-8")
    return folder / "offer.toml"


def offer(folder: Path, text: str, market: list[str] | None = None, header: str = "start,price_per_kwh") -> Offer:
    return read_offer(write(folder, text, market, header), has_calendar=False)


def faults(folder: Path, text: str, market: list[str] | None = None, header: str = "start,price_per_kwh") -> list[str]:
    path = write(folder, text, market, header)
    return [line.replace(f"{folder}/", "") for line in faults_of(lambda: read_offer(path, has_calendar=False))]


def test_steps(tmp_path: Path) -> None:
    """Steps by day, by month, and the first kWh of export, with the ban on charging from the grid."""
    by_day = offer(
        tmp_path,
        IMPORT + "[[import]]\nprice_per_kwh = 0.2\nup_to_kwh_per_day = 10\n"
        "[[export]]\nprice_per_kwh = 0.4\nfirst_kwh_per_day = 8\nno_grid_charging = true\n",
    )
    assert (by_day.import_bands[1].up_to_kwh, by_day.import_bands[1].per) == (10, "day")
    assert (by_day.export_bands[0].up_to_kwh, by_day.export_bands[0].no_grid_charging) == (8, True)
    by_month = offer(tmp_path, IMPORT + '[[import]]\nprice_per_kwh = 0.2\nup_to_kwh_per_month = 300\nname = "First"\n')
    assert (by_month.import_bands[1].up_to_kwh, by_month.import_bands[1].per) == (300, "month")
    assert by_month.import_bands[1].name == "First"


def test_parts_fees_discount_and_taxes(tmp_path: Path) -> None:
    """Every new table comes into the offer as it stands in the file; the plain tax stays the first."""
    summer, year = (
        f"[[demand_charge]]\nprice_per_kw_month = {price}\ninterval_minutes = 30\n{more}"
        for price, more in (
            (4, 'name = "Summer"\nmonths = [12, 1, 2]\n'),
            (1, "least_billed_kw = 3\nhighest_of_months = 12\n"),
        )
    )
    found = offer(
        tmp_path,
        'monthly_fee = 6\ntax_percent = 24\ntax_covers = ["import"]\n'
        + IMPORT
        + '[[import]]\nprice_per_kwh = 0.1\npart = "network"\n[connection_fee]\nprice_per_kw_month = 2\nkw = 14\n'
        + '[discount]\npercent = 5\ncovers = ["import", "daily_fee"]\n'
        + '[[tax]]\npercent = 7\ncovers = ["import"]\npart = "network"\n'
        + summer
        + year,
    )
    assert [band.part for band in found.import_bands] == [None, "network"]
    assert found.taxes == (Tax(24.0, frozenset({"import"})), Tax(7.0, frozenset({"import"}), "network"))
    assert (found.monthly_fee, found.connection_fee) == (6.0, ConnectionFee(2.0, 14.0))
    assert found.discount == Discount(5.0, frozenset({"import", "daily_fee"}))
    assert found.demand_charges == (
        DemandCharge(4.0, 30, TimeWindow(months=frozenset({12, 1, 2})), name="Summer"),
        DemandCharge(1.0, 30, least_kw=3.0, look_back_months=12),
    )
    assert found.factor("import", "network") == pytest.approx(0.95 * 1.31)


def test_demand_charge_and_tax(tmp_path: Path) -> None:
    """A demand charge with its window, and a tax on two lines."""
    found = offer(tmp_path, 'tax_percent = 24\ntax_covers = ["import", "demand_charge"]\n' + IMPORT + DEMAND)
    (charge,) = found.demand_charges
    assert charge.price_per_kw_month == 6.5
    assert charge.interval_minutes == 30
    assert charge.window == TimeWindow(900, 1260, frozenset({0}))
    assert found.factor("import") == pytest.approx(1.24)
    assert found.factor("export") == 1.0


def test_market(tmp_path: Path) -> None:
    """Bands follow the market with its factor and addition, or with their own; the file is one of the offer's."""
    text = FOLLOWS + "[[export]]\nfollows_market = true\nmultiply = 0.9\nadd_per_kwh = -0.01\n" + MARKET
    found, files = read_offer_files(write(tmp_path, text, HOURS), has_calendar=False)
    assert (found.import_bands[0].market_factor, found.import_bands[0].price_per_kwh) == (1.2, 0.02)
    assert (found.export_bands[0].market_factor, found.export_bands[0].price_per_kwh) == (0.9, -0.01)
    assert files == (tmp_path / "offer.toml", tmp_path / "market.csv")
    assert found.market is not None
    assert found.market.price_per_kwh[[0, 23]] == pytest.approx([-0.05, 0.18])
    assert (found.market.known_until_minute, found.market.published_minute) == (1440, 780)


def test_market_per_mwh(tmp_path: Path) -> None:
    """Prices per MWh, as markets publish them, become prices per kWh."""
    rows = [f"2026-01-01T00:{minute:02}Z,{price}" for minute, price in ((0, 61.5), (15, -12), (30, 0), (45, 80))]
    found = offer(tmp_path, FOLLOWS + MARKET, rows, "start,price_per_mwh")
    assert found.market is not None
    assert found.market.price_per_kwh == pytest.approx([0.0615, -0.012, 0.0, 0.08])
    assert found.market.step_minutes == 15


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "[[import]]\nprice_per_kwh = 0.2\nup_to_kwh_per_day = 10\n",
            "line 5, import: no import price on a Monday in January at 00:00 once every tier is used up; expected "
            "bands without a limit in kWh that cover all times",
        ),
        (
            "[[import]]\nprice_per_kwh = 0.2\nup_to_kwh_per_day = 10\n" + IMPORT,
            "line 7, import[1].up_to_kwh_per_day: bands later in the file override this one at all times, so no kWh",
        ),
        (
            IMPORT + "[[import]]\nprice_per_kwh = 0.2\nup_to_kwh_per_day = 10\nup_to_kwh_per_month = 90\n",
            "line 10, import[2].up_to_kwh_per_month: there is up_to_kwh_per_day as well; expected one of the two",
        ),
        (
            IMPORT + "[[import]]\nprice_per_kwh = 0.2\nup_to_kwh_per_day = 0\n",
            "line 9, import[2].up_to_kwh_per_day: 0 is under 0.1; expected 0.1 to 1000000 kWh",
        ),
        (
            IMPORT + "[[import]]\nprice_per_kwh = 0.2\nup_to_kwh_per_day = 10\n"
            "[[import]]\nprice_per_kwh = 0.1\nup_to_kwh_per_day = 20\n",
            "line 12, import[3].up_to_kwh_per_day: this tier and that of import[2] can hold at the same time; expected",
        ),
        (
            IMPORT + "[[import]]\nprice_per_kwh = 0.2\nup_to_kwh_per_day = 10\n"
            '[[import]]\nprice_per_kwh = 0.1\nup_to_kwh_per_day = 5\nto = "12:00"\n',
            "line 12, import[3].up_to_kwh_per_day: this tier and that of import[2] can hold at the same time; expected",
        ),
        (
            IMPORT + "[[import]]\nprice_per_kwh = 0.2\nup_to_kwh_per_month = 100\n"
            "[[import]]\nprice_per_kwh = 0.1\nup_to_kwh_per_day = 5\n",
            "line 12, import[3].up_to_kwh_per_day: this tier and that of import[2] can hold at the same time; expected",
        ),
        (
            IMPORT + "[[import]]\nprice_per_kwh = 0.2\nfirst_kwh_per_day = 5\n",
            "line 9, import[2].first_kwh_per_day: unknown key; did you mean up_to_kwh_per_day?",
        ),
        (IMPORT + DEMAND + DEMAND, "line 13: this is not TOML: Cannot declare ('demand_charge',) twice"),
        (
            "demand_charge = []\n" + IMPORT,
            "line 5, demand_charge: found 0 tables; expected 1 to 20",
        ),
        (
            IMPORT + DEMAND.replace("[demand_charge]", "[[demand_charge]]") + "highest_of_months = 25\n",
            "line 13, demand_charge[1].highest_of_months: 25 is over 24; expected a whole number of months, 1",
        ),
        (
            IMPORT + '[[tax]]\npercent = 5\ncovers = ["import"]\npart = "network"\n',
            'line 10, tax[1].part: no band belongs to the part "network"; expected bands with a part',
        ),
        (
            IMPORT + 'part = "grid"\n[[tax]]\npercent = 5\ncovers = ["daily_fee"]\npart = "grid"\n',
            'line 10, tax[1].covers: a tax on a part of the price covers "import" and "export" alone; expected one or',
        ),
        (
            IMPORT + '[discount]\npercent = 5\ncovers = ["monthly_fee"]\n',
            'line 9, discount.covers: it covers "monthly_fee", but the offer has none; expected monthly_fee',
        ),
        (
            IMPORT + "[connection_fee]\nprice_per_kw_month = 2\n",
            "line 7, connection_fee.kw: missing, and required: 0.5 to 2000 kW",
        ),
        (
            IMPORT + DEMAND.replace("= 30", "= 20"),
            "line 9, demand_charge.interval_minutes: found 20; expected 15, 30 or 60",
        ),
        (
            'tax_percent = 101\ntax_covers = ["import"]\n' + IMPORT,
            "line 5, tax_percent: 101 is over 100; expected 0, or 1 to 100 %",
        ),
        ("tax_percent = 24\n" + IMPORT, "tax_covers: missing, and required where there is a tax_percent"),
        (
            'tax_percent = 24\ntax_covers = ["imports"]\n' + IMPORT,
            'line 6, tax_covers: found "imports"; did you mean import?; expected a list of lines of the bill',
        ),
        (
            'tax_percent = 24\ntax_covers = ["demand_charge"]\n' + IMPORT,
            "line 6, tax_covers: it covers a demand charge, but there is none; expected a [demand_charge] table",
        ),
        (
            "[[import]]\n",
            "price_per_kwh: missing, and required unless follows_market = true: -1000000 to",
        ),
        (
            FOLLOWS + IMPORT.replace("[[import]]\n", "") + MARKET,
            "line 7, import[1].price_per_kwh: the band follows the market too; expected one of the two",
        ),
        (
            IMPORT + "add_per_kwh = 0.1\n",
            "line 7, import[1].add_per_kwh: this is for a band that follows the market; expected follows_market",
        ),
        (FOLLOWS, "line 6, import[1].follows_market: there is no [market]; expected a [market] table that names"),
        (IMPORT + MARKET, "line 7, market: no band follows the market; expected follows_market = true on a band"),
        (
            FOLLOWS + MARKET.replace("market.csv", "none.csv"),
            'line 8, market.file: "none.csv": there is no such file; expected a file, relative to the offer',
        ),
        (
            FOLLOWS + MARKET.replace('"24:00"', '"00:00"'),
            'line 11, market.known_until: found "00:00"; expected a clock time "00:01" to "24:00", in quotes',
        ),
    ],
)
def test_bad_rules(tmp_path: Path, text: str, message: str) -> None:
    """Each contradiction is one fault with its line and what is allowed."""
    found = faults(tmp_path, text, HOURS)
    assert len(found) == 1, found
    assert message in found[0]


@pytest.mark.parametrize(
    ("rows", "header", "message"),
    [
        (
            [*HOURS, *[row.replace("01-01", "01-03") for row in HOURS]],
            "start,price_per_kwh",
            (
                "market.csv line 26, start: gap: 1500 minutes after the row above; "
                "expected 60 minutes, as in the other rows"
            ),
        ),
        (
            [*HOURS[:3], HOURS[2], *HOURS[3:]],
            "start,price_per_kwh",
            "market.csv line 5, start: duplicate: the same start as the row above; expected rows in time order",
        ),
        (
            [*HOURS[:5], "2026-01-01T04:30Z,0.1", *HOURS[5:]],
            "start,price_per_kwh",
            (
                "market.csv line 7, start: short interval: 30 minutes after the row "
                "above; expected 60 minutes, as in the other"
            ),
        ),
        (
            [f"2026-01-{day:02}T00:00Z,1" for day in range(1, 9)],
            "start,price_per_kwh",
            "market.csv line 3, start: 1440 minutes after the row above; expected 5 to 60 minutes",
        ),
        (HOURS, "start,eur", 'market.csv line 1: the header is "start,eur"; expected start,price_per_kwh'),
        (
            [*HOURS[:-1], "2026-01-01T23:00Z,inf"],
            "start,price_per_kwh",
            'market.csv line 25, price_per_kwh: "inf" is not a number; expected -1000000 to',
        ),
    ],
)
def test_bad_market_series(tmp_path: Path, rows: list[str], header: str, message: str) -> None:
    """A missing day, a duplicate, a wrong step, another header, no number: one fault with the line."""
    found = faults(tmp_path, FOLLOWS + MARKET, rows, header)
    assert message in found[0]
    assert not any("offer.toml" in line for line in found)
