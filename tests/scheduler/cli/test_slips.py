"""What an ordinary person types: ordinary spellings are taken, slips that would cost money are refused with a hint."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import reduce
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from models.site.trips import Trip
from scheduler.cli.app import app
from scheduler.inputs.offer_file import read_offer
from scheduler.inputs.site_file import read_site
from scheduler.inputs.site_inputs import read_inputs
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.nights.request import Request
from scheduler.optimizer.lexicographic import NoPlanError
from tests.builders.sites import faults_of, write_site

NOW = "2026-03-02T18:20"


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def trip(km: float = 96, depart: str = "2026-03-03T07:30", comeback: str = "2026-03-03T18:00") -> tuple[Trip, ...]:
    return (Trip(utc(depart), utc(comeback), km),)


NINE = utc("2026-03-02T21:00")
DATED = trip(12.5, "2026-03-03T07:30", "2026-03-04T18:30")

TAKEN: list[tuple[tuple[str, ...], str, Any]] = [
    (("--soc", "71"), "soc_percent", 71),
    (("--soc", "70%"), "soc_percent", 70),
    (("--soc", "70 %"), "soc_percent", 70),
    (("--soc", "70 percent"), "soc_percent", 70),
    (("--soc", "70,5"), "soc_percent", 70.5),
    (("--soc", "70,5%"), "soc_percent", 70.5),
    (("--soc", " 70 "), "soc_percent", 70),
    (("--highest-soc-today", "88 %"), "highest_soc_today_percent", 88),
    (("--wear-weight", "0,5"), "wear_weight", 0.5),
    (("--peak-so-far", "3,2 kW"), "peak_so_far_kw", 3.2),
    (("--peak-so-far", "3200 W"), "peak_so_far_kw", 3.2),
    (("--imported-so-far", "1 240 kWh"), "imported_so_far_kwh", {}),
    (("--home-at", "21:00"), "home_at", NINE),
    (("--home-at", "9pm"), "home_at", NINE),
    (("--home-at", "9 PM"), "home_at", NINE),
    (("--home-at", "9.00 p.m."), "home_at", NINE),
    (("--home-at", "21h"), "home_at", NINE),
    (("--home-at", "21h00"), "home_at", NINE),
    (("--home-at", "21.00"), "home_at", NINE),
    (("--home-at", " 21:00 "), "home_at", NINE),
    (("--home-at", "2026-03-02 21:00"), "home_at", NINE),
    (("--home-at", "7:30"), "home_at", utc("2026-03-03T07:30")),
    (("--home-at", "2026-03-03T17:00"), "home_at", utc("2026-03-03T17:00")),
    (("--trip", "7:30-18:00 96km"), "trips", trip()),
    (("--trip", "07:30–18:00, 96 km"), "trips", trip()),
    (("--trip", "07:30 - 18:00 96 km"), "trips", trip()),
    (("--trip", "07:30 — 18:00; 96km"), "trips", trip()),
    (("--trip", "7.30-18.00 96km"), "trips", trip()),
    (("--trip", "7:30am to 6pm, 96 km"), "trips", trip()),
    (("--trip", "7h30-18h 96 KM"), "trips", trip()),
    (("--trip", "7:30 until 18:00 96 kilometres "), "trips", trip()),
    (("--trip", "07:30-18:00 12,5km"), "trips", trip(12.5)),
    (("--trip", "07:30-18:00 12.5 km"), "trips", trip(12.5)),
    (("--trip", "07:30-18:00 0,5km"), "trips", trip(0.5)),
    (("--trip", "7:30-18:00 10 miles"), "trips", trip(16.09344)),
    (("--trip", "2026-03-03 7:30 – 2026-03-04 6:30pm, 12,5 km"), "trips", DATED),
]

REFUSED: list[tuple[tuple[str, ...], str]] = [
    (("--soc", "0.7"), "--soc: 0.7 is under 1; expected 0, or 1 to 100 %; did you mean 70 (percent, not a share)?"),
    (("--soc", "0,7"), "--soc: 0.7 is under 1; expected 0, or 1 to 100 %; did you mean 70 (percent, not a share)?"),
    (("--soc", "710"), "--soc: 710 is over 100"),
    (("--soc", "70 kWh"), '--soc: found "70 kWh"; expected a number of %'),
    (("--soc", "seventy"), '--soc: found "seventy"; expected a number of %'),
    (("--soc", ""), '--soc: found ""; expected a number of %'),
    (("--soc", "1,500"), '--soc: found "1,500"; expected a number of %; did you mean 1.5 or 1500? Write one of these'),
    (("--highest-soc-today", "0.88"), "--highest-soc-today: 0.88 is under 1"),
    (("--imported-so-far", "1,500"), "did you mean 1.5 or 1500?"),
    (("--wear-weight", "double"), '--wear-weight: found "double"; expected a number'),
    (("--home-at", "17:00"), '--home-at: "17:00" is past, and the next is Tue 17:00, 23 hours away; expected a later'),
    (("--home-at", "5pm"), "or 2026-03-03T17:00 if that is meant; did you mean that the car is home?"),
    (("--home-at", "half past nine"), '--home-at: found "half past nine"; expected "21:00"'),
    (("--home-at", "21"), '--home-at: found "21"; expected "21:00"'),
    (("--home-at", "25:00"), '--home-at: "25:00" is not a valid time'),
    (("--home-at", "13pm"), '--home-at: found "13pm"'),
    (("--trip", "half past seven to six, 96km"), '--trip: found "half past seven to six, 96km"; expected "07:30-18:00'),
    (("--trip", "7-18 96km"), '--trip: found "7-18 96km"'),
    (("--trip", "07:30-18:00 96"), "or mi for miles; did you mean 96km, or mi?"),
    (("--trip", "07:30-18:00 1,500km"), 'the distance "1,500" is not a number; expected 0 or more'),
    (("--trip", "07:30-18:00 1,500km"), "did you mean 1.5 or 1500? Write one of these"),
    (("--trip", "07:30-18:00 96000km"), "did you mean 96 (km, not m)?"),
    (("--trip", "18:00 96km"), '--trip: found "18:00 96km"'),
]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_site(tmp_path_factory.mktemp("slips") / "site")


def run(monkeypatch: pytest.MonkeyPatch, site: Path, words: tuple[str, ...]) -> tuple[str, list[Request]]:
    """What `overnight plan` says on standard error, and the request that it was about to plan."""
    found: list[Request] = []

    def stop_before_planning(folder: Path, options: RequestOptions, *_: object) -> None:
        found.append(parse_request(options, read_inputs(folder)))
        raise NoPlanError("this test looks at the request only")

    monkeypatch.setattr("scheduler.plans.plan_tonight.plan_tonight", stop_before_planning)
    usual = () if "--soc" in words else ("--soc", "50")
    result = CliRunner().invoke(app, ["plan", str(site), "--now", NOW, *usual, *words])
    assert result.exit_code == (4 if found else 2), result.output
    return result.stderr, found


@pytest.mark.parametrize(("words", "name", "expected"), TAKEN, ids=lambda each: str(each)[:40])
def test_an_ordinary_spelling_is_taken(
    monkeypatch: pytest.MonkeyPatch, site: Path, words: tuple[str, ...], name: str, expected: Any
) -> None:
    """The command line makes the request that was meant."""
    said, (request,) = run(monkeypatch, site, words)
    assert said.startswith("The solver found no plan")
    assert getattr(request, name) == expected


@pytest.mark.parametrize(("words", "message"), REFUSED, ids=lambda each: str(each)[:40])
def test_a_slip_is_refused_with_what_may_be_meant(
    monkeypatch: pytest.MonkeyPatch, site: Path, words: tuple[str, ...], message: str
) -> None:
    """Exit 2 and one line, before anything is planned."""
    said, requests = run(monkeypatch, site, words)
    assert requests == []
    assert message in said
    assert len(said.splitlines()) == 1


WEAR: list[tuple[tuple[str, ...], str]] = [
    (("--battery-kwh", "58 kWh"), "no-such.csv: there is no such file"),
    (("--battery-price", "6 800"), "no-such.csv: there is no such file"),
    (("--age-years", "2,5 years"), "no-such.csv: there is no such file"),
    (("--temp-degc", "−5 °C"), "no-such.csv: there is no such file"),
    (("--battery-kwh", "1,500"), '--battery-kwh: found "1,500"; expected a number of kWh; did you mean 1.5 or 1500?'),
    (("--temp-degc", "cold"), '--temp-degc: found "cold"; expected a number of °C'),
]


@pytest.mark.parametrize(("words", "said"), WEAR)
def test_numbers_of_other_commands_are_read_alike(words: tuple[str, ...], said: str) -> None:
    """A number that is taken leaves only the file that is not there to be told."""
    result = CliRunner().invoke(app, ["wear", "no-such.csv", *words])
    assert result.exit_code == 2
    assert said in result.stderr


TAKEN_KEYS: list[tuple[str, str, str, Any]] = [
    ("battery_kwh = 52.0", 'battery_kwh = "58 kWh"', "car.battery_kwh", 58),
    ("battery_kwh = 52.0", 'battery_kwh = "58,5 kWh"', "car.battery_kwh", 58.5),
    ("battery_kwh = 52.0", 'battery_kwh = "58000 Wh"', "car.battery_kwh", 58),
    ("floor_percent = 20", 'floor_percent = "20 %"', "car.floor_percent", 20),
    ("charge_max_kw = 7.4", 'charge_max_kw = "7,4 kW"', "charger.charge_max_kw", 7.4),
    ("volts = 230", 'volts = "230 V"', "charger.volts", 230),
    ("100km = 16.5", '100km = "165 Wh/km"', "car.consumption_kwh_per_100km", 16.5),
    ("battery_price = 6800", 'battery_price = "6 800 €"', "wear.battery_price", 6800),
    ("per_kwh = 0.60", 'per_kwh = "0,60 EUR/kWh"', "car.on_the_way_price_per_kwh", 0.6),
    ("Europe/Dublin", "Dublin", "timezone", "Europe/Dublin"),
    ("Europe/Dublin", "berlin", "timezone", "Europe/Berlin"),
    ("Europe/Dublin", "europe/berlin", "timezone", "Europe/Berlin"),
    ("Europe/Dublin", "Germany", "timezone", "Europe/Berlin"),
    ("Europe/Dublin", "UK", "timezone", "Europe/London"),
    ("Europe/Dublin", "new york", "timezone", "America/New_York"),
    ("Europe/Dublin", "São Paulo", "timezone", "America/Sao_Paulo"),
    ('"IE"', '"Ireland"', "holiday_calendar", "IE"),
    ('"IE"', '"ie"', "holiday_calendar", "IE"),
    ('"IE"', '"de-by"', "holiday_calendar", "DE-BY"),
    ('"08:10"', '"8:10"', "usual_trips.0.depart_minute", 490),
    ('"08:10"', '"8.10"', "usual_trips.0.depart_minute", 490),
    ('"17:30"', '"5:30pm"', "usual_trips.0.return_minute", 1050),
    ("distance_km = 31", 'distance_km = "12,5 km"', "usual_trips.0.distance_km", 12.5),
    ("phases = 1", "phases = 1\ntimer = true", "setting.timer", True),
    ("charge_min_kw = 1.4", "charge_min_kw = 4\nallow_high_minimum = true", "charger.charge_min_kw", 4),
    ("phases = 1", 'phases = 1\nset_by = "schedule"\nmax_blocks = 4', "setting.set_by", "schedule"),
]

LEAST = "4 is over half of {}_max_kw, 7.4; expected 0 to 3.7, or also allow_high_minimum = true; did you mean 0.4?"
REFUSED_KEYS: list[tuple[str, str, str]] = [
    ("floor_percent = 20", "floor_percent = 0.2", "did you mean 20 (percent, not a share)?"),
    ("ceiling_percent = 80", "ceiling_percent = 0.8", "did you mean 80 (percent, not a share)?"),
    ("battery_kwh = 52.0", "battery_kwh = 58000", "did you mean 58 (kWh, not Wh)?"),
    ("battery_kwh = 52.0", 'battery_kwh = "58"', "did you mean 58, without quotes?"),
    ("battery_kwh = 52.0", 'battery_kwh = "58 kW"', 'found "58 kW"; expected 1 to 2000 kWh'),
    ("battery_kwh = 52.0", 'battery_kwh = "1,500 kWh"', "did you mean 1.5 or 1500? Write one of these"),
    (
        "battery_kwh = 52.0",
        "battery_kwh = 58 kWh",
        "line 13: this is not TOML: found 58 kWh; expected a number alone; did you mean 58?",
    ),
    (
        "battery_kwh = 52.0",
        "battery_kwh = 58,5",
        "line 13: this is not TOML: found 58,5; expected a number alone; did you mean 58.5?",
    ),
    (
        "floor_percent = 20",
        "floor_percent = 20%",
        "line 14: this is not TOML: found 20%; expected a number alone; did you mean 20?",
    ),
    ("charge_min_kw = 1.4", "charge_min_kw = 4", LEAST.format("charge")),
    ("discharge_min_kw = 1.2", "discharge_min_kw = 4", LEAST.format("discharge")),
    ("charge_min_kw = 1.4", "charge_min_kw = 7.4", "7.4 is over half of charge_max_kw, 7.4; expected 0 to 3.7"),
    (
        "phases = 1",
        "phases = 1\nmax_blocks = 4",
        'there is no set_by, so it counts for nothing; did you mean set_by = "bl',
    ),
    ('"08:10"', "8:10", 'found 8:10; expected a clock time in quotes; did you mean "08:10"?'),
    ("phases = 1", "phases = 1\nmin_block_minutes = 60", "charger.min_block_minutes: there is no set_by"),
    ("phases = 1", 'phases = 1\ntimer = "yes"', 'charger.timer: found "yes"; expected true or false'),
    ("Europe/Dublin", "Spain", '"Spain" has more than one clock; expected one of Europe/Madrid, Atlantic/Canary'),
    ("Europe/Dublin", "Dublim", "did you mean "),
    ('"08:10"', '"half past 8"', 'found "half past 8"; expected a clock time'),
    ('"08:10"', '"8"', 'found "8"; expected a clock time'),
]


@pytest.mark.parametrize(("old", "new", "key", "expected"), TAKEN_KEYS)
def test_an_ordinary_spelling_of_a_key_is_taken(tmp_path: Path, old: str, new: str, key: str, expected: Any) -> None:
    """The reader of `site.toml` gives the value that was meant."""
    site = read_site(write_site(tmp_path / "site", site={old: new}))

    def inside(found: Any, name: str) -> Any:
        return found[int(name)] if name.isdigit() else getattr(found, name)

    assert reduce(inside, key.split("."), site) == expected


@pytest.mark.parametrize(("old", "new", "message"), REFUSED_KEYS)
def test_a_slip_in_a_key_is_refused_with_what_may_be_meant(tmp_path: Path, old: str, new: str, message: str) -> None:
    """One fault, which names the key and the slip."""
    (fault,) = faults_of(lambda: read_site(write_site(tmp_path / "site", site={old: new})))
    assert message in fault


PRICES: list[tuple[dict[str, str], str | None]] = [
    (
        {"0.34": "34"},
        "import[1].price_per_kwh: 34 is over 3 EUR per kWh; expected less, or also allow_high_prices = tr",
    ),
    ({"0.34": "34"}, "did you mean 0.34?"),
    ({"0.34": "340", "0.12": "120", "0.05": "50", "0.45": "450"}, "did you mean 0.34 (per kWh, not per MWh)?"),
    ({"0.34": '"34 ct"'}, "did you mean 0.34 (whole units of the currency, not hundredths)?"),
    ({"0.34": '"1,234 EUR"'}, "did you mean 1.234 or 1234?"),
    ({"0.45": "45"}, "did you mean 0.45?"),
    ({"0.45": "-8"}, "export[2].price_per_kwh: -8 is under -3 EUR per kWh"),
    ({"0.34": "34", '"EUR"': '"EUR"\nallow_high_prices = true'}, None),
    ({"0.34": "34", '"EUR"': '"JPY"', "0.12": "12", "0.05": "5", "0.45": "16"}, None),
    ({"0.34": "0.345"}, None),
    ({"0.34": '"0,345 EUR"'}, None),
    ({"0.34": '"€0.34"'}, None),
    ({'"23:00"': '"11pm"', '"07:00"': '"7.00"'}, None),
]


@pytest.mark.parametrize(("changes", "message"), PRICES)
def test_a_price_in_another_unit_is_refused(tmp_path: Path, changes: dict[str, str], message: str | None) -> None:
    """34 where 0.34 is meant costs a night; where it is meant, the offer says so, and some currencies have no limit."""
    folder = write_site(tmp_path / "site", offer=changes)
    faults = faults_of(lambda: read_offer(folder / "offers" / "evening.toml", True))
    if message is None:
        assert faults == []
    else:
        assert any(message in fault for fault in faults), faults
