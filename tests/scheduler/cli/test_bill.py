"""`overnight bill`: from a meter's file to the printed bill; figures are invented, the arithmetic is beside each."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from models.base.time_window import TimeWindow
from models.tariff.bill import rounded
from scheduler.billing.bill_line_text import time_window_text
from scheduler.cli.app import app
from tests.builders.sites import write_site

OFFER = """\
format = 1
name = "Everything at once"
currency = "EUR"
daily_fee = 0.34
tax_percent = 25.5
tax_covers = ["import", "daily_fee", "demand_charge"]
[[import]]
price_per_kwh = 0.215
[[import]]
price_per_kwh = 0.18
up_to_kwh_per_month = 200
[[import]]
name = "Evening peak"
price_per_kwh = 0.345
from = "17:00"
to = "21:00"
days = ["mon", "tue", "wed", "thu", "fri"]
[[export]]
price_per_kwh = 0.045
[[export]]
price_per_kwh = 0.12
first_kwh_per_day = 3
[demand_charge]
price_per_kw_month = 4.10
interval_minutes = 60
"""


def meter_text(days: int = 31, import_kwh: float = 1.0, export_kwh: float = 0.2) -> str:
    """January 2026 in Dublin, hour by hour."""
    rows = [
        f"2026-01-{day:02}T{hour:02}:00+00:00,{import_kwh},{export_kwh}"
        for day in range(1, days + 1)
        for hour in range(24)
    ]
    return "\n".join(["start,import_kwh,export_kwh", *rows, ""])


def run(folder: Path, *options: str, meter: str | None = None, offer: str = OFFER) -> tuple[int, str, str]:
    """Write site, offer and meter, run the command; its exit code, standard output and standard error."""
    site = write_site(folder / "home")
    (folder / "offer.toml").write_text(offer, encoding="utf-8")
    (folder / "meter.csv").write_text(meter_text() if meter is None else meter, encoding="utf-8")
    arguments = ["bill", str(site), str(folder / "offer.toml"), "--meter", str(folder / "meter.csv"), *options]
    result = CliRunner().invoke(app, arguments)
    assert "Traceback" not in result.output
    return result.exit_code, result.stdout, result.stderr.replace(f"{folder}/", "")


def document(folder: Path, *options: str, **changes: str) -> dict[str, object]:
    code, output, _ = run(folder, "--json", *options, **changes)
    assert code == 0
    return json.loads(output)


def test_a_month_to_the_cent(tmp_path: Path) -> None:
    """January: 744 h at 1 kWh, of which 22 weekdays x 4 h = 88 in the evening peak; the first 200 of the rest at 0.18.

    Fee 31 x 0.34 = 10.54; 200 x 0.18 = 36.00; 456 x 0.215 = 98.04; 88 x 0.345 = 30.36; demand 1 kW x 4.10 = 4.10;
    tax 25.5 % of 179.04 = 45.66; sold 31 x 3 = 93 x 0.12 = 11.16 and 31 x 1.8 = 55.8 x 0.045 = 2.51.
    """
    made = document(tmp_path)
    amounts = {line["line"]: line["amount"] for line in made["lines"]}  # type: ignore[attr-defined]
    assert list(amounts.values()) == [10.54, 98.04, 36.00, 30.36, 4.10, -2.51, -11.16, 45.66]
    assert amounts["Bought: at all times, up to 200 kWh a month"] == 36.00
    assert amounts["Bought: Evening peak"] == 30.36
    assert amounts["Tax on daily fee, bought and demand charge"] == 45.66
    assert made["total"] == 211.03
    assert made["sums"] == {"daily_fee": 10.54, "import": 164.40, "demand_charge": 4.10, "export": -13.67, "tax": 45.66}


def test_lines_add_up_and_all_three_outputs_say_the_same(tmp_path: Path) -> None:
    """The printed amounts of JSON, CSV and screen are the same, and sum to the cent to what is to be paid."""
    out = tmp_path / "out"
    code, screen, _ = run(tmp_path, "--out", str(out), meter=meter_text(import_kwh=0.777, export_kwh=0.333))
    assert code == 0
    made = json.loads((out / "bill.json").read_text(encoding="utf-8"))
    rows = list(csv.DictReader(io.StringIO((out / "bill.csv").read_text(encoding="utf-8"))))
    amounts = [line["amount"] for line in made["lines"]]
    assert [float(row["amount"]) for row in rows] == amounts
    assert rounded(sum(amounts), 2) == made["total"] == rounded(sum(made["sums"].values()), 2)
    assert float(rows[0]["exact_amount"]) == pytest.approx(10.54)
    lines = [line.split() for line in screen.splitlines() if line.startswith(("   Daily", "   Bought", "   Sold"))]
    lines += [line.split() for line in screen.splitlines() if line.startswith(("   Highest", "   Tax"))]
    assert sorted(float(words[-1].replace("−", "-")) for words in lines) == sorted(amounts)
    assert f"{made['total']:.2f}" in next(line for line in screen.splitlines() if line.startswith(" To pay"))


def test_days_asked_for(tmp_path: Path) -> None:
    """Both days are billed: 10 to 12 January are three; the month's kWh before them count, and so do its days."""
    made = document(tmp_path, "--from", "2026-01-10", "--to", "2026-01-12")
    amounts = {line["line"]: line["amount"] for line in made["lines"]}  # type: ignore[attr-defined]
    assert amounts["Daily fee"] == rounded(3 * 0.34, 2)
    # by 10 January 9 x 24 - 7 weekdays x 4 = 188 kWh were counted: 12 are left; the 10th is a Saturday
    assert amounts["Bought: at all times, up to 200 kWh a month"] == rounded(12 * 0.18, 2)
    assert amounts["Bought: at all times, over 200 kWh a month"] == rounded((72 - 4 - 12) * 0.215, 2)
    assert amounts["Highest demand, 10 Jan 00:00, 3 of 31 days"] == rounded(4.10 * 3 / 31, 2)


def test_what_is_estimated_is_said(tmp_path: Path) -> None:
    """A meter file that marks values as estimated leads to a note with their number."""
    lines = meter_text().splitlines()
    marked = [f"{lines[0]},estimated", *(f"{line},{'yes' if row < 5 else 'no'}" for row, line in enumerate(lines[1:]))]
    code, output, _ = run(tmp_path, meter="\n".join([*marked, ""]))
    assert code == 0
    assert "The meter's file marks 5 of 744 values as estimated" in " ".join(output.split())


def without(lines: list[str], *numbers: int) -> str:
    return "\n".join([line for number, line in enumerate(lines, 1) if number not in numbers] + [""])


@pytest.mark.parametrize(
    ("options", "meter", "offer", "message"),
    [
        (("--from", "2026-01-20", "--to", "2026-01-10"), None, OFFER, "--to: 2026-01-10 is before --from 2026-01-20"),
        (
            ("--to", "2026-02-10"),
            None,
            OFFER,
            "--to: 2026-02-10 has no values; expected one of the meter's whole days, 2026-01-01 to 2026-01-31",
        ),
        (("--from", "soon"), None, OFFER, '--from: found "soon"; expected a date such as 2026-03-02'),
        ((), meter_text().split("2026-01-01T20")[0], OFFER, "--meter: the files do not cover a whole local day"),
        (
            (),
            without(meter_text().splitlines(), 40, 41),
            OFFER,
            "import has no values 2026-01-02T14:00+00:00 to 2026-01-02T16:00+00:00 (2 h)",
        ),
        (
            (),
            None,
            OFFER.replace("interval_minutes = 60", "interval_minutes = 30"),
            "offer.toml: these meter values cannot be billed: meter intervals of 60 minutes do not give the means",
        ),
        ((), "a,b\n1,2\n", OFFER, 'meter.csv line 1: the first line is "a,b"; expected NEM12, Green Button XML'),
        (
            (),
            None,
            OFFER.replace("25.5", "125.5"),
            "offer.toml line 5, tax_percent: 125.5 is over 100; expected 0, or 1 to",
        ),
        (("--as", "B1=export"), None, OFFER, '--as: no channel is named "B1"; expected one of export, import'),
    ],
)
def test_bad_input(tmp_path: Path, options: tuple[str, ...], meter: str | None, offer: str, message: str) -> None:
    """One clear fault, exit code 2, and nothing on standard output."""
    code, output, errors = run(tmp_path, *options, meter=meter, offer=offer)
    assert code == 2
    assert message in errors
    assert output == ""


def test_nothing_is_written_if_the_bill_fails(tmp_path: Path) -> None:
    """A fault leaves the output folder alone."""
    code, _, _ = run(tmp_path, "--out", str(tmp_path / "out"), "--to", "2026-02-10")
    assert code == 2
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("window", "words"),
    [
        (TimeWindow(), "at all times"),
        (TimeWindow(1020, 1260, frozenset(range(5))), "17:00 to 21:00, Mon to Fri"),
        (TimeWindow(0, 1440, frozenset({5, 6})), "Sat and Sun"),
        (TimeWindow(0, 1440, frozenset({0, 6})), "Sun and Mon"),
        (TimeWindow(0, 1440, None, frozenset({11, 12, 1, 2, 3})), "Nov to Mar"),
        (TimeWindow(0, 360, frozenset({0, 2}), frozenset({7})), "00:00 to 06:00, Mon, Wed, Jul"),
        (TimeWindow(0, 1440, frozenset(range(7))), "Mon to Sun"),
    ],
)
def test_windows_in_words(window: TimeWindow, words: str) -> None:
    """When a band holds, as an owner reads it; a run of days or months may pass the end of the week or year."""
    assert time_window_text(window) == words


def two_spans(first: str, second: str) -> str:
    """Import from one day of January on, export from another, to the 31st."""
    rows = []
    for day in range(1, 32):
        for hour in range(24):
            cells = ["1" if day >= int(first) else "", "0.2" if day >= int(second) else ""]
            rows.append(f"2026-01-{day:02}T{hour:02}:00+00:00,{','.join(cells)}")
    return "\n".join(["start,import_kwh,export_kwh", *rows, ""])


def test_channels_over_different_days_are_not_cut_in_silence(tmp_path: Path) -> None:
    """Export cells that are blank until the 10th: no bill unless the days are asked for."""
    code, output, errors = run(tmp_path, meter=two_spans("1", "10"))
    assert (code, output) == (2, "")
    assert "its channels have values over different times" in errors
    assert "expected --from" in errors
    code, _, _ = run(tmp_path, "--from", "2026-01-10", meter=two_spans("1", "10"))
    assert code == 0


def test_export_alone_is_no_bill(tmp_path: Path) -> None:
    """A file that counts no import is refused, not billed with nothing bought."""
    code, _, errors = run(tmp_path, "--as", "import=ignore")
    assert code == 2
    assert "no channel counts import" in errors


def test_names_are_not_read_as_markup(tmp_path: Path) -> None:
    """A band's name with square brackets is printed as it is."""
    code, output, _ = run(tmp_path, offer=OFFER.replace("Evening peak", "peak [/x] [red]"))
    assert code == 0
    assert "peak [/x] [red]" in output


def test_a_price_that_changes_inside_a_meter_step_is_said(tmp_path: Path) -> None:
    """An hourly meter and a band from 17:30: the spreading is named on the bill."""
    code, output, _ = run(tmp_path, offer=OFFER.replace('"17:00"', '"17:30"'))
    assert code == 0
    assert "the energy of an interval is spread evenly over it" in " ".join(output.split())


def test_steps_off_midnight_are_shared_between_days(tmp_path: Path) -> None:
    """Hourly steps that begin at twenty past: each of the whole days still has 24 kWh, and the spreading is said."""
    made = document(tmp_path, meter=meter_text().replace(":00+00:00", ":20+00:00"), offer=OFFER)
    assert (made["first_day"], made["last_day"]) == ("2026-01-02", "2026-01-31")
    bought = sum(line["quantity"] for line in made["lines"] if line["kind"] == "import")  # type: ignore[attr-defined]
    assert bought == pytest.approx(30 * 24)
    assert any("spread evenly" in note for note in made["notes"])  # type: ignore[attr-defined]


def test_an_impossible_amount_is_a_fault(tmp_path: Path) -> None:
    """1e300 kWh in an hour is no reading."""
    code, _, errors = run(tmp_path, meter=meter_text().replace("T05:00+00:00,1.0", "T05:00+00:00,1e300", 1))
    assert code == 2
    assert 'import_kwh: "1e300" is over 10000000; expected 0 to 10000000' in errors


def nem12_text(days: int = 3) -> str:
    """January 2026, half-hours of market time (UTC+10), 0.5 kWh each."""
    records = [f"300,202601{day:02},{','.join(['0.5'] * 48)},A,,,20260205041500," for day in range(1, days + 1)]
    return "\n".join(["100,NEM12,202602060415,S,R", "200,9900000011,E1,1,E1,N1,M1,kWh,30,", *records, "900", ""])


@pytest.mark.parametrize(("zone", "hours"), [("Australia/Sydney", 1), ("Australia/Adelaide", 0.5)])
def test_the_first_day_of_market_time_is_billed_if_it_is_asked_for(tmp_path: Path, zone: str, hours: float) -> None:
    """In summer Sydney is an hour ahead of the market, Adelaide half an hour; each hour has 2 x 0.5 kWh.

    By common practice of the NEM, meter data are in UTC+10 all year.
    """
    site = write_site(tmp_path / "home", {'timezone = "Europe/Dublin"': f'timezone = "{zone}"'})
    (tmp_path / "offer.toml").write_text(
        'format = 1\nname = "Plain"\ncurrency = "AUD"\ndaily_fee = 1\n[[import]]\nprice_per_kwh = 0.25\n'
        "[[export]]\nprice_per_kwh = 0.05\n",
        encoding="utf-8",
    )
    (tmp_path / "nem.csv").write_text(nem12_text(), encoding="utf-8")

    def billed(*options: str) -> tuple[float, str]:
        words = ["bill", str(site), str(tmp_path / "offer.toml"), "--meter", str(tmp_path / "nem.csv"), "--json"]
        result = CliRunner().invoke(app, [*words, *options])
        assert result.exit_code == 0, result.output
        found = json.loads(result.stdout)
        return found["total"], " ".join(found["notes"])

    total, notes = billed()
    assert total == 2 * (1 + 24 * 0.25)
    assert "the bill begins on 2026-01-02; --from 2026-01-01 bills that day too, without what is missing" in notes
    total, notes = billed("--from", "2026-01-01")
    assert total == pytest.approx(3 * (1 + 24 * 0.25) - hours * 0.25, abs=0.005)
    end = "01:00" if hours == 1 else "00:30"
    assert f"what the meter counted from 00:00 to {end} that day is not in the file and counts 0 kWh" in notes


FLAT = """\
format = 1
name = "Flat"
currency = "EUR"
daily_fee = 0.20
[[import]]
price_per_kwh = 0.25
"""


def several(folder: Path, *options: str, other: str = FLAT) -> tuple[int, str, str]:
    """Bill January under both offers, the dearer one first."""
    site = write_site(folder / "home")
    names = (folder / "flat.toml", folder / "offer.toml")
    for name, text in zip(names, (other, OFFER), strict=True):
        name.write_text(text, encoding="utf-8")
    (folder / "meter.csv").write_text(meter_text(), encoding="utf-8")
    command = ["bill", str(site), *map(str, names), "--meter", str(folder / "meter.csv"), *options]
    result = CliRunner().invoke(app, command)
    assert "Traceback" not in result.output
    return result.exit_code, result.stdout, result.stderr.replace(f"{folder}/", "")


def test_several_offers_are_ranked(tmp_path: Path) -> None:
    """The month above comes to 211.03; flat it is 744 x 0.25 + 31 x 0.20 = 192.20, which is 18.83 less."""
    out = tmp_path / "out"
    code, output, _ = several(tmp_path, "--out", str(out))
    assert code == 0
    assert "Flat costs least" in output
    rows = list(csv.DictReader((out / "bills.csv").read_text(encoding="utf-8").splitlines()))
    assert [row["offer"] for row in rows] == ["Flat", "Everything at once"]
    assert [float(row["total"]) for row in rows] == [192.2, 211.03]
    assert [float(row["more_than_first"]) for row in rows] == [0, 18.83]
    assert [float(row["import"]) for row in rows] == [186.0, 164.4]
    assert {file.name for file in out.iterdir()} == {"bills.csv", "bills.json", "bill-flat.csv", "bill-offer.csv"}
    found = json.loads((out / "bills.json").read_text(encoding="utf-8"))
    assert [each["total"] for each in found["offers"]] == [192.2, 211.03]
    code, output, _ = several(tmp_path, "--json")
    assert json.loads(output) == found


@pytest.mark.parametrize(
    ("other", "said"),
    [
        (FLAT.replace("EUR", "DKK"), "offer.toml, currency: found EUR; expected DKK, as in the first"),
        (FLAT.replace("Flat", "Everything at once"), "is the name of an offer before it; expected each offer once"),
        (FLAT.replace("0.25", '"a"'), "flat.toml line 6"),
    ],
)
def test_offers_that_cannot_be_ranked(tmp_path: Path, other: str, said: str) -> None:
    code, _, error = several(tmp_path, "--out", str(tmp_path / "out"), other=other)
    assert code == 2
    assert said in error
    assert not (tmp_path / "out").exists()
