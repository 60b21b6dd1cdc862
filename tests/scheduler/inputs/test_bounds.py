"""Numbers that cannot be meant are refused at once, in one message that says what may have been meant."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import pytest

from scheduler.inputs.offer_file import read_offer
from scheduler.inputs.series_file import read_series
from scheduler.inputs.site_file import read_site
from scheduler.inputs.site_inputs import read_inputs
from scheduler.metering.detect_format import read_meter_file
from scheduler.nights.build_night import build_night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.textio.bounds import BATTERY_KWH, Bound
from scheduler.textio.errors import MOST_FOUND, MOST_TOLD, Fault, InputFaults
from scheduler.textio.toml_tables import read_toml
from tests.builders.sites import write_site

NOW = "2026-03-12T18:00"


def the_fault(read: object) -> str:
    with pytest.raises(InputFaults) as raised:
        read()  # type: ignore[operator]
    (fault,) = raised.value.faults
    return str(fault)


@pytest.mark.parametrize(
    ("key", "line", "message"),
    [
        ("battery_kwh = 52.0", "battery_kwh = 0.001", "0.001 is under 1; expected 1 to 2000 kWh"),
        (
            "battery_kwh = 52.0",
            "battery_kwh = 52000",
            "expected 1 to 2000 kWh; did you mean 52 (kWh, not Wh)?",
        ),
        (
            "battery_kwh = 52.0",
            "battery_kwh = [52]",
            "expected 1 to 2000 kWh; did you mean 52, without brackets?",
        ),
        (
            "discharge_efficiency_percent = 95",
            "discharge_efficiency_percent = 1",
            "1 is under 50; expected 50 to 100 %; did you mean 100 (percent, not a share)?",
        ),
        (
            "discharge_efficiency_percent = 95",
            "discharge_efficiency_percent = 0.95",
            "0.95 is under 50; expected 50 to 100 %; did you mean 95 (percent, not a share)?",
        ),
        (
            "floor_percent = 20",
            "floor_percent = 0.2",
            "expected 0, or 1 to 100 %; did you mean 20 (",
        ),
        (
            "discharge_max_kw = 7.4",
            "discharge_max_kw = 7400",
            "expected 0.1 to 1000 kW; did you mean 7.4 (kW",
        ),
        ("weight = 1.0", "weight = 1e9", "1000000000 is over 1000; expected 0 to 1000"),
        ("horizon_hours = 24", "horizon_hours = 0.0166", "0.0166 is under 1; expected 1 to 168 hours"),
        ("horizon_hours = 24", "horizon_hours = 1440", "did you mean 24 (hours, not minutes)?"),
        ("distance_km = 31", "distance_km = 31000", "did you mean 31 (km, not m)?"),
    ],
)
def test_a_number_that_cannot_be_meant_is_refused(tmp_path: Path, key: str, line: str, message: str) -> None:
    """One fault, which says what was found and expected, and the slip where it can be guessed."""
    assert message in the_fault(lambda: read_site(write_site(tmp_path / "site", site={key: line})))


@pytest.mark.parametrize(
    ("bound", "value"),
    [(BATTERY_KWH, 1), (BATTERY_KWH, 2000), (Bound(1, 100, zero=True), 0), (Bound(0, 1, over=True), 1)],
)
def test_the_ends_of_a_bound_belong_to_it(bound: Bound, value: float) -> None:
    assert bound.accepts(value)
    assert bound.problem(value) is None


@pytest.mark.parametrize(
    ("trip", "message"),
    [
        ("07:30-18:00 99999999999999999999km", "expected 0 to 5000 km"),
        ("07:30-18:00 31000km", "did you mean 31 (km, not m)?"),
    ],
)
def test_a_trip_longer_than_any_drive_is_refused(tmp_path: Path, trip: str, message: str) -> None:
    inputs = read_inputs(write_site(tmp_path / "site"))
    assert message in the_fault(lambda: parse_request(RequestOptions(71, NOW, trips=(trip,)), inputs))


def test_a_return_beyond_the_longest_night_is_refused_before_the_night_is_cut(tmp_path: Path) -> None:
    """The message names the trip and the latest return, and little memory is taken to say so."""
    inputs = read_inputs(write_site(tmp_path / "site"))
    options = RequestOptions(71, NOW, trips=("2026-03-13T07:30-2199-03-13T18:00 10km",))
    request = parse_request(options, inputs)
    tracemalloc.start()
    try:
        said = the_fault(lambda: build_night(inputs, request))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert "2199-03-13T18:00+00:00, 10 km returns after the longest night" in said
    assert "expected a return by 2026-04-09" in said
    assert peak < 5e6


def test_more_trips_than_a_night_can_have_are_refused(tmp_path: Path) -> None:
    inputs = read_inputs(write_site(tmp_path / "site"))
    options = RequestOptions(71, NOW, trips=tuple(["07:30-08:00 1km"] * 400))
    assert (
        the_fault(lambda: parse_request(options, inputs))
        == "--trip: given 400 times; expected up to 50 trips in one night"
    )


def test_four_days_of_short_intervals_is_refused(tmp_path: Path) -> None:
    """Four days of 5 minutes are 1152 intervals: refused, with the keys to change; nothing is solved."""
    changes = {"step_minutes = 60": "step_minutes = 5", "horizon_hours = 24": "horizon_hours = 96"}
    inputs = read_inputs(write_site(tmp_path / "site", site=changes))
    request = parse_request(RequestOptions(71, NOW, stay_home=True), inputs)
    said = the_fault(lambda: build_night(inputs, request))
    assert "plan.step_minutes: the night has 1152 intervals with the car at home; expected up to 400, about" in said


@pytest.mark.parametrize("row", ["2026-03-02T00:00+00:00,none\n", "\n"])
def test_a_large_file_of_faults_is_not_read_to_its_end(tmp_path: Path, row: str) -> None:
    """Reading stops at 10000 faults, having taken the memory of those alone; the file would hold 400000."""
    path = tmp_path / "load.csv"
    path.write_text("start,kw\n" + row * 400_000 + "2026-03-02T00:00+00:00,1\n", encoding="utf-8")
    tracemalloc.start()
    try:
        with pytest.raises(InputFaults) as raised:
            read_series(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert "what is after this line was not read" in str(raised.value)
    assert len(raised.value.faults) <= MOST_TOLD
    assert MOST_FOUND - MOST_TOLD <= raised.value.more <= 3 * MOST_FOUND
    assert peak < 40e6


def test_a_key_of_many_parts_is_refused_before_it_is_parsed(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text("format = 1\n" + ".".join("a" * 200_000) + " = 1\n", encoding="utf-8")
    assert "line 2: the line has 400003 characters; expected up to 10000" in the_fault(lambda: read_toml(path))
    path.write_text(".".join("a" * 4000) + " = 1\n", encoding="utf-8")
    assert "line 1: the key has over 10 parts" in the_fault(lambda: read_toml(path))


def test_twenty_faults_are_told_and_the_others_counted() -> None:
    """60000 faults are 21 lines."""
    many = InputFaults(Fault("site.toml", line, None, "x") for line in range(60_000))
    lines = str(many).splitlines()
    assert (len(lines), lines[-1]) == (21, "and 59980 more faults")


@pytest.mark.parametrize(
    ("setting", "message"),
    [
        ("", "the night has 480 intervals with the car at home; expected up to 400, about 33 hours at 5 minutes; give"),
        (
            'set_by = "blocks"\nmax_blocks = 4\nmin_block_minutes = 30\n',
            "expected up to 300 where it is set by hand, about 25 hours at 5 minutes; give",
        ),
    ],
)
def test_the_longest_night_is_said(tmp_path: Path, setting: str, message: str) -> None:
    changes = {
        "step_minutes = 60": "step_minutes = 5",
        "horizon_hours = 24": "horizon_hours = 40",
        "[charger]\n": f"[charger]\n{setting}",
    }
    inputs = read_inputs(write_site(tmp_path / "site", site=changes))
    request = parse_request(RequestOptions(71, NOW, stay_home=True), inputs)
    assert message in the_fault(lambda: build_night(inputs, request))


def test_a_long_stay_away_needs_no_longer_step(tmp_path: Path) -> None:
    """Two days away at 5 minutes are 576 intervals, of which the car is at home in few."""
    inputs = read_inputs(write_site(tmp_path / "site", site={"step_minutes = 60": "step_minutes = 5"}))
    options = RequestOptions(71, NOW, trips=("2026-03-12T20:00-2026-03-14T20:00 100km",))
    night, _ = build_night(inputs, parse_request(options, inputs))
    assert night.intervals > 500


def test_more_tables_than_a_site_can_mean_are_refused(tmp_path: Path) -> None:
    """Before anything is checked that takes the square of their number."""
    trip = '[[usual_trip]]\ndays = ["sat"]\ndepart = "08:10"\nreturn = "17:30"\ndistance_km = 31\n'
    folder = write_site(tmp_path / "site")
    with (folder / "site.toml").open("a", encoding="utf-8") as file:
        file.write(trip * 400)
    with pytest.raises(InputFaults) as raised:
        read_site(folder)
    assert "usual_trip: found 401 tables; expected up to 100 [[usual_trip]] tables" in str(raised.value)
    assert len(raised.value.faults) < 200


def test_more_bands_than_an_offer_can_mean_are_refused(tmp_path: Path) -> None:
    band = "[[import]]\nprice_per_kwh = 0.3\n\n"
    folder = write_site(tmp_path / "site", offer={"[[export]]\nprice_per_kwh = 0.05": band * 300})
    said = the_fault(lambda: read_offer(folder / "offers" / "evening.toml", has_calendar=True))
    assert "import: found 302 tables; expected 1 to 200 [[import]] tables" in said


def test_a_price_in_another_unit_than_the_highest_import_price(tmp_path: Path) -> None:
    folder = write_site(tmp_path / "site", offer={"price_per_kwh = 0.05": "price_per_kwh = 50", '"EUR"': '"HUF"'})
    said = the_fault(lambda: read_offer(folder / "offers" / "evening.toml", has_calendar=True))
    assert (
        "export[1].price_per_kwh: 50 is over 34; expected -34 to 34 per kWh; did you mean 0.05 (per kWh, not per"
        in said
    )
    assert said.endswith("the highest import price is 0.34 per kWh")


def test_a_meter_file_of_empty_rows_is_not_read_to_its_end(tmp_path: Path) -> None:
    path = tmp_path / "meter.csv"
    path.write_text("start,import_kwh\n" + ",\n" * 200_000, encoding="utf-8")
    said = the_fault(lambda: read_meter_file(path, "Europe/Dublin"))
    assert "line 10001: found 10000 empty lines; what is after this line was not read" in said
