"""A meter's plain CSV: clock changes are mended and said, and each fault names its line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.metering.channels import Channel, MeterReading
from scheduler.metering.csv_long import read_meter_csv
from scheduler.metering.local_clock import Clock
from tests.builders.places import PUBLISHED
from tests.builders.sites import faults_of

DUBLIN, LORD_HOWE, BERLIN = "Europe/Dublin", "Australia/Lord_Howe", "Europe/Berlin"

GOOD = """\
start,import_kwh,export_kw,estimated
2026-03-02T00:00+00:00,0.4,0,no
2026-03-02T00:30+00:00,0.5,1,yes
2026-03-02T01:00+00:00,0,3,
2026-03-02T01:30+00:00,1e-1,0,no
"""


@pytest.fixture(scope="module")
def csv_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("meter") / "meter.csv"


def read(path: Path, text: str, timezone: str = DUBLIN, clock: Clock = "local") -> MeterReading:
    path.write_text(text, encoding="utf-8")
    return read_meter_csv(path, timezone, clock)


def faults(path: Path, text: str, timezone: str = DUBLIN) -> list[str]:
    found = faults_of(lambda: read(path, text, timezone))
    return [line.removeprefix(f"{path.parent}/") for line in found]


def local_file(
    begin: str, end: str, timezone: str, step_minutes: int, offset: bool = False
) -> tuple[str, pd.DatetimeIndex]:
    """A file on the local clock, its values the row's number and more, and the instants it is about.

    pandas turns instants into clock times here, the other way round than the program does.
    """
    instants = pd.date_range(
        pd.Timestamp(begin, tz=timezone), pd.Timestamp(end, tz=timezone), freq=f"{step_minutes}min", inclusive="left"
    )
    walls = instants if offset else instants.tz_localize(None)
    rows = [f"{wall.isoformat()},{number + 1}" for number, wall in enumerate(walls)]
    return "\n".join(["start,import_kwh", *rows, ""]), instants.tz_convert("UTC")


def test_each_column_is_a_channel_in_kwh(csv_path: Path) -> None:
    """kW become kWh by the step, and `estimated` is kept; from the definition of energy."""
    reading = read(csv_path, GOOD)
    bought, sold = reading.channels
    assert (bought.kind, sold.kind) == ("import", "export")
    assert list(bought.kwh) == [0.4, 0.5, 0.0, 0.1]
    assert list(sold.kwh) == [0.0, 0.5, 1.5, 0.0]
    assert list(bought.estimated) == [False, True, False, False]
    assert bought.step_minutes == 30
    assert bought.start.dtype == pd.DatetimeTZDtype("s", "UTC")
    assert reading.notes == ()


@pytest.mark.parametrize("step", [5, 10, 15, 30, 60])
@pytest.mark.parametrize(("begin", "end"), [("2026-03-28", "2026-03-31"), ("2026-10-24", "2026-10-27")])
def test_local_times_without_offset_are_mended_in_dublin(csv_path: Path, begin: str, end: str, step: int) -> None:
    """The lost hour is no gap and the doubled hour has two passes: the same instants as pandas gives."""
    text, instants = local_file(begin, end, DUBLIN, step)
    reading = read(csv_path, text)
    assert list(reading.channels[0].start) == list(instants)
    assert list(reading.channels[0].kwh) == list(range(1, len(instants) + 1))
    assert len(reading.notes) == 1
    expected = (
        "skip 2026-03-29 01:00 to 02:00" if "03" in begin else "show 2026-10-25 01:00 to 02:00 twice, and so does"
    )
    assert expected in reading.notes[0]


@pytest.mark.parametrize("step", [5, 15, 30])
@pytest.mark.parametrize(("begin", "end"), [("2026-04-04", "2026-04-07"), ("2026-10-03", "2026-10-06")])
def test_local_times_are_mended_where_the_clocks_change_by_half_an_hour(
    csv_path: Path, begin: str, end: str, step: int
) -> None:
    """Lord Howe Island shifts by 30 minutes (IANA time zone database)."""
    text, instants = local_file(begin, end, LORD_HOWE, step)
    reading = read(csv_path, text, LORD_HOWE)
    assert list(reading.channels[0].start) == list(instants)
    expected = "show 2026-04-05 01:30 to 02:00 twice" if "-04-" in begin else "skip 2026-10-04 02:00 to 02:30"
    assert expected in reading.notes[0]


@pytest.mark.parametrize("timezone", [DUBLIN, LORD_HOWE])
def test_times_with_offset_need_no_mending(csv_path: Path, timezone: str) -> None:
    text, instants = local_file("2026-01-01", "2026-12-31", timezone, 30, offset=True)
    reading = read(csv_path, text, "Asia/Tokyo")
    assert list(reading.channels[0].start) == list(instants)
    assert reading.notes == ()


def without_repeats(text: str) -> str:
    """A file that has lost every row whose start was there before, as a table by clock time does."""
    return "\n".join(
        {line.split(",")[0]: line for line in reversed(text.splitlines())}[start]
        for start in dict.fromkeys(line.split(",")[0] for line in text.splitlines())
    )


@pytest.mark.parametrize(("timezone", "day", "minutes"), [(DUBLIN, "2026-10-25", 60), (LORD_HOWE, "2026-04-05", 30)])
def test_a_doubled_hour_that_is_there_once_is_a_gap_the_second_time(
    csv_path: Path, timezone: str, day: str, minutes: int
) -> None:
    text, instants = local_file(day, str(pd.Timestamp(day) + pd.Timedelta(days=1))[:10], timezone, 15)
    reading = read(csv_path, without_repeats(text), timezone)
    start = reading.channels[0].start
    missing = instants.difference(start)
    assert len(missing) == minutes // 15
    offsets = {stamp.tz_convert(timezone).utcoffset() for stamp in missing}
    assert offsets == {instants[-1].tz_convert(timezone).utcoffset()}  # winter time, which the day ends in
    assert "twice, the file only once: read as the first" in reading.notes[0]


def test_an_empty_row_in_the_lost_hour_is_left_out_and_said_but_a_value_is_a_fault(csv_path: Path) -> None:
    text, instants = local_file("2026-03-29", "2026-03-30", DUBLIN, 60)
    lines = text.splitlines()
    for cell in ("", "0"):
        reading = read(csv_path, "\n".join([*lines[:2], f"2026-03-29T01:00,{cell}", *lines[2:]]))
        assert list(reading.channels[0].start) == list(instants)
        assert reading.notes == ("The clocks skip 2026-03-29 01:00 to 02:00: its rows hold nothing and were left out.",)
    found = faults(csv_path, "\n".join([*lines[:2], "2026-03-29T01:00,0.3", *lines[2:]]))
    assert len(found) == 1
    assert found[0].startswith("meter.csv line 3, start: the clocks of Europe/Dublin skip this time")
    assert "--clock standard" in found[0]


@pytest.mark.parametrize(("timezone", "hours"), [(DUBLIN, 0), (BERLIN, 1), (LORD_HOWE, 10.5)])
def test_a_file_in_winter_time_all_year_is_read_as_that(csv_path: Path, timezone: str, hours: float) -> None:
    """Winter offsets of the IANA database; Ireland's law calls its summer time standard, owners do not."""
    walls = pd.date_range("2026-01-01", "2027-01-01", freq="30min", inclusive="left")
    text = "\n".join(["start,import_kwh", *(f"{wall.isoformat()},1" for wall in walls)])
    reading = read(csv_path, text, timezone, "standard")
    assert list(reading.channels[0].start) == list((walls - pd.Timedelta(hours=hours)).tz_localize("UTC"))
    assert reading.notes == (f"The times are read as winter time of {timezone} all year.",)


@pytest.mark.parametrize(
    ("name", "rows", "hours", "note"),
    [
        (
            "2016-03-27",
            92,
            23,
            "The clocks skip 2016-03-27 02:00 to 03:00: the file has no such rows, as it should be.",
        ),
        ("2016-10-30", 100, 25, "The clocks show 2016-10-30 02:00 to 03:00 twice, and so does the file"),
    ],
)
def test_published_days_of_the_clock_change_are_mended_and_said(
    csv_path: Path, name: str, rows: int, hours: int, note: str
) -> None:
    """Excerpt of SimBench (ODbL 1.0, tests/published/simbench-SOURCE.txt), which has German local time."""
    text = (
        (PUBLISHED / f"simbench-{name}.csv").read_text().replace("time;H0-A_pload;PV1", "start;import_kw;generation_kw")
    )
    reading = read(csv_path, text, BERLIN)
    bought, made = reading.channels
    assert (bought.kind, made.kind, bought.step_minutes) == ("import", "generation", 15)
    assert len(bought.kwh) == len(made.kwh) == rows
    assert set(np.diff(bought.start.asi8)) == {900}
    assert bought.start[-1] - bought.start[0] == pd.Timedelta(hours=hours, minutes=-15)
    assert bought.start[0] == pd.Timestamp(name, tz=BERLIN)
    assert any(note in said for said in reading.notes)
    assert "The dates are read as day.month.year." in reading.notes
    published = [float(line.split(";")[1]) for line in text.splitlines()[1:]]
    assert bought.kwh.sum() == pytest.approx(sum(published) / 4, abs=1e-12)


def test_semicolons_and_decimal_commas_are_found_and_said(csv_path: Path) -> None:
    reading = read(csv_path, "start;import_kwh\n02.03.2026 00:00;0,25\n02.03.2026 00:15;1\n")
    assert list(reading.channels[0].kwh) == [0.25, 1.0]
    assert reading.notes[0] == "The cells are separated by semicolons, and a comma is read as the decimal sign."
    assert read(csv_path, GOOD.replace(",", ";")).notes == ("The cells are separated by semicolons.",)


def test_gaps_and_empty_cells_are_left_out_not_filled(csv_path: Path) -> None:
    reading = read(csv_path, GOOD.replace("2026-03-02T00:30+00:00,0.5,1,yes\n", "").replace("00,0,3,", "00,,3,"))
    bought, sold = reading.channels
    assert [stamp.minute + 60 * stamp.hour for stamp in bought.start] == [0, 90]
    assert [stamp.minute + 60 * stamp.hour for stamp in sold.start] == [0, 60, 90]
    assert reading.notes == ("Empty cells: 1, read as gaps.",)


OWN = """\
start,hours,import_kwh,export_kwh,charge_kwh,discharge_kwh,load_kwh,solar_kwh,curtailed_kwh,stored_kwh
2026-03-02T00:00+00:00,0.25,0.1,0,0,0,0.1,0,0,20
2026-03-02T00:15+00:00,0.25,0.2,0,0,0,0.2,0,0,20
2026-03-02T00:30+00:00,0.25,0.3,0.1,0,0,0.3,0,0,20
"""


def test_this_programs_own_metered_file_reads_as_import_and_export(csv_path: Path) -> None:
    reading = read(csv_path, OWN)
    assert [channel.kind for channel in reading.channels] == ["import", "export"]
    assert list(reading.channels[0].kwh) == [0.1, 0.2, 0.3]
    assert "charge_kwh, discharge_kwh, load_kwh, solar_kwh, curtailed_kwh, stored_kwh" in reading.notes[0]


def test_rows_of_unequal_length_are_cut_to_one_step_with_their_energy_spread(csv_path: Path) -> None:
    """The last row lasts half an hour: two quarter hours with half its energy each, and nothing is lost."""
    reading = read(csv_path, OWN.replace("30+00:00,0.25", "30+00:00,0.5"))
    bought, sent = reading.channels
    assert bought.step_minutes == 15
    assert list(bought.kwh) == [0.1, 0.2, 0.15, 0.15]
    assert float(sent.kwh.sum()) == pytest.approx(0.1)
    assert "cut to 15 minutes" in " ".join(reading.notes)


def test_rows_of_unequal_length_that_leave_time_out_are_refused(csv_path: Path) -> None:
    """Where lengths differ, each row must begin where the one above ends; a length is a whole number of minutes."""
    assert faults(csv_path, OWN.replace("15+00:00,0.25", "15+00:00,0.5")) == [
        (
            "meter.csv line 4, start: it is not where the row above ends; "
            "expected rows that follow one another, as their hours differ"
        )
    ]
    assert faults(csv_path, OWN.replace("30+00:00,0.25", "30+00:00,0.001")) == [
        'meter.csv line 4, hours: found "0.001"; expected a whole number of minutes, in hours, up to 24'
    ]


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("export_kw,", "exprt_kw,", 'line 1: unknown column "exprt_kw"; did you mean export_kw?'),
        ("export_kw,", "import_kw,", "line 1: found both import_kwh and import_kw; expected one of them"),
        ("export_kw,", "import_kwh,", 'line 1: the column "import_kwh" appears twice'),
        ("start,import_kwh,export_kw", "start,load_kwh,solar_kwh", "line 1: found the header"),
        (",0.5,", ",high,", 'line 3, import_kwh: "high" is not a number; expected 0 to 10000000'),
        (",0.5,", ",nan,", 'line 3, import_kwh: "nan" is not a number'),
        (",0.5,", ",1_0,", 'line 3, import_kwh: "1_0" is not a number'),
        (",0.5,", ",-0.5,", 'line 3, import_kwh: "-0.5" is under 0'),
        (",0.5,", ",1e999,", "is not finite"),
        (",0.5,", ",0,5,", "line 3: found cells: 5; expected 4 cells, as in the header"),
        (",0.5,1,yes", ",0.5,1,yes\n", "line 4: found an empty line; expected 4 cells"),
        (",yes", ",maybe", 'line 3, estimated: found "maybe"; expected yes or no'),
        ("2026-03-02T00:30+00:00", "2026-03-02T00:30", "has no offset, and the first time has one"),
        ("2026-03-02T00:30+00:00", "", "line 3, start: the cell is empty"),
        ("2026-03-02T00:30+00:00", "2026-03-02T00:30:10+00:00", "is not on a whole minute"),
        ("2026-03-02T00:30+00:00", "03/02/2026 00:30", "cannot be read as an instant"),
        ("2026-03-02T00:30+00:00", "2026-02-30T00:30+00:00", "line 3, start: "),
        ("02T00:30", "02T00:00", "line 3, start: duplicate: the same start as the row above"),
        ("02T01:00", "02T00:10", "line 4, start: not in time order: before the row above"),
        (
            "02T01:30",
            "02T01:10",
            "line 5, start: short interval: 10 minutes after the row above; expected whole intervals of",
        ),
        ("02T01:30", "02T02:10", "line 5, start: uneven interval: 70 minutes after the row above"),
        (",0.5,", ',"0.5,', "this is not CSV"),
    ],
)
def test_a_fault_names_its_line_what_was_found_and_what_is_allowed(
    csv_path: Path, old: str, new: str, message: str
) -> None:
    found = faults(csv_path, GOOD.replace(old, new, 1))
    assert found
    assert message in found[0]
    assert found[0].startswith("meter.csv line ")


@pytest.mark.parametrize(("step", "allowed"), [(4, False), (5, True), (60, True), (61, False)])
def test_the_step_must_be_5_to_60_minutes(csv_path: Path, step: int, allowed: bool) -> None:
    starts = pd.date_range("2026-03-02T00:00Z", periods=5, freq=f"{step}min")
    found = faults(csv_path, "\n".join(["start,import_kwh", *(f"{start.isoformat()},1" for start in starts)]))
    refused = f"meter.csv line 3, start: {step} minutes after the row above; expected 5 to 60 minutes"
    assert found == ([] if allowed else [refused])


@pytest.mark.parametrize(
    ("second", "message"),
    [
        ("01:00\n01:45", "line 6, start: the clocks show 2026-10-25 01:00 to 02:00 twice"),
        ("01:15\n01:30", "line 6, start: the clocks show 2026-10-25 01:00 to 02:00 twice"),
    ],
)
def test_a_doubled_hour_that_is_neither_once_nor_twice_the_same_is_a_fault(
    csv_path: Path, second: str, message: str
) -> None:
    clocks = ["01:00", "01:15", "01:30", "01:45", *second.split("\n"), "02:00"]
    found = faults(csv_path, "\n".join(["start,import_kwh", *(f"2026-10-25T{clock},1" for clock in clocks)]))
    assert len(found) == 1
    assert message in found[0]


def test_points_among_decimal_commas_are_a_fault(csv_path: Path) -> None:
    """1.234 may be a thousand and more there: no guess."""
    found = faults(csv_path, "start;import_kwh\n2026-03-02 00:00;0,25\n2026-03-02 00:15;1.234\n")
    assert found == [
        'meter.csv line 3, import_kwh: "1.234" has a point where other numbers have a comma; expected a comma'
    ]


@pytest.mark.parametrize("body", ["", "2026-03-02T00:00Z,1\n", "2026-03-02T00:00Z,\n2026-03-02T01:00Z,\n"])
def test_a_file_without_values_is_a_fault(csv_path: Path, body: str) -> None:
    assert len(faults(csv_path, f"start,import_kwh\n{body}")) == 1


def test_ten_faults_are_listed_and_the_rest_counted(csv_path: Path) -> None:
    rows = [f"2026-03-02T{hour:02}:00Z,x" for hour in range(24)]
    found = faults(csv_path, "\n".join(["start,import_kwh", *rows]))
    assert len(found) == 11
    assert found[-1] == "and 14 more faults"


@given(
    kwh=st.lists(st.floats(0, 1000).map(lambda value: round(value, 6)), min_size=2, max_size=60),
    day=st.sampled_from(["2026-03-29", "2026-10-25", "2026-04-05", "2026-10-04", "2026-07-01"]),
    timezone=st.sampled_from([DUBLIN, LORD_HOWE, "America/St_Johns"]),
    semicolon=st.booleans(),
    offset=st.booleans(),
)
@settings(deadline=None, max_examples=60)
def test_random_flows_come_back_as_they_were_written(
    csv_path: Path, kwh: list[float], day: str, timezone: str, semicolon: bool, offset: bool
) -> None:
    """Whatever the form of the file, its instants and energies are those that it was made of."""
    instants = pd.date_range(pd.Timestamp(day, tz=timezone), periods=len(kwh) + 20, freq="15min")
    values = [*kwh, *([0.5] * 20)]  # a whole doubled hour is inside or outside
    walls = instants if offset else instants.tz_localize(None)
    sep = ";" if semicolon else ","
    cells = [repr(value).replace(".", ",") if semicolon else repr(value) for value in values]
    rows = [f"{wall.isoformat()}{sep}{cell}" for wall, cell in zip(walls, cells, strict=True)]
    channel: Channel = read(csv_path, "\n".join([f"start{sep}import_kwh", *rows]), timezone).channels[0]
    assert list(channel.start) == list(instants.tz_convert("UTC"))
    assert list(channel.kwh) == values


@given(content=st.text(max_size=80))
@settings(deadline=None)
def test_random_text_is_read_or_raises_input_faults(csv_path: Path, content: str) -> None:
    csv_path.write_bytes(f"start,import_kwh\n{content}".encode("utf-8", "surrogatepass"))
    assert len(faults_of(lambda: read_meter_csv(csv_path, DUBLIN))) <= 11
