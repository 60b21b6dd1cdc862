"""One row a day: its cells stand at the right instants on every day of the year, and each fault names its line."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.metering.channels import MeterReading
from scheduler.metering.csv_wide import read_meter_wide_csv
from scheduler.metering.local_clock import Clock
from tests.builders.sites import faults_of

DUBLIN, LORD_HOWE = "Europe/Dublin", "Australia/Lord_Howe"


@pytest.fixture(scope="module")
def csv_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("wide") / "days.csv"


def read(path: Path, text: str, timezone: str = DUBLIN, clock: Clock = "local") -> MeterReading:
    path.write_text(text, encoding="utf-8")
    return read_meter_wide_csv(path, timezone, clock)


def faults(path: Path, text: str, timezone: str = DUBLIN) -> list[str]:
    found = faults_of(lambda: read(path, text, timezone))
    return [line.removeprefix(f"{path.parent}/") for line in found]


def header(steps: int, *, channel: bool = False, prefix: str = "", quality: bool = False) -> str:
    minutes = [number * 1440 // steps for number in range(steps)]
    names = [f"{prefix}{minute // 60:02}:{minute % 60:02}" for minute in minutes]
    return ",".join(["date", *(["channel"] if channel else []), *names, *(["quality"] if quality else [])])


def rows_of_days(
    first: str, days: int, timezone: str, steps: int, long_days: bool = True
) -> tuple[list[str], pd.Series]:
    """Rows of a file, one for each day, and the values that they hold by instant; pandas finds the instants.

    The cells of a lost hour are empty, those of a doubled hour are there twice in long days, else the first only.
    """
    step = 1440 // steps
    rows, kept = [], []
    begin = date.fromisoformat(first)
    for number in range(days):
        day = begin + timedelta(days=number)
        instants = pd.date_range(
            pd.Timestamp(day, tz=timezone),
            pd.Timestamp(day + timedelta(days=1), tz=timezone),
            freq=f"{step}min",
            inclusive="left",
        )
        values = pd.Series(np.arange(len(instants)) + 1.0 + 1000 * number, index=instants)
        walls = instants.tz_localize(None)
        if not long_days:
            values = values[~walls.duplicated()]
            walls = walls[~walls.duplicated()]
        cells = dict.fromkeys(pd.date_range(day, periods=steps, freq=f"{step}min"), "")
        if walls.duplicated().any():
            row = [f"{value:g}" for value in values]
        else:
            cells |= {wall: f"{value:g}" for wall, value in zip(walls, values, strict=True)}
            row = list(cells.values())
        rows.append(",".join([day.isoformat(), *row]))
        kept.append(values)
    return rows, pd.concat(kept).tz_convert("UTC")


def assert_holds(reading: MeterReading, values: pd.Series) -> None:
    channel = reading.channels[0]
    assert list(channel.start) == list(values.index)
    assert list(channel.kwh) == list(values)


@pytest.mark.parametrize("steps", [24, 48, 96])
@pytest.mark.parametrize("long_days", [True, False])
@pytest.mark.parametrize("first", ["2026-03-27", "2026-10-23"])
def test_cells_stand_at_their_instants_on_days_of_a_clock_change(
    csv_path: Path, steps: int, long_days: bool, first: str
) -> None:
    rows, values = rows_of_days(first, 5, DUBLIN, steps, long_days)
    reading = read(csv_path, "\n".join([header(steps), *rows]))
    assert_holds(reading, values)
    assert reading.layout == f"CSV, one row a day, {steps} columns of kWh"
    if "-03-" in first:
        said = "The clocks skip 2026-03-29 01:00 to 02:00: its cells hold nothing and were left out."
    elif long_days:
        said = "twice, and so does the file: read first as summer time, then as winter time."
    else:
        said = "twice, the file only once: read as the first, in summer time; the second is a gap."
    assert len(reading.notes) == 1
    assert said in reading.notes[0]


@pytest.mark.parametrize("steps", [48, 96])
@pytest.mark.parametrize("long_days", [True, False])
@pytest.mark.parametrize("first", ["2026-04-03", "2026-10-02"])
def test_a_clock_change_of_half_an_hour_is_one_of_half_an_hour(
    csv_path: Path, steps: int, long_days: bool, first: str
) -> None:
    """Lord Howe Island (IANA time zone database)."""
    rows, values = rows_of_days(first, 5, LORD_HOWE, steps, long_days)
    reading = read(csv_path, "\n".join([header(steps), *rows]), LORD_HOWE)
    assert_holds(reading, values)
    assert len(reading.notes) == 1


def test_a_clock_change_inside_a_step_is_a_fault(csv_path: Path) -> None:
    rows = [f"2026-04-0{day}," + ",".join(["1"] * 24) for day in (4, 5, 6)]
    assert faults(csv_path, "\n".join([header(24), *rows]), LORD_HOWE) == [
        "days.csv line 3, date: the clocks change by 30 minutes on this day, inside an interval of 60 minutes; "
        "expected shorter intervals"
    ]


@pytest.mark.parametrize(("steps", "spare"), [(24, 1), (48, 2), (96, 4)])
def test_a_header_with_room_for_25_hours_holds_every_day(csv_path: Path, steps: int, spare: int) -> None:
    rows, values = rows_of_days("2026-10-23", 5, DUBLIN, steps)
    width = 1 + steps + spare
    filled = [row + "," * (width - len(row.split(","))) for row in rows]
    names = header(steps) + "".join(f",more {number}" for number in range(spare))
    assert_holds(read(csv_path, "\n".join([names, *filled])), values)


def test_a_long_day_whose_last_cell_is_empty_is_still_long(csv_path: Path) -> None:
    rows, values = rows_of_days("2026-10-25", 1, DUBLIN, 24)
    reading = read(csv_path, "\n".join([header(24), rows[0].removesuffix("25")]))
    assert list(reading.channels[0].start) == list(values.index[:-1])


def test_zeros_in_the_lost_hour_are_left_out_and_a_value_is_a_fault(csv_path: Path) -> None:
    rows, values = rows_of_days("2026-03-29", 1, DUBLIN, 24)
    assert_holds(read(csv_path, "\n".join([header(24), rows[0].replace(",,", ",0,")])), values)
    assert faults(csv_path, "\n".join([header(24), rows[0].replace(",,", ",0.2,")])) == [
        "days.csv line 2, 01:00: the clocks of Europe/Dublin skip this time, and the cell holds a value; expected "
        "0 or nothing, or --clock standard for a file in winter time all year"
    ]


def test_a_file_in_winter_time_all_year_has_24_hours_every_day(csv_path: Path) -> None:
    rows = [f"{day:%Y-%m-%d}," + ",".join(["1"] * 24) for day in pd.date_range("2026-01-01", "2026-12-31")]
    reading = read(csv_path, "\n".join([header(24), *rows]), DUBLIN, "standard")
    instants = pd.date_range("2026-01-01", "2027-01-01", freq="h", tz="UTC", inclusive="left")
    assert list(reading.channels[0].start) == list(instants)
    assert reading.notes == ("The days are read in winter time of Europe/Dublin all year.",)


def test_channels_units_and_quality_are_read(csv_path: Path) -> None:
    """kW become kWh by the step; E, F and S mark a day as estimated, as usual on meters (from memory)."""
    ones, twos = (",".join([value] * 48) for value in ("1", "2"))
    text = header(48, channel=True, prefix="kw_", quality=True)
    text += f"\n2026-03-02,import,{ones},A\n2026-03-02,Export,{twos},E\n2026-03-03,import,{ones},F\n"
    reading = read(csv_path, text)
    assert [(channel.kind, channel.kwh.sum()) for channel in reading.channels] == [("import", 48.0), ("export", 48.0)]
    assert list(np.flatnonzero(reading.channels[0].estimated)) == list(range(48, 96))
    assert reading.channels[1].estimated.all()
    assert reading.layout == "CSV, one row a day, 48 columns of kW"


def test_missing_days_and_empty_cells_are_gaps(csv_path: Path) -> None:
    rows = ["2026-03-02," + ",".join(["1"] * 24), "2026-03-04," + ",".join(["1"] * 23) + ","]
    reading = read(csv_path, "\n".join([header(24), *rows]))
    assert len(reading.channels[0].kwh) == 47
    assert reading.notes == ("Empty cells: 1, read as gaps.",)


def test_semicolons_decimal_commas_and_day_first_dates_are_said(csv_path: Path) -> None:
    row = "02.03.2026;" + ";".join(["0,5"] * 24)
    reading = read(csv_path, header(24).replace(",", ";") + "\n" + row)
    assert reading.channels[0].kwh.sum() == 12.0
    assert reading.notes == (
        "The cells are separated by semicolons, and a comma is read as the decimal sign.",
        "The dates are read as day.month.year.",
    )


ROW = ",".join(["1"] * 24)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (f"{header(23)}\n2026-03-02,{ROW}", "line 1: found columns for 23 intervals a day; expected date, channel"),
        (f"{header(24)}\n2026-03-02,{ROW},1", "line 2: found 25 values; expected 24 on this day"),
        (f"{header(24)}\n2026-10-25,{ROW},1,1", "line 2: found cells: 27; expected 25 cells, as in"),
        (f"{header(24)}\n2026-03-02,{ROW[:-2]}", "line 2: found cells: 24; expected 25 cells"),
        (f"{header(24)}\n\n2026-03-02,{ROW}", "line 2: found an empty line; expected 25 cells"),
        (f"{header(24)}\n2026-02-30,{ROW}", 'line 2, date: "2026-02-30" is not a valid date; expected a date such as'),
        (f"{header(24)}\n02/03/2026,{ROW}", 'line 2, date: "02/03/2026" is not a valid date'),
        (f"{header(24)}\n,{ROW}", "line 2, date: the cell is empty"),
        (f"{header(24)}\n2026-03-02,{ROW}\n2026-03-02,{ROW}", "line 3, date: duplicate: the same day as the row above"),
        (f"{header(24)}\n2026-03-02,{ROW}\n2026-03-01,{ROW}", "line 3, date: not in time order: before the row above"),
        (f"{header(24)}\n2026-03-02,x{ROW[1:]}", 'line 2, 00:00: "x" is not a number; expected 0 to 10000000'),
        (f"{header(24)}\n2026-03-02,-{ROW}", 'line 2, 00:00: "-1" is under 0'),
        (f"{header(24, channel=True)}\n2026-03-02,solar,{ROW}", 'line 2, channel: found "solar"; expected'),
        (f"{header(24, quality=True)}\n2026-03-02,{ROW},?", 'line 2, quality: found "?"; expected A, or E, F or S'),
        (f"{header(24).replace('00:00', 'kw_00:00')}\n2026-03-02,{ROW}", 'line 1: found "01:00" among columns'),
        (f"{header(24)}\n2026-03-02{',' * 24}", "every cell is empty"),
        (header(24), "found 0 rows under the header"),
    ],
)
def test_a_fault_names_its_line_what_was_found_and_what_is_allowed(csv_path: Path, text: str, message: str) -> None:
    found = faults(csv_path, text)
    assert len(found) == 1
    assert message in found[0]


@given(
    first=st.sampled_from(["2026-03-26", "2026-10-22", "2026-04-02", "2026-10-01", "2026-03-05", "2026-10-29"]),
    timezone=st.sampled_from([DUBLIN, LORD_HOWE, "America/St_Johns", "America/Havana", "Asia/Kathmandu"]),
    steps=st.sampled_from([48, 96]),
    long_days=st.booleans(),
)
@settings(deadline=None, max_examples=40)
def test_days_in_any_zone_come_back_as_they_were_written(
    csv_path: Path, first: str, timezone: str, steps: int, long_days: bool
) -> None:
    rows, values = rows_of_days(first, 6, timezone, steps, long_days)
    assert_holds(read(csv_path, "\n".join([header(steps), *rows]), timezone), values)


@given(content=st.text(max_size=80))
@settings(deadline=None)
def test_random_text_raises_input_faults(csv_path: Path, content: str) -> None:
    csv_path.write_bytes(f"{header(24)}\n{content}".encode("utf-8", "surrogatepass"))
    assert len(faults_of(lambda: read_meter_wide_csv(csv_path, DUBLIN))) in range(1, 12)
