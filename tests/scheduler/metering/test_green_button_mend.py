"""What feeds get wrong at a change of the clocks is read as it must have been, and said; elsewhere it stays a fault.

Kinds of errors: seen in published sample files (readings of 0 s and of 7200 s on the days of a clock change) and, from
memory, usual where a table by the wall clock was turned into instants. All values are invented.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scheduler.metering.channels import Channel, MeterReading
from scheduler.metering.green_button_file import read_green_button
from tests.builders.green_button_feeds import Reading, Register, file_of
from tests.builders.sites import faults_of

NEW_YORK = "America/New_York"
AUTUMN = int(datetime(2025, 11, 2, 6, tzinfo=UTC).timestamp())  # 01:00 EST, the hour that the clock shows again
SPRING = int(datetime(2025, 3, 9, 7, tzinfo=UTC).timestamp())  # 03:00 EDT, after the hour that the clock skips
SUMMER = int(datetime(2025, 7, 9, 6, tzinfo=UTC).timestamp())
HOURS = 72


@pytest.fixture(scope="module")
def xml_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("mended") / "usage.xml"


def hours_around(at: int, hours: int = HOURS) -> dict[int, Reading]:
    """Hourly readings around an instant, by start; each value is the number of its hour."""
    first = at - hours // 2 * 3600
    return {first + hour * 3600: Reading(first + hour * 3600, 1000 + hour) for hour in range(hours)}


def read(path: Path, readings: dict[int, Reading] | list[Reading], timezone: str | None = NEW_YORK) -> MeterReading:
    rows = list(readings.values()) if isinstance(readings, dict) else readings
    path.write_text(file_of(Register(rows)), encoding="utf-8")
    return read_green_button(path, timezone)


def kwh_at(channel: Channel, at: int) -> float:
    (place,) = np.flatnonzero(channel.start == pd.Timestamp(at, unit="s", tz="UTC"))
    return float(channel.kwh[place])


def without_clock(reading: MeterReading) -> list[str]:
    return [note for note in reading.notes if "LocalTimeParameters" not in note]


def test_a_reading_of_two_hours_is_two(xml_path: Path) -> None:
    rows = hours_around(AUTUMN)
    rows[AUTUMN - 3600] = Reading(AUTUMN - 3600, 3001, 7200)
    del rows[AUTUMN]
    reading = read(xml_path, rows)
    (channel,) = reading.channels
    assert (kwh_at(channel, AUTUMN - 3600), kwh_at(channel, AUTUMN)) == (1.501, 1.5)
    assert int(channel.estimated.sum()) == 2
    assert len(channel.kwh) == HOURS
    assert without_clock(reading) == [
        "Whole house: one reading is senseless at a change of the clocks: 2025-11-02T05:00Z (7200 s) is read as 2 "
        "intervals. What is read is marked as estimated."
    ]


def test_a_length_of_two_hours_that_overlaps_is_one(xml_path: Path) -> None:
    rows = hours_around(AUTUMN)
    rows[AUTUMN - 3600] = Reading(AUTUMN - 3600, 1500, 7200)
    reading = read(xml_path, rows)
    assert len(reading.channels[0].kwh) == HOURS
    assert "is read as 3600 s" in reading.notes[0]


@pytest.mark.parametrize("value", [0, 777])
def test_a_reading_without_length_is_left_out(xml_path: Path, value: int) -> None:
    rows = [*hours_around(SPRING).values(), Reading(SPRING, value, 0)]
    reading = read(xml_path, rows)
    assert len(reading.channels[0].kwh) == HOURS
    assert "2025-03-09T07:00Z (0 s) is left out" in reading.notes[0]


def test_the_hour_shown_twice_at_one_instant_is_two_hours(xml_path: Path) -> None:
    rows = hours_around(AUTUMN)
    value = rows.pop(AUTUMN).value
    reading = read(xml_path, [*rows.values(), Reading(AUTUMN - 3600, value)])
    (channel,) = reading.channels
    assert channel.kwh.tolist() == [1 + hour / 1000 for hour in range(HOURS)]
    assert "the second of 2025-11-02T05:00Z is read as that of the hour after" in reading.notes[0]


def test_an_hour_that_is_lacking_is_the_mean_of_those_beside_it(xml_path: Path) -> None:
    rows = hours_around(SPRING)
    wanted = rows.pop(SPRING).value
    reading = read(xml_path, rows)
    (channel,) = reading.channels
    assert kwh_at(channel, SPRING) * 1000 == wanted
    assert channel.estimated.tolist() == [start == SPRING for start in channel.start.as_unit("s").asi8]
    assert "it lacks an hour at a change of the clocks (2025-03-09T07:00Z)" in reading.notes[0]


@pytest.mark.parametrize(
    ("at", "timezone"),
    [(SUMMER, NEW_YORK), (AUTUMN, "America/Phoenix"), (AUTUMN, None), (AUTUMN + 3 * 86_400, NEW_YORK)],
)
def test_elsewhere_it_is_a_fault(xml_path: Path, at: int, timezone: str | None) -> None:
    rows = hours_around(at)
    rows[at - 3600] = Reading(at - 3600, 3001, 7200)
    assert any(
        "expected one duration in a register" in each for each in faults_of(lambda: read(xml_path, rows, timezone))
    )


def test_an_hour_that_is_lacking_elsewhere_stays_a_gap(xml_path: Path) -> None:
    rows = hours_around(SUMMER)
    del rows[SUMMER]
    assert len(read(xml_path, rows).channels[0].kwh) == HOURS - 1


@pytest.mark.parametrize("odd", [Reading(SUMMER, 5, 900), Reading(SUMMER + 5, 5), Reading(SUMMER, "much")])
def test_a_lone_senseless_reading_of_a_long_feed_is_left_out(xml_path: Path, odd: Reading) -> None:
    """A feed of thirteen months is not refused for one reading; one of a week is."""
    rows = hours_around(SUMMER, 1200)
    rows[SUMMER] = odd
    reading = read(xml_path, rows)
    assert len(reading.channels[0].kwh) == 1199
    assert len(without_clock(reading)) == 1
    short = hours_around(SUMMER)
    short[SUMMER] = odd
    assert faults_of(lambda: read(xml_path, short))


def test_two_contradictions_of_one_instant_are_a_fault_where_the_next_hour_is_there(xml_path: Path) -> None:
    rows = [*hours_around(AUTUMN).values(), Reading(AUTUMN, 9)]
    assert "expected one value for an interval" in faults_of(lambda: read(xml_path, rows))[0]


def test_the_feeds_own_clock_is_compared_with_the_sites(xml_path: Path) -> None:
    """The feed's LocalTimeParameters say UTC−5 with summer time."""
    rows = hours_around(SUMMER)
    assert read(xml_path, rows).notes == ()
    (note,) = read(xml_path, rows, "America/Denver").notes
    assert note.startswith(
        "The feed's own clock is UTC−05:00 in winter (LocalTimeParameters), and the site's, America/D"
    )
    (note,) = read(xml_path, rows, "America/Panama").notes  # UTC−5 all year
    assert note.startswith("The feed's own clock has summer time (LocalTimeParameters), and the site's, America/Panama")
