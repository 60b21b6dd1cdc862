"""site.toml is read strictly: every default, every fault, with its line and what is allowed."""

import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduler.inputs.site import UsualTrip
from scheduler.inputs.site_file import read_site
from scheduler.textio.errors import InputFaults
from scheduler.textio.toml_lines import key_lines
from tests.builders.sites import SITE, changed, faults_of, write_site


def faults(folder: Path, changes: Mapping[str, str]) -> list[str]:
    """Faults of the valid site with these changes, without the path in front."""
    write_site(folder, site=changes)
    return [line.removeprefix(f"{folder}/") for line in faults_of(lambda: read_site(folder))]


def test_a_valid_site_is_read_with_exactly_the_designs_defaults(tmp_path: Path) -> None:
    site = read_site(write_site(tmp_path))
    assert site.folder == tmp_path
    assert site.name == "Brook Cottage"
    assert site.car.return_reserve_percent == site.car.floor_percent == 20
    assert site.car.trip_margin_percent == 10
    assert site.car.ready_minutes_before == 30
    assert site.car.outside_window_factor == 0.1
    assert site.car.discharge_limit_kwh is None
    assert site.charger.start_worth_kwh == 0.1
    assert site.wear.segment_edges_percent == (5, 10, 20, 30, 45, 60, 80, 100)
    assert site.plan.stored_energy_price_per_kwh is None
    assert not site.solar_can_be_limited
    assert site.usual_trips == (UsualTrip(frozenset(range(5)), 490, 1050, 31.0),)
    assert site.offer_file == tmp_path / "offers" / "evening.toml"
    assert site.trips_file == tmp_path / "trips.csv"


def test_fixed_loss_defaults_to_none_and_optional_tables_may_be_left_out(tmp_path: Path) -> None:
    removed = [
        "fixed_loss_kw = 0.08\n",
        "[solar]\ncan_be_limited = false\n",
        'solar = "solar.csv"\n',
        'trips = "trips.csv"\n',
        'holiday_calendar = "IE"\n',
        SITE[SITE.index("[[usual_trip]]") :],
    ]
    site = read_site(write_site(tmp_path, site=dict.fromkeys(removed, "")))
    assert site.charger.fixed_loss_kw == 0
    assert site.solar_file is site.trips_file is site.holiday_calendar is None
    assert site.usual_trips == ()


def test_given_values_win_over_the_defaults(tmp_path: Path) -> None:
    changes = {
        "floor_percent = 20": "floor_percent = 20\nreturn_reserve_percent = 30.5\ntrip_margin_percent = 0",
        "can_be_limited = false": "can_be_limited = true",
        "weight = 1.0": "weight = 0\nsegment_edges_percent = [50.5, 100]",
        "horizon_hours = 24": "horizon_hours = 36.5\nstored_energy_price_per_kwh = 0.15",
    }
    site = read_site(write_site(tmp_path, site=changes))
    assert site.car.return_reserve_percent == 30.5
    assert site.car.trip_margin_percent == 0
    assert site.solar_can_be_limited
    assert site.wear.segment_edges_percent == (50.5, 100)
    assert site.plan.stored_energy_price_per_kwh == 0.15
    assert type(site.wear.weight) is float


def test_data_files_may_be_absolute(tmp_path: Path) -> None:
    site = read_site(write_site(tmp_path, site={'"load.csv"': f'"{tmp_path}/load.csv"'}))
    assert site.load_file == tmp_path / "load.csv"


OUT_OF_RANGE = [
    (
        "floor_percent = 20",
        "floor_percent = 120",
        "line 14, car.floor_percent: 120 is over 100; expected 0, or 1 to 100 %",
    ),
    (
        "floor_percent = 20",
        "floor_percent = -1",
        "line 14, car.floor_percent: -1 is under 0; expected 0, or 1 to 100 %",
    ),
    ("floor_percent = 20", "floor_percent = 80", "car.floor_percent: 80 is not under ceiling_percent"),
    ("floor_percent = 20", "floor_percent = 90", "expected 0 to under 80"),
    (
        "charge_min_kw = 1.4\ncharge_max",
        "charge_min_kw = 8\ncharge_max",
        "8 is over charge_max_kw; expected 0 to 7.4",
    ),
    ("discharge_min_kw = 1.2", "discharge_min_kw = 8", "8 is over discharge_max_kw; expected 0 to 7.4"),
    ("fixed_loss_kw = 0.08", "fixed_loss_kw = 7.03", "leaves nothing for the battery even at charge_max_kw"),
    ("battery_kwh = 52.0", "battery_kwh = 0", "car.battery_kwh: 0 is under 1; expected 1 to 2000 kWh"),
    ("discharge_max_kw = 7.4", "discharge_max_kw = 0", "charger.discharge_max_kw: 0 is under 0.1"),
    ("volts = 230", "volts = 0", "charger.volts: 0 is under 80"),
    ("phases = 1", "phases = 4", "charger.phases: 4 is over 3; expected 1, 2 or 3"),
    ("phases = 1", "phases = 1.0", "charger.phases: found 1.0; expected 1, 2 or 3"),
    ("phases = 1", "phases = true", "charger.phases: found true; expected 1, 2 or 3"),
    ("step_minutes = 60", "step_minutes = 20", "plan.step_minutes: found 20; expected 5, 10, 15, 30 or 60"),
    ("step_minutes = 60", "step_minutes = true", "plan.step_minutes: found true"),
    (
        "horizon_hours = 24",
        "horizon_hours = 0",
        "plan.horizon_hours: 0 is under 1; expected 1 to 168 hours",
    ),
    ("horizon_hours = 24", "horizon_hours = 168.5", "plan.horizon_hours: 168.5 is over 168"),
    (
        "\ncharge_efficiency_percent = 95",
        "\ncharge_efficiency_percent = 0",
        "0 is under 50; expected 50 to 100 %",
    ),
    ("discharge_efficiency_percent = 95", "discharge_efficiency_percent = 101", "101 is over 100"),
    (
        "floor_percent = 20",
        "floor_percent = 20\nreturn_reserve_percent = 101",
        "car.return_reserve_percent: 101 is over",
    ),
    (
        "floor_percent = 20",
        "floor_percent = 20\ndischarge_limit_kwh = -1",
        "car.discharge_limit_kwh: -1 is under 0",
    ),
    (
        "floor_percent = 20",
        "floor_percent = 20\ntrip_margin_percent = 201",
        "201 is over 200; expected 0, or 1 to 200 %",
    ),
    (
        "floor_percent = 20",
        "floor_percent = 20\noutside_window_factor = -1",
        "car.outside_window_factor: -1 is under 0",
    ),
    (
        "floor_percent = 20",
        "floor_percent = 20\nready_minutes_before = 1441",
        "1441 is over 1440; expected a whole",
    ),
    (
        "floor_percent = 20",
        "floor_percent = 20\nready_minutes_before = 30.5",
        "car.ready_minutes_before: found 30.5",
    ),
    ("consumption_kwh_per_100km = 16.5", "consumption_kwh_per_100km = 0", "0 is under 2"),
    ("floor_percent = 20", 'floor_percent = 20\nheats_cabin = "no"', "car.heats_cabin: found "),
    ("distance_km = 31", 'distance_km = 31\npace = "quick"', "usual_trip[1].pace: found "),
    (
        "on_the_way_price_per_kwh = 0.60",
        "on_the_way_price_per_kwh = -0.1",
        "-0.1 is under 0; expected 0 to 1000000 per kWh",
    ),
    (
        "depth_exponent = 2.03",
        "depth_exponent = 0.99",
        "wear.depth_exponent: 0.99 is under 1; expected 1 to 10",
    ),
    ("depth_coefficient = 5.24e-4", "depth_coefficient = -1", "wear.depth_coefficient: -1 is under 0"),
    ("weight = 1.0", "weight = -1", "wear.weight: -1 is under 0"),
    ("horizon_hours = 24", "horizon_hours = 24\nstored_energy_price_per_kwh = -0.1", "-0.1 is under 0"),
    ("import_limit_kw = 14.0", "import_limit_kw = 0", "connection.import_limit_kw: 0 is under 0.5"),
    ("export_limit_kw = 5.0", "export_limit_kw = -1", "connection.export_limit_kw: -1 is under 0"),
    ("distance_km = 31", "distance_km = -31", "usual_trip[1].distance_km: -31 is under 0"),
    ("battery_kwh = 52.0", "battery_kwh = 1e300", "car.battery_kwh: 1e+300 is over 2000; expected 1 to 2000 kWh"),
    ("battery_kwh = 52.0", "battery_kwh = nan", "car.battery_kwh: nan is not finite; expected 1 to 2000 kWh"),
    ("battery_kwh = 52.0", "battery_kwh = inf", "car.battery_kwh: inf is not finite"),
    ("battery_kwh = 52.0", f"battery_kwh = 0x{'f' * 1000}", "found a whole number of over 40 digits"),
    (
        "battery_kwh = 52.0",
        'battery_kwh = "52"',
        'car.battery_kwh: found "52"; expected 1 to 2000 kWh; did you mean 52, without quotes?',
    ),
    ("battery_kwh = 52.0", "battery_kwh = true", "car.battery_kwh: found true"),
    ("battery_kwh = 52.0", "battery_kwh = [52]", "car.battery_kwh: found [52]"),
    (
        "can_be_limited = false",
        "can_be_limited = 0",
        "solar.can_be_limited: found 0; expected true or false",
    ),
    ('"building-and-grid"', '"grid"', 'found "grid"; expected "building-and-grid" or "building"'),
    ('"Brook Cottage"', '" "', 'site.name: found " "; expected text on one line, not empty'),
    ('"Brook Cottage"', "7", "site.name: found 7"),
]


@pytest.mark.parametrize(("old", "new", "message"), OUT_OF_RANGE)
def test_an_impossible_value_names_key_found_and_allowed(tmp_path: Path, old: str, new: str, message: str) -> None:
    found = faults(tmp_path, {old: new})
    assert len(found) == 1
    assert found[0].startswith("site.toml line ")
    assert message in found[0]


def test_a_charger_is_set_by_a_schedule_unless_the_site_says_otherwise(tmp_path: Path) -> None:
    """Blocks and currents set by hand come with their limits; without a word it is a schedule."""
    assert read_site(write_site(tmp_path / "plain")).setting.set_by == "schedule"
    keys = 'phases = 1\nset_by = "current"\nmax_blocks = 4\nmin_block_minutes = 60'
    setting = read_site(write_site(tmp_path / "hand", site={"phases = 1": keys})).setting
    assert (setting.set_by, setting.max_blocks, setting.min_block_minutes) == ("current", 4, 60)


def test_settings_count_and_keep_to_waking_hours_unless_the_site_says_otherwise(tmp_path: Path) -> None:
    """Without a word: the usual worth, from 06:30 to 23:00. The keys say otherwise, also past midnight."""
    by_hand = 'phases = 1\nset_by = "blocks"\nmax_blocks = 4\nmin_block_minutes = 60'
    usual = read_site(write_site(tmp_path / "usual", site={"phases = 1": by_hand})).setting
    assert (usual.worth, usual.between, usual.timer) == (None, (390, 1380), False)
    keys = f'{by_hand}\nsetting_worth = 0\nsettings_between = ["07:00", "00:30"]\ntimer = true'
    setting = read_site(write_site(tmp_path / "said", site={"phases = 1": keys})).setting
    assert (setting.worth, setting.between, setting.timer) == (0.0, (420, 30), True)
    awake = replace(setting, timer=False)
    assert [awake.is_at(minute) for minute in (419, 420, 1439, 0, 30, 31)] == [False, True, True, True, True, False]


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ("setting_worth = -1", "charger.setting_worth: -1 is under 0; expected 0 to 100000"),
        ('settings_between = ["06:30"]', "charger.settings_between: found"),
        ('settings_between = ["06:30", "06:30"]', "expected two different clock times"),
        ('settings_between = ["half six", "23:00"]', "charger.settings_between: found"),
        ('settings_between = "06:30"', "charger.settings_between: found"),
        ("timer = 1", "charger.timer: found 1"),
        ('set_by = "blocks"', 'charger.max_blocks: missing, and required where set_by is "blocks"'),
        ('set_by = "blocks"\nmax_blocks = 0\nmin_block_minutes = 60', "charger.max_blocks: 0 is under 1"),
        ('set_by = "block"', 'charger.set_by: found "block"; expected "schedule", "blocks" or "current"'),
        (
            'set_by = "current"\nmax_blocks = 2\nmin_block_minutes = 60\nCHANGED',
            "charger.charge_max_kw: 1.5 allows no whole number of amps: at 1000 V and phases 1 one amp is 1 kW; "
            "expected 2 or more",
        ),
    ],
)
def test_a_setting_by_hand_that_cannot_be_kept_is_a_fault(tmp_path: Path, keys: str, message: str) -> None:
    """Missing limits, no blocks at all, an unknown way, and a least current over the charger's most are faults."""
    changes = {"phases = 1": f"phases = 1\n{keys.replace('CHANGED', '')}"}
    if "CHANGED" in keys:
        changes |= {"volts = 230": "volts = 1000", "charge_max_kw = 7.4\nd": "charge_max_kw = 1.5\nd"}
    folder = write_site(tmp_path, site=changes)
    assert message in "\n".join(faults_of(lambda: read_site(folder)))


@pytest.mark.parametrize("edges", ["[]", "[50]", "[0, 100]", "[50, 40, 100]", "[50, 50, 100]", "[100, 101]", "100"])
def test_segment_edges_must_rise_to_100(tmp_path: Path, edges: str) -> None:
    found = faults(tmp_path, {"weight = 1.0": f"weight = 1.0\nsegment_edges_percent = {edges}"})
    assert len(found) == 1
    assert "expected a list of up to 50 numbers over 0 that rise to 100" in found[0]


@pytest.mark.parametrize(
    "key",
    [
        "volts",
        "phases",
        "discharge_to",
        "charge_efficiency_percent",
        "export_limit_kw",
        "weight",
        "step_minutes",
    ],
)
def test_a_key_without_a_default_is_required(tmp_path: Path, key: str) -> None:
    line = next(line for line in SITE.splitlines() if line.startswith(f"{key} ="))
    found = faults(tmp_path, {f"\n{line}\n": "\n"})
    assert len(found) == 1
    assert f".{key}: missing, and required: " in found[0]


@pytest.mark.parametrize("table", ["site", "connection", "car", "charger", "wear", "plan", "data"])
def test_a_missing_table_is_a_fault(tmp_path: Path, table: str) -> None:
    start = SITE.index(f"[{table}]")
    found = faults(tmp_path, {SITE[start : SITE.index("\n\n", start)]: ""})
    assert f"site.toml, {table}: missing, and required: a table" in found


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "floor_percent",
            "flor_percent",
            "line 14, car.flor_percent: unknown key; did you mean floor_percent?",
        ),
        ("[solar]", "[solr]", "line 31, solr: unknown key; did you mean solar?"),
        ("[[usual_trip]]", "[[usual_trips]]", "line 50, usual_trips: unknown key; did you mean usual_trip?"),
        ("return =", "retrun =", "line 53, usual_trip[1].retrun: unknown key; did you mean return?"),
        ("can_be_limited", "zzz", "line 32, solar.zzz: unknown key; known are can_be_limited"),
    ],
)
def test_an_unknown_key_names_the_nearest_known_one(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert any(message in fault for fault in faults(tmp_path, {old: new}))


@pytest.mark.parametrize(
    ("old", "new"), [("format = 1", "format = 2"), ("format = 1", 'format = "1"'), ("format = 1\n", "\n")]
)
def test_the_format_must_be_the_one_this_program_reads(tmp_path: Path, old: str, new: str) -> None:
    found = faults(tmp_path, {old: new})
    assert len(found) == 1
    assert "format: " in found[0]
    assert "1, the format that this version reads" in found[0]


def test_an_unknown_time_zone_names_the_nearest_one(tmp_path: Path) -> None:
    assert faults(tmp_path, {"Europe/Dublin": "Europe/Dublim"}) == [
        'site.toml line 5, site.timezone: "Europe/Dublim" is not known; expected an IANA time zone; '
        "did you mean Europe/Dublin?"
    ]
    for zone in ("", "Europe", "../../etc/passwd", "x" * 5000):
        assert len(faults(tmp_path, {"Europe/Dublin": zone})) == 1


@pytest.mark.parametrize("calendar", ["XX", "Irelandia", "__class__", "IE-ZZ", ""])
def test_an_unknown_holiday_calendar_is_a_fault(tmp_path: Path, calendar: str) -> None:
    found = faults(tmp_path, {'"IE"': f'"{calendar}"'})
    assert len(found) == 1
    assert "site.holiday_calendar" in found[0]


@pytest.mark.parametrize("days", ["[]", '["Mon"]', '["mon", "mon"]', '["monday"]', "[1]", '"mon"', "[[]]", "[nan]"])
def test_days_are_lowercase_each_once_and_not_empty(tmp_path: Path, days: str) -> None:
    found = faults(tmp_path, {'["mon", "tue", "wed", "thu", "fri"]': days})
    assert len(found) == 1
    assert "usual_trip[1].days" in found[0]


@pytest.mark.parametrize("clock", ['"8"', '"24:00"', '"08:60"', '"08-10"', "08:10:00", "810", '"٠٨:١٠"', '"13pm"'])
def test_clock_times_are_hours_and_minutes_in_quotes(tmp_path: Path, clock: str) -> None:
    found = faults(tmp_path, {'"08:10"': clock})
    assert len(found) == 1
    assert 'expected a clock time "00:00" to "23:59"' in found[0]


def usual_trip(days: str, depart: str, comeback: str) -> str:
    return f'[[usual_trip]]\ndays = {days}\ndepart = "{depart}"\nreturn = "{comeback}"\ndistance_km = 3\n\n'


def test_a_usual_trip_that_returns_when_it_departs_is_a_fault(tmp_path: Path) -> None:
    found = faults(tmp_path, {'"17:30"': '"08:10"'})
    assert len(found) == 1
    assert '"08:10" is the departure too' in found[0]


@pytest.mark.parametrize(
    ("days", "depart", "comeback"),
    [
        ('["fri"]', "12:00", "13:00"),
        ('["sun"]', "22:00", "09:00"),
        ('["fri"]', "17:29", "17:40"),
        ('["sat", "mon"]', "08:10", "08:20"),
    ],
)
def test_overlapping_usual_trips_are_a_fault_naming_both(tmp_path: Path, days: str, depart: str, comeback: str) -> None:
    found = faults(tmp_path, {"[[usual_trip]]": usual_trip(days, depart, comeback) + "[[usual_trip]]"})
    assert len(found) == 1
    assert "usual_trip[1]" in found[0]
    assert "usual_trip[2]" in found[0]


@pytest.mark.parametrize(("days", "depart", "comeback"), [('["sun"]', "22:00", "08:10"), ('["fri"]', "17:30", "08:00")])
def test_usual_trips_that_touch_do_not_overlap(tmp_path: Path, days: str, depart: str, comeback: str) -> None:
    assert faults(tmp_path, {"[[usual_trip]]": usual_trip(days, depart, comeback) + "[[usual_trip]]"}) == []


def test_solar_without_a_series_is_a_fault(tmp_path: Path) -> None:
    found = faults(tmp_path, {'solar = "solar.csv"\n': ""})
    assert found == ["site.toml line 31, solar: there is no data.solar; expected the file of the solar series there"]


def test_following_a_surplus_that_there_is_not_is_a_fault(tmp_path: Path) -> None:
    """A charger that follows the sun on a site without a [solar] table."""
    follows = {"[charger]\n": "[charger]\ncan_follow_surplus = true\n"}
    assert faults(tmp_path, follows) == []
    found = faults(tmp_path, {**follows, "[solar]\n": ""})
    assert any("charger.can_follow_surplus: there is no [solar] table" in fault for fault in found)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("no.csv", "there is no such file"),
        ("offers", "this is a folder"),
        ("", "this is a folder"),
        ("x" * 5000, ""),
    ],
)
def test_a_data_file_that_is_none_names_its_key(tmp_path: Path, name: str, message: str) -> None:
    found = faults(tmp_path, {'"load.csv"': f'"{name}"'})
    assert len(found) == 1
    assert "data.load" in found[0]
    assert message in found[0]


def test_all_faults_of_the_file_are_reported_at_once_in_line_order(tmp_path: Path) -> None:
    changes = {
        "Europe/Dublin": "Mars/Base",
        "floor_percent = 20": "floor_percent = 90",
        "volts = 230": 'volts = "x"',
        "phases = 1": "phses = 1",
        "weight = 1.0": "",
        '"load.csv"': '"lod.csv"',
        'solar = "solar.csv"': "",
        '"17:30"': '"08:10"',
    }
    found = faults(tmp_path, changes)
    keys = ["timezone", "floor_percent", "phases", "volts", "phses", "solar", "weight", "data.load", "return"]
    assert len(found) == len(keys)
    assert all(any(f"{key}: " in line for line in found) for key in keys)
    lines = [int(line.split()[2].rstrip(",:")) for line in found]
    assert lines == sorted(lines)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "the file is empty"),
        (b" \n\n", "the file is empty"),
        (b"format = 1\n[car\n", "line 2: this is not TOML"),
        (b"a = 1\na = 2\n", "line 2: this is not TOML"),
        (b"a = 08:10\n", "line 1: this is not TOML"),
        (b"a = 1\nb = '\xff'\n", "line 2: this is not UTF-8 text"),
        (b"\xff\xfeh\x00i\x00", "line 1: this is not UTF-8 text"),
        (b"x" * 10_000_000, "10.0 MB is too large; expected up to 1 MB"),
        (os.urandom(900_000), "this is not UTF-8 text"),
        (b"[" * 900_000, "line 1: the line has 900000 characters; expected up to 10000"),
        (b"a = " + b"[" * 9_000, "this is not TOML: nested too deeply"),
        (b"a = " + b"9" * 5000, "this is not TOML"),
        (b"\x00" * 100, "this is not TOML"),
        (b"hello, these are words", "line 1: this is not TOML"),
    ],
    ids=range(14),
)
def test_a_file_that_is_no_toml_is_one_short_fault(tmp_path: Path, content: bytes, message: str) -> None:
    write_site(tmp_path)
    (tmp_path / "site.toml").write_bytes(content)
    found = faults_of(lambda: read_site(tmp_path))
    assert len(found) == 1
    assert message in found[0]
    assert len(found[0].removeprefix(str(tmp_path))) < 120


def test_a_byte_order_mark_and_windows_line_ends_are_read(tmp_path: Path) -> None:
    write_site(tmp_path)
    (tmp_path / "site.toml").write_bytes(SITE.replace("\n", "\r\n").encode("utf-8-sig"))
    assert read_site(tmp_path).name == "Brook Cottage"


def test_a_missing_folder_a_file_in_its_place_and_a_folder_without_site_are_faults(tmp_path: Path) -> None:
    assert faults_of(lambda: read_site(tmp_path / "no")) == [f"{tmp_path / 'no'}: there is no such folder"]
    (tmp_path / "file").write_text("x")
    assert faults_of(lambda: read_site(tmp_path / "file")) == [
        f"{tmp_path / 'file'}: this is a file; expected a folder"
    ]
    assert faults_of(lambda: read_site(tmp_path)) == [f"{tmp_path / 'site.toml'}: there is no such file"]
    (tmp_path / "site.toml").mkdir()
    assert faults_of(lambda: read_site(tmp_path)) == [f"{tmp_path / 'site.toml'}: this is a folder; expected a file"]


def test_a_file_that_may_not_be_read_is_a_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_site(tmp_path)

    def refuse(path: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    assert faults_of(lambda: read_site(tmp_path)) == [f"{tmp_path / 'site.toml'}: it cannot be read: permission denied"]


def test_lines_of_keys_are_found_past_comments_strings_and_lists() -> None:
    text = (
        'format = 1 # [x]\ntext = """\n[no]\na = 1\n"""\nlist = [\n  1, # ]\n  2,\n]\n[car]\n'
        '"volts" = "# [" \n[[trip]]\nkm = 1\n[[trip]]\nkm = 2\n[a.b]\nc.d = {e = 1}\n'
    )
    assert key_lines(text) == {
        ("format",): 1,
        ("text",): 2,
        ("list",): 6,
        ("car",): 10,
        ("car", "volts"): 11,
        ("trip", 0): 12,
        ("trip", 0, "km"): 13,
        ("trip", 1): 14,
        ("trip", 1, "km"): 15,
        ("a", "b"): 16,
        ("a", "b", "c", "d"): 17,
    }


@pytest.fixture(scope="module")
def fuzzed_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_site(tmp_path_factory.mktemp("fuzz"))


FUZZ = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
VALUES = st.recursive(
    st.one_of(
        st.integers(),
        st.floats(),
        st.booleans(),
        st.text(st.characters(codec="utf-8", exclude_categories=["C"], exclude_characters='"\\'), max_size=8),
        st.dates(),
        st.times(),
    ),
    lambda inner: st.lists(inner, max_size=3),
    max_leaves=4,
)


def toml_value(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list):
        return f"[{', '.join(toml_value(entry) for entry in value)}]"
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


@given(content=st.one_of(st.binary(), st.text(st.characters(codec="utf-8")).map(str.encode)))
@FUZZ
def test_random_bytes_raise_nothing_but_input_faults(fuzzed_folder: Path, content: bytes) -> None:
    (fuzzed_folder / "site.toml").write_bytes(content)
    with pytest.raises(InputFaults):
        read_site(fuzzed_folder)


@given(line=st.sampled_from([line for line in SITE.splitlines() if "=" in line]), value=VALUES)
@FUZZ
def test_any_value_at_any_key_is_read_or_raises_input_faults(fuzzed_folder: Path, line: str, value: object) -> None:
    text = changed(SITE, {line: f"{line.split('=')[0]}= {toml_value(value)}"})
    (fuzzed_folder / "site.toml").write_text(text, encoding="utf-8")
    assert all(len(fault) < 400 for fault in faults_of(lambda: read_site(fuzzed_folder)))


@given(position=st.integers(0, len(SITE)), length=st.integers(0, 30), middle=st.text(max_size=5))
@FUZZ
def test_a_damaged_site_is_read_or_raises_input_faults(
    fuzzed_folder: Path, position: int, length: int, middle: str
) -> None:
    text = SITE[:position] + middle + SITE[position + length :]
    (fuzzed_folder / "site.toml").write_bytes(text.encode("utf-8", "surrogatepass"))
    faults_of(lambda: read_site(fuzzed_folder))
