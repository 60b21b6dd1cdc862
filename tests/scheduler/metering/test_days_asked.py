"""A fault on a day that was not asked for refuses no file; the same fault on a day asked for does."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import pytest

from scheduler.metering.channels import MeterReading
from scheduler.metering.days_asked import DaysAsked
from scheduler.metering.detect_format import read_meter_file
from scheduler.textio.errors import InputFaults
from tests.builders.green_button_feeds import Reading, Register, file_of

BRISBANE = "Australia/Brisbane"
FIRST = date(2026, 3, 1)
DAYS = 10
BAD = date(2026, 3, 4)
HALF_HOURS = [f"{0.1 * number:.1f}" for number in range(48)]


def nem12(fault: str) -> str:
    records = ["100,NEM12,202604060415,S,R", "200,9900000011,E1,1,E1,N1,SERIAL,kWh,30,"]
    for number in range(DAYS):
        when = FIRST + timedelta(number)
        values, quality = list(HALF_HOURS), "A"
        if when == BAD and fault == "value":
            values[7] = "much"
        if when == BAD and fault == "count":
            values = values[:40]
        if when == BAD and fault == "quality":
            quality = "V"
        records.append(f"300,{when:%Y%m%d},{','.join(values)},{quality},,,20260405041500,")
        if when == BAD and fault == "event":
            records.append("400,40,30,A,,")
    return "\n".join([*records, "900", ""])


def green_button(fault: str) -> str:
    first = 1_772_287_200  # 2026-03-01T00:00+10:00
    rows = [Reading(first + hour * 3600, 100 + hour) for hour in range(24 * DAYS)]
    place = 24 * (BAD - FIRST).days + 5
    rows[place] = {
        "value": Reading(rows[place].start, "much"),
        "length": Reading(rows[place].start, 7, 900),
        "off the grid": Reading(int(str(rows[place].start)) + 7, 7),
    }[fault]
    if fault == "length":
        rows[place + 30] = Reading(rows[place + 30].start, 7, 1800)
    return file_of(Register(rows))


def plain(fault: str) -> str:
    assert fault == "value"
    lines = ["start,import_kwh"]
    for hour in range(24 * DAYS):
        day = FIRST + timedelta(hour // 24)
        lines.append(f"{day}T{hour % 24:02}:00,{'much' if day == BAD and hour % 24 == 7 else 1}")
    return "\n".join([*lines, ""])


def wide(fault: str) -> str:
    assert fault == "value"
    lines = ["date," + ",".join(f"v{hour}" for hour in range(24))]
    for number in range(DAYS):
        day = FIRST + timedelta(number)
        lines.append(f"{day}," + ",".join("much" if day == BAD and hour == 7 else "1" for hour in range(24)))
    return "\n".join([*lines, ""])


CASES = [
    *((nem12, fault) for fault in ("value", "count", "quality", "event")),
    *((green_button, fault) for fault in ("value", "length", "off the grid")),
    (plain, "value"),
    (wide, "value"),
]


@pytest.mark.parametrize(("layout", "fault"), CASES)
def test_a_fault_on_another_day_is_left_out_and_said(tmp_path: Path, layout: Callable[[str], str], fault: str) -> None:
    path = tmp_path / "meter"
    path.write_text(layout(fault), encoding="utf-8")

    def read(first: date | None, last: date | None) -> MeterReading:
        return read_meter_file(path, BRISBANE, asked=DaysAsked(first, last, BRISBANE))

    for asked in ((None, None), (FIRST, BAD), (BAD, None), (BAD, BAD)):
        with pytest.raises(InputFaults):
            read(*asked)
    for asked in ((BAD + timedelta(2), None), (None, BAD - timedelta(2)), (BAD + timedelta(3), BAD + timedelta(3))):
        reading = read(*asked)
        assert any("On other days than those asked for" in note for note in reading.notes)
        (channel,) = reading.channels
        of_day = channel.start.tz_convert(BRISBANE).date == BAD + timedelta(3)
        assert int(of_day.sum()) == 1440 // channel.step_minutes
