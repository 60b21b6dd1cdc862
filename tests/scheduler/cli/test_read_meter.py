"""`overnight read-meter`: what it writes is what the meters counted, and nothing is written half."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import typer
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner, Result

from scheduler.cli.read_meter import read_meter
from scheduler.inputs.series_file import read_series
from scheduler.inputs.site_inputs import read_inputs
from scheduler.metering.detect_format import read_meter_file
from scheduler.metering.write_series import series_text
from tests.builders.sites import faults_of, write_site

DUBLIN = "Europe/Dublin"
NO_SOLAR = {"[solar]\ncan_be_limited = false\n": "", 'solar = "solar.csv"\n': ""}

app = typer.Typer()
app.command("read-meter")(read_meter)


@app.callback()
def _group() -> None:
    """Keeps the command a command, as it is among others."""


def run(*words: object) -> Result:
    return CliRunner().invoke(app, ["read-meter", *map(str, words)])


def new_site(folder: Path, site: dict[str, str] | None = None) -> Path:
    """A site that has no series yet."""
    write_site(folder, site)
    for name in ("load.csv", "solar.csv"):
        (folder / name).unlink()
    return folder


def meter_text(days: int = 3, first: str = "2026-03-28", columns: str = "import_kwh,export_kwh,generation_kwh") -> str:
    """A half-hourly file on the local clock; what is exported is less than what is made."""
    begin = pd.Timestamp(first, tz=DUBLIN)
    starts = pd.date_range(begin, begin + pd.DateOffset(days=days), freq="30min", inclusive="left")
    values = {
        "import_kwh": "0.{0:03}",
        "export_kwh": "0.1{0:02}",
        "generation_kwh": "0.7{0:03}",
        "import_kw": "0.2{0:03}",
    }
    rows = [
        ",".join([f"{start.tz_localize(None)}", *(values[name].format(number % 89) for name in columns.split(","))])
        for number, start in enumerate(starts)
    ]
    return "\n".join([f"start,{columns}", *rows, ""])


def snapshot(folder: Path) -> dict[str, bytes]:
    """Every file under a folder, hidden ones too, and what is in it."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("first", ["2026-03-28", "2026-10-24"])
def test_what_is_written_reads_back_with_the_energy_of_the_meter(tmp_path: Path, first: str) -> None:
    """A round trip over both clock changes: the site's own reader, and sums of the meter file itself."""
    meter = tmp_path / "meter.csv"
    meter.write_text(meter_text(first=first))
    folder = new_site(tmp_path / "home")
    result = run(meter, "--to", folder)
    assert result.exit_code == 0, result.output
    table = pd.read_csv(meter)
    load, solar = read_series(folder / "load.csv"), read_series(folder / "solar.csv")
    net = table.import_kwh - table.export_kwh
    assert load.kw.sum() / 2 == pytest.approx((net + table.generation_kwh).sum(), abs=1e-6)
    assert solar.kw.sum() / 2 == pytest.approx(table.generation_kwh.sum(), abs=1e-6)
    assert (load.kw - solar.kw) / 2 == pytest.approx(net.to_numpy(), abs=1e-9)
    hours = 71 if first == "2026-03-28" else 73
    assert load.end - load.start[0] == solar.end - solar.start[0] == pd.Timedelta(hours=hours)
    assert read_inputs(folder).solar is not None
    assert "meter.csv: The clocks" in result.output
    assert (folder / "load.csv").read_text().splitlines()[1].startswith(f"{first}T00:00+0")


def test_the_text_says_what_was_read_filled_and_written(tmp_path: Path) -> None:
    meter = tmp_path / "meter.csv"
    lines = meter_text(days=30).splitlines()
    meter.write_text("\n".join(lines[:700] + lines[702:]))
    folder = new_site(tmp_path / "home")
    result = run(meter, "--to", folder)
    assert result.exit_code == 0, result.output
    assert "Brook Cottage: Saturday 28 March 2026, 00:00 to Monday 27 April 2026, 00:00, 30 days" in result.output
    assert "Gaps that were filled: 2" in result.output
    assert "  load 2026-04-11T14:30+01:00 to 2026-04-11T15:30+01:00 (1 h): mean of the same clock time" in result.output
    assert f"Written to {folder / 'load.csv'} and {folder / 'solar.csv'}." in result.output


def test_json_holds_every_channel_gap_note_and_file(tmp_path: Path) -> None:
    meter = tmp_path / "meter.csv"
    lines = meter_text(days=30, columns="import_kwh").splitlines()
    meter.write_text("\n".join(lines[:700] + lines[702:]))
    folder = new_site(tmp_path / "home", NO_SOLAR)
    result = run(meter, "--to", folder, "--json")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    table = pd.read_csv(meter)
    gap = {"begin": "2026-04-11T14:30+01:00", "end": "2026-04-11T15:30+01:00"}
    assert document["span"] == {"begin": "2026-03-28T00:00+00:00", "end": "2026-04-27T00:00+01:00"}
    assert document["step_minutes"] == 30
    assert document["channels"][0]["kind"] == "import"
    assert document["channels"][0]["kwh"] == pytest.approx(table.import_kwh.sum(), abs=1e-6)
    assert document["gaps"] == [{"channel": "import", **gap}]
    assert document["filled"] == [
        {"series": "load", **gap, "how": "mean of the same clock time 7 and 14 days before and after"}
    ]
    assert document["files_written"] == [str(folder / "load.csv")]
    assert document["solar_kwh"] is None
    assert document["load_kwh"] == pytest.approx(read_series(folder / "load.csv").kw.sum() / 2, abs=1e-6)
    assert document["estimated_steps"] == 0
    assert len(document["notes"]) == 1


def test_solar_without_a_name_in_the_site_is_written_and_the_line_to_add_is_said(tmp_path: Path) -> None:
    meter = tmp_path / "meter.csv"
    meter.write_text(meter_text())
    folder = new_site(tmp_path / "home", NO_SOLAR)
    result = run(meter, "--to", folder)
    assert result.exit_code == 0, result.output
    assert 'Add this line to site.toml under [data]: solar = "solar.csv"' in result.output
    assert read_series(folder / "solar.csv").kw.sum() > 0


def test_without_solar_in_the_meter_the_sites_solar_file_is_left_as_it_is(tmp_path: Path) -> None:
    meter = tmp_path / "meter.csv"
    meter.write_text(meter_text(columns="import_kwh"))
    folder = write_site(tmp_path / "home")
    before = (folder / "solar.csv").read_bytes()
    result = run(meter, "--to", folder, "--replace")
    assert result.exit_code == 0, result.output
    assert "The meter files hold no solar" in result.output
    assert (folder / "solar.csv").read_bytes() == before


@pytest.mark.parametrize("there", ["load.csv", "solar.csv"])
def test_files_that_are_there_are_replaced_only_with_the_option(tmp_path: Path, there: str) -> None:
    meter = tmp_path / "meter.csv"
    meter.write_text(meter_text())
    folder = new_site(tmp_path / "home")
    (folder / there).write_text("mine")
    before = snapshot(tmp_path)
    result = run(meter, "--to", folder)
    assert result.exit_code == 2
    assert (
        result.stderr
        == f"{folder / there}: it exists already; expected a new file, or --replace to overwrite this one\n"
    )
    assert snapshot(tmp_path) == before
    assert run(meter, "--to", folder, "--replace").exit_code == 0
    assert read_series(folder / there).kw.sum() > 0


def test_several_files_and_a_car_are_put_together(tmp_path: Path) -> None:
    """Months in two files and one row a day for the car; the load is what is left."""
    first, second, car = (tmp_path / name for name in ("a.csv", "b.csv", "car.csv"))
    first.write_text(meter_text(days=2, columns="import_kw"))
    second.write_text(meter_text(days=2, first="2026-03-30", columns="import_kw"))
    header = ",".join(f"{minute // 60:02}:{minute % 60:02}" for minute in range(0, 1440, 30))
    days = ["2026-03-28", "2026-03-29", "2026-03-30", "2026-03-31"]
    rows = [
        f"{day}," + ",".join("" if day.endswith("29") and cell in (2, 3) else "0.05" for cell in range(48))
        for day in days
    ]
    car.write_text("\n".join([f"date,{header}", *rows]))
    folder = new_site(tmp_path / "home", NO_SOLAR)
    result = run(second, first, "--to", folder, "--car", car)
    assert result.exit_code == 0, result.output
    bought = pd.concat([pd.read_csv(first), pd.read_csv(second)]).import_kw.to_numpy()
    assert read_series(folder / "load.csv").kw == pytest.approx(bought - 0.1, abs=1e-9)
    assert "car import" in result.output


def test_from_and_until_cut_to_whole_local_days(tmp_path: Path) -> None:
    meter = tmp_path / "meter.csv"
    meter.write_text(meter_text(days=5))
    folder = new_site(tmp_path / "home")
    assert run(meter, "--to", folder, "--from", "2026-03-29", "--until", "2026-03-30").exit_code == 0
    load = read_series(folder / "load.csv")
    assert (load.start[0], load.end) == (pd.Timestamp("2026-03-29T00:00Z"), pd.Timestamp("2026-03-30T23:00Z"))
    result = run(meter, "--to", folder, "--replace", "--from", "2026-03-30", "--until", "2026-06-30")
    assert (
        "All channels have values together from 2026-03-28T00:00+00:00 to 2026-04-02T00:00+01:00 only" in result.output
    )
    assert read_series(folder / "load.csv").start[0] == pd.Timestamp("2026-03-29T23:00Z")


def test_a_channel_is_named_anew(tmp_path: Path) -> None:
    meter = tmp_path / "meter.csv"
    meter.write_text(meter_text(columns="import_kwh,export_kwh"))
    folder = new_site(tmp_path / "home")
    assert run(meter, "--to", folder, "--as", "export=generation").exit_code == 0
    table = pd.read_csv(meter)
    assert read_series(folder / "load.csv").kw.sum() / 2 == pytest.approx(
        (table.import_kwh + table.export_kwh).sum(), abs=1e-6
    )


def test_a_file_in_winter_time_all_year_is_read_with_the_option(tmp_path: Path) -> None:
    meter = tmp_path / "meter.csv"
    hours = pd.date_range("2026-03-28", periods=72, freq="h")
    meter.write_text("\n".join(["start,import_kwh", *(f"{hour},1" for hour in hours)]))
    folder = new_site(tmp_path / "home", NO_SOLAR)
    result = run(meter, "--to", folder)
    assert result.exit_code == 2
    assert "line 27, start: the clocks of Europe/Dublin skip this time" in result.stderr
    assert run(meter, "--to", folder, "--clock", "standard").exit_code == 0
    assert read_series(folder / "load.csv").start[0] == pd.Timestamp("2026-03-28T00:00Z")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--from", "yesterday"], '--from: found "yesterday"; expected a date such as 2026-03-02'),
        (["--until", "2026-02-30"], '--to: "2026-02-30" is not a valid date'),
        (["--from", "2026-03-30", "--until", "2026-03-29"], "--to: 2026-03-29 is before --from 2026-03-30"),
        (["--from", "2027-01-01"], ("--from: the files have no values on these days; expected days from "
"2026-03-28T00:00+00:00 to 2026-03")),
        (["--until", "2025-01-01"], ("--to: the files have no values on these days; expected days from "
"2026-03-28T00:00+00:00")),
        (["--as", "import"], '--as: found "import"; expected NAME=KIND'),
        (["--as", "import=solar"], ('--as: found "import=solar"; expected NAME=KIND with the kind import, '
'export, gener')),
        (["--as", "E1=import"], '--as: no channel is named "E1"; expected one of export, generation, import'),
        (["--as", "import=export", "--as", "import=import"], '--as: "import" is given twice; expected each'),
        (["--as", "import=ignore"], "meter.csv: there is no import channel; expected at least one"),
        (["--as", "generation=ignore", "--as", "export=ignore", "--car", "meter.csv"], "meter.csv: it has a gen"),
        (["--clock", "utc"], '--clock: found "utc"; expected local or standard'),
        (["--car", "none.csv"], "none.csv: there is no such file"),
        (["none.csv"], "none.csv: there is no such file"),
    ],
)  # fmt: skip
def test_a_bad_option_is_one_message_and_nothing_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, options: list[str], message: str
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("meter.csv").write_text(meter_text())
    new_site(Path("home"))
    before = snapshot(tmp_path)
    result = run("meter.csv", "--to", "home", *options)
    assert result.exit_code == 2
    assert result.stderr.startswith(message)
    assert result.stderr.count("\n") == 1
    assert result.stdout == ""
    assert snapshot(tmp_path) == before


@pytest.mark.parametrize(
    ("site", "message"),
    [
        ({'timezone = "Europe/Dublin"': 'timezone = "Europe/Dublyn"'}, "home/site.toml line 5, site.timezone: "),
        ({'load = "load.csv"': ""}, "home/site.toml line 44, data.load: missing, and required"),
        ({'load = "load.csv"': 'load = "meter.csv"'}, "home/meter.csv: this is the meter file itself; expected"),
        ({'solar = "solar.csv"': 'solar = "load.csv"'}, ("home/site.toml, data.solar: load and solar name the "
"same file")),
        ({'load = "load.csv"': 'load = "offers"'}, "home/offers: this is a folder; expected a file"),
        ({'[site]\nname = "Brook Cottage"\ntimezone = "Europe/Dublin"\nholiday_calendar = "IE"': ""},
         "home/site.toml, site: missing, and required: a table [site]"),
    ],
)  # fmt: skip
def test_a_site_that_does_not_say_where_to_is_a_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, site: dict[str, str], message: str
) -> None:
    monkeypatch.chdir(tmp_path)
    new_site(Path("home"), site)
    Path("home/meter.csv").write_text(meter_text())
    before = snapshot(tmp_path)
    result = run("home/meter.csv", "--to", "home", "--replace")
    assert result.exit_code == 2
    assert result.stderr.startswith(message)
    assert snapshot(tmp_path) == before


def test_a_folder_that_is_not_there_and_one_without_a_site_are_faults(tmp_path: Path) -> None:
    meter = tmp_path / "meter.csv"
    meter.write_text(meter_text())
    assert run(meter, "--to", tmp_path / "none").stderr == f"{tmp_path / 'none'}: there is no such folder\n"
    assert run(meter, "--to", tmp_path).stderr == f"{tmp_path / 'site.toml'}: there is no such file\n"


def test_faults_of_all_files_are_told_at_once(tmp_path: Path) -> None:
    one, other = tmp_path / "one.csv", tmp_path / "other.csv"
    one.write_text("start,import_kwh\nx,1\n2026-03-02T00:00,1\n")
    other.write_text("when,kWh\n2026-03-02T00:00,1\n")
    result = run(one, other, "--to", new_site(tmp_path / "home"))
    assert result.exit_code == 2
    assert [line.split(": ")[0] for line in result.stderr.splitlines()] == [f"{one} line 2, start", f"{other} line 1"]


def test_an_unknown_layout_is_one_fault_that_says_what_is_allowed(tmp_path: Path) -> None:
    path = tmp_path / "meter.dat"
    for content in (
        b"when,kWh\n1,2\n",
        b"start,kw\n2026-03-02T00:00Z,1\n",
        b"\x00\xff" * 50_000,
        b"date\n2026-03-02\n",
    ):
        path.write_bytes(content)
        found = faults_of(lambda: read_meter_file(path, DUBLIN))
        assert len(found) == 1
        assert "line 1: the first line is" in found[0]
        assert "expected NEM12, Green Button XML, CSV with the columns start and import_kwh" in found[0]
    path.write_bytes(b"")
    assert faults_of(lambda: read_meter_file(path, DUBLIN)) == [f"{path}: the file is empty"]


@given(content=st.binary(max_size=200))
@settings(deadline=None)
def test_random_bytes_raise_nothing_but_input_faults(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    path = tmp_path_factory.mktemp("any") / "meter.dat"
    path.write_bytes(content)
    assert faults_of(lambda: read_meter_file(path, DUBLIN))


@pytest.mark.parametrize("timezone", [DUBLIN, "Australia/Lord_Howe", "America/St_Johns", "Asia/Kathmandu"])
def test_a_years_text_reads_back_to_the_millionth_of_a_kwh(tmp_path: Path, timezone: str) -> None:
    """Five-minute steps of random flows; both clock changes are inside."""
    start = pd.date_range("2026-01-01", periods=365 * 288, freq="5min", tz="UTC").as_unit("s")
    kw = np.random.default_rng(7).gamma(0.4, 1.1, len(start))
    path = tmp_path / "load.csv"
    path.write_text(series_text(start, kw, timezone))
    series = read_series(path)
    assert series.start.equals(start)
    assert series.kw.sum() / 12 == pytest.approx(kw.sum() / 12, abs=1e-6)
