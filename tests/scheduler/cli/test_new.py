"""`overnight new` option by option: what arrives in the site, what is refused, and in which time zones it plans."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from scheduler.cli.app import app
from scheduler.inputs.site_file import read_site
from scheduler.inputs.site_inputs import read_inputs
from scheduler.nights.parse_request import RequestOptions
from scheduler.plans.plan_tonight import plan_tonight

REQUIRED = {
    "--name": "Sallow Lodge",
    "--timezone": "Europe/Dublin",
    "--currency": "EUR",
    "--battery-kwh": "52",
    "--consumption-kwh-per-100km": "17.5",
    "--charge-min-kw": "1.4",
    "--charge-max-kw": "7.4",
    "--discharge-min-kw": "1.2",
    "--discharge-max-kw": "6.8",
    "--volts": "240",
    "--phases": "1",
    "--discharge-to": "building-and-grid",
    "--import-limit-kw": "14",
    "--export-limit-kw": "5",
    "--battery-price": "6800",
    "--day-price": "0.34",
    "--export-price": "0.05",
}
NIGHT = {"--night-price": "0.12", "--night-hours": "22:30-06:30"}
FEED_IN = {"--feed-in-price": "0.28", "--feed-in-hours": "18:00-21:00"}


def new(folder: Path, options: dict[str, str], *flags: str, typed: str = "") -> Result:
    """Run `overnight new` with these options, and this typed where it asks."""
    words = [word for option in options.items() for word in option]
    return CliRunner().invoke(app, ["new", str(folder), *words, *flags], input=typed)


def nothing_written(parent: Path) -> bool:
    """Whether there is no file in a folder, hidden or not, at any depth."""
    return not [path for path in parent.rglob("*") if path.is_file()]


@pytest.mark.parametrize("flags", [(), ("--solar",)], ids=["no-solar", "solar"])
@pytest.mark.parametrize("bands", [{}, NIGHT, NIGHT | FEED_IN], ids=["one-price", "night", "night-and-feed-in"])
def test_a_new_site_plans_at_once(tmp_path: Path, bands: dict[str, str], flags: tuple[str, ...]) -> None:
    """With and without solar, a night price and a feed-in price, tonight's plan comes out with no edit at all."""
    folder = tmp_path / "home"
    result = new(folder, REQUIRED | bands, *flags)
    assert result.exit_code == 0, result.output
    plan = plan_tonight(folder, RequestOptions(soc_percent=70))
    assert not [warning for warning in plan.warnings if "fewer than" in warning]  # enough days for a typical one
    assert (folder / "solar.csv").exists() == bool(flags)
    assert not bands or any(block.action != "charge" for block in plan.blocks)


def test_every_answer_arrives_in_the_site(tmp_path: Path) -> None:
    """What the options say is what the site and the offer hold, unit by unit."""
    folder = tmp_path / "home"
    extra = {"--holiday-calendar": "IE", "--daily-fee": "0.4", "--export-limit-kw": "4.5"}
    assert new(folder, REQUIRED | NIGHT | FEED_IN | extra, "--solar").exit_code == 0
    inputs = read_inputs(folder)
    site, charger, offer = inputs.site, inputs.site.charger, inputs.offer
    assert (site.name, site.timezone, site.holiday_calendar) == ("Sallow Lodge", "Europe/Dublin", "IE")
    assert (site.connection.import_limit_kw, site.connection.export_limit_kw) == (14.0, 4.5)
    assert (site.car.battery_kwh, site.car.consumption_kwh_per_100km) == (52.0, 17.5)
    assert (charger.charge_min_kw, charger.charge_max_kw) == (1.4, 7.4)
    assert (charger.discharge_min_kw, charger.discharge_max_kw) == (1.2, 6.8)
    assert (charger.volts, charger.phases, charger.discharge_to) == (240.0, 1, "building-and-grid")
    assert site.wear.battery_price == 6800.0
    assert (offer.currency, offer.daily_fee) == ("EUR", 0.4)
    assert [band.price_per_kwh for band in offer.import_bands] == [0.34, 0.12]
    assert [band.price_per_kwh for band in offer.export_bands] == [0.05, 0.28]
    assert (offer.import_bands[1].from_minute, offer.import_bands[1].to_minute) == (22 * 60 + 30, 6 * 60 + 30)


def test_placeholders_are_marked_and_the_owner_is_told(tmp_path: Path) -> None:
    """The meter files are called placeholders in the site, in a file of their own and in what the command prints."""
    folder = tmp_path / "home"
    printed = new(folder, REQUIRED, "--solar").output
    assert "placeholder" in printed
    assert "start,kw" in printed
    marked = re.findall(r"^(load|solar) = .*PLACEHOLDER", (folder / "site.toml").read_text(encoding="utf-8"), re.M)
    assert marked == ["load", "solar"]
    assert "placeholders" in (folder / "READ-ME-FIRST.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize("timezone", ["Australia/Lord_Howe", "America/St_Johns", "Asia/Kathmandu", "Pacific/Apia"])
def test_placeholders_reach_up_to_now_in_any_time_zone(tmp_path: Path, timezone: str) -> None:
    """35 days up to this hour, in zones off the whole hour too."""
    folder = tmp_path / "home"
    assert new(folder, REQUIRED | {"--timezone": timezone}).exit_code == 0
    load = read_inputs(folder).load
    hours_ahead = (load.end - datetime.now(UTC)).total_seconds() / 3600
    days = (load.end - load.start[0]).total_seconds() / 86400
    assert -0.1 <= hours_ahead <= 1
    assert 34.9 <= days <= 36.1  # an hour more or less where the clock changed


@pytest.mark.parametrize("missing", ["--import-limit-kw", "--export-limit-kw", "--battery-kwh", "--discharge-max-kw"])
def test_what_decides_safety_has_no_default(tmp_path: Path, missing: str) -> None:
    """Where nobody can be asked, an approved limit, battery or power that is not given is a fault, not a guess."""
    result = new(tmp_path / "home", {key: value for key, value in REQUIRED.items() if key != missing})
    assert result.exit_code == 2
    assert f"{missing}: missing" in result.stderr
    assert nothing_written(tmp_path)


def test_all_that_is_missing_is_said_at_once(tmp_path: Path) -> None:
    """Without options and without a terminal every required option is named, in one go."""
    result = new(tmp_path / "home", {})
    assert result.exit_code == 2
    optional = {"--name", "--consumption-kwh-per-100km", "--volts", "--phases", "--export-price"}
    for option in REQUIRED.keys() - optional:
        assert f"{option}: missing" in result.stderr
    assert nothing_written(tmp_path)


BAD = [
    ("--name", " ", "--name: found"),
    ("--name", "two\nlines", "--name: found"),
    ("--name", "bell\x07", "--name: found"),
    ("--timezone", "Europe/Nowhere", "Europe/Nowhere"),
    ("--holiday-calendar", "Atlantis", "Atlantis"),
    ("--currency", "euro", "--currency: found"),
    ("--battery-kwh", "0", "--battery-kwh: "),
    ("--battery-kwh", "nan", "--battery-kwh: nan is not finite"),
    ("--battery-kwh", "1e12", "--battery-kwh: "),
    ("--consumption-kwh-per-100km", "1,750", "--consumption-kwh-per-100km: found"),
    ("--charge-max-kw", "seven", "--charge-max-kw: found"),
    ("--charge-min-kw", "9", "is over"),
    ("--discharge-min-kw", "9", "is over"),
    ("--volts", "-230", "--volts: "),
    ("--phases", "4", "--phases: "),
    ("--discharge-to", "grid", "--discharge-to: found"),
    ("--import-limit-kw", "-1", "--import-limit-kw: "),
    ("--export-limit-kw", "inf", "--export-limit-kw: inf is not finite"),
    ("--battery-price", "-1", "--battery-price: "),
    ("--day-price", "cheap", "--day-price: found"),
    ("--night-price", "nan", "nan is not finite"),
    ("--night-hours", "7-9", "--night-hours: found"),
    ("--night-hours", "07:00-07:00", "--night-hours: found"),
    ("--feed-in-hours", "18:00", "--feed-in-hours: found"),
    ("--feed-in-price", "a lot", "--feed-in-price"),
    ("--daily-fee", "-3", "is under 0"),
]


@pytest.mark.parametrize(("option", "value", "said"), BAD)
def test_a_bad_option_is_a_clear_message_and_nothing_is_written(
    tmp_path: Path, option: str, value: str, said: str
) -> None:
    """Each bad option exits 2, says what was found, and leaves no file behind."""
    result = new(tmp_path / "home", REQUIRED | NIGHT | FEED_IN | {option: value})
    assert result.exit_code == 2
    assert said in result.stderr
    assert "Traceback" not in result.output
    assert nothing_written(tmp_path)


@pytest.mark.parametrize("hidden", [False, True])
def test_a_folder_in_use_is_refused_and_left_as_it_is(tmp_path: Path, hidden: bool) -> None:
    """One file in the folder, hidden or not, is enough to refuse."""
    folder = tmp_path / "home"
    folder.mkdir()
    kept = folder / (".notes" if hidden else "notes.txt")
    kept.write_text("mine", encoding="utf-8")
    result = new(folder, REQUIRED)
    assert result.exit_code == 2
    assert "not empty" in result.stderr
    assert [path.name for path in tmp_path.rglob("*")] == ["home", kept.name]
    assert kept.read_text(encoding="utf-8") == "mine"


def test_a_site_that_cannot_be_written_is_one_clear_line(tmp_path: Path) -> None:
    """A file where a parent folder belongs is told in one line."""
    (tmp_path / "file").write_text("mine", encoding="utf-8")
    result = new(tmp_path / "file" / "home", REQUIRED)
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    assert len(result.stderr.splitlines()) == 1


def test_a_question_is_asked_again_until_its_answer_is_allowed(tmp_path: Path) -> None:
    """A word for a size is refused with what is allowed, and the next answer is taken."""
    given = REQUIRED | {"--holiday-calendar": "IE"}
    asked = {key: value for key, value in given.items() if key != "--battery-kwh"}
    folder = tmp_path / "home"
    result = new(folder, asked, "--ask", typed="big\n-4\n47.5\n" + "\n" * 20)
    assert result.exit_code == 0, result.output
    assert result.output.count("Car: usable battery") == 3
    assert read_site(folder).car.battery_kwh == 47.5
