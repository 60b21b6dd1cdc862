"""Traces read strictly: what is allowed, and one clear line for each mistake. All figures are invented."""

from __future__ import annotations

from pathlib import Path

import pytest

from scheduler.diagnostics.trace_file import METERED_COLUMNS, ReadTrace, read_trace
from scheduler.plan_output.schedule_csv import COLUMNS as SCHEDULE_COLUMNS
from scheduler.textio.errors import InputFaults

START = "2026-03-02T{:02}:00+00:00"


def trace_text(*cells: str, header: str = "start,soc_percent") -> str:
    return "\n".join([header, *(f"{START.format(at)},{cell}" for at, cell in enumerate(cells)), ""])


def read(folder: Path, text: str, battery_kwh: float | None = None) -> ReadTrace:
    file = folder / "trace.csv"
    file.write_text(text, encoding="utf-8")
    return read_trace(file, 25.0, battery_kwh)


def metered_text(*rows: tuple[int, float, float]) -> str:
    """Rows of start hour, hours and stored energy; the other columns play no part in wear."""
    return "\n".join(
        [",".join(METERED_COLUMNS), *(f"{START.format(at)},{h},0,0,0,0,0,0,0,{e}" for at, h, e in rows), ""]
    )


def test_percent_with_temperature_and_without(tmp_path: Path) -> None:
    """States of charge become shares; a missing temperature is the one that is given."""
    plain = read(tmp_path, trace_text("80", "35.5", "100")).trace
    assert plain.soc == pytest.approx([0.8, 0.355, 1.0])
    assert list(plain.temp_degc) == [25.0, 25.0, 25.0]
    assert list(plain.hours_from_begin()) == [0, 1, 2]
    warm = read(tmp_path, trace_text("80,-3", "40,12.5", header="start,soc_percent,temp_degc")).trace
    assert list(warm.temp_degc) == [-3.0, 12.5]


def test_metered_table_tells_the_end_of_each_row(tmp_path: Path) -> None:
    """Stored energy is at each row's end, over rows of unequal length, and needs the capacity."""
    read_one = read(tmp_path, metered_text((18, 1, 30), (19, 0.5, 20)), 40.0)
    assert [f"{instant:%H:%M}" for instant in read_one.trace.instants] == ["19:00", "19:30"]
    assert read_one.trace.soc == pytest.approx([0.75, 0.5])
    assert any("end of the first row" in note for note in read_one.notes)
    with pytest.raises(InputFaults, match=r"stored_kwh: a metered table has kWh .*--battery-kwh"):
        read(tmp_path, metered_text((18, 1, 30), (19, 1, 20)))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (trace_text("80", "100.1"), r'line 3, soc_percent: "100.1" is over 100; expected 0 to 100'),
        (trace_text("-1", "50"), r'line 2, soc_percent: "-1" is under 0; expected 0 to 100'),
        (trace_text("full", "50"), r'line 2, soc_percent: "full" is not a number; expected 0 to 100'),
        (trace_text("80"), r"rows under the header: 1; expected 2 or more"),
        ("start,soc_percent\n", r"rows under the header: 0; expected 2 or more"),
        (
            trace_text("80,298.15", "70,299", header="start,soc_percent,temp_degc"),
            r'line 2, temp_degc: "298.15" is over 100, perhaps kelvin; expected -60 to 100 °C',
        ),
        (
            trace_text("80,-80", "70,20", header="start,soc_percent,temp_degc"),
            r'line 2, temp_degc: "-80" is under -60; expected -60 to 100 °C',
        ),
        (
            "start,soc_percent\n2026-03-02T02:00+00:00,50\n2026-03-02T01:00+00:00,40\n",
            r"line 3, start: not in time order: before the row above",
        ),
        (
            "start,soc_percent\n2026-03-02T02:00+00:00,50\n2026-03-02T03:00+01:00,40\n",
            r"line 3, start: duplicate: the same start as the row above",
        ),
        ("start,soc_percent\n2026-03-02T02:00,50\n2026-03-02T03:00,40\n", r"line 2, start: .* has no offset"),
        ("start;soc_percent\n", r"line 1: the cells are not separated by commas"),
        ("start,soc\n2026-03-02T02:00Z,50\n", r'line 1: the header is "start,soc"; expected start,soc_percent or'),
        ("start,hours,stored_kwh\n", r"line 1: the header is .*; expected start,hours,import_kwh"),
        ("start,soc_percent\n2026-03-02T02:00Z\n", r"line 2: found cells: 1; expected start,soc_percent"),
        ("", r"the file is empty"),
    ],
)
def test_each_mistake_is_one_clear_line(tmp_path: Path, text: str, said: str) -> None:
    """File, line, column, what was found and what is allowed."""
    with pytest.raises(InputFaults, match=rf"^\S*trace\.csv.*{said}"):
        read(tmp_path, text)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (metered_text((18, 1, 30), (19, 1, 40.5)), r'line 3, stored_kwh: "40.5" kWh do not fit .* expected 0 to 40'),
        (metered_text((18, 1, 30), (20, 1, 20)), r"line 3, hours: this row does not follow the one above"),
        (metered_text((18, 1, 30), (19, 0, 20)), r"line 3, hours: found 0 hours; expected more"),
        (metered_text((18, 1, 30)), r"rows under the header: 1"),
    ],
)
def test_mistakes_in_a_metered_table(tmp_path: Path, text: str, said: str) -> None:
    """Energy that does not fit the battery, and rows that do not follow each other."""
    with pytest.raises(InputFaults, match=said):
        read(tmp_path, text, 40.0)


def test_many_faults_are_counted(tmp_path: Path) -> None:
    """Of many faults the first ten are told, and how many more."""
    with pytest.raises(InputFaults) as caught:
        read(tmp_path, trace_text(*["120"] * 14))
    assert len(caught.value.faults) == 11
    assert "and 4 more" in str(caught.value)


def test_what_looks_odd_is_told(tmp_path: Path) -> None:
    """Shares in place of percent, and a long way between rows, are notes and not faults."""
    assert "shares and not percent" in read(tmp_path, trace_text("0.8", "0.3")).notes[0]
    gap = "start,soc_percent\n2026-03-02T02:00Z,50\n2026-03-02T03:00Z,40\n2026-03-02T15:00Z,40\n"
    assert "Line 4 is 12 hours after the line above, the longest of 1 over 6 hours" in read(tmp_path, gap).notes[0]


def test_a_plans_schedule_wants_its_folder(tmp_path: Path) -> None:
    """The schedule alone does not tell what it belongs to."""
    with pytest.raises(InputFaults, match=r"schedule of a plan; expected the plan's folder"):
        read(tmp_path, ",".join(SCHEDULE_COLUMNS) + "\n")
