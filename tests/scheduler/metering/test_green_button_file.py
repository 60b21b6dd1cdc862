"""Green Button files are read as another reader of the format reads them, and by the codes of the published schema."""

import random
import re
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from greenbutton_objects.enums import QualityOfReading
from greenbutton_objects.parse import parse_feed
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.metering.channels import Channel, MeterReading
from scheduler.metering.green_button_file import LAYOUT, looks_like_xml, read_green_button
from tests.builders.green_button_feeds import (
    NOON,
    Reading,
    Register,
    entries_of,
    feed,
    file_of,
    hourly,
    interval_blocks,
    meter_reading,
    reading_type,
    usage_point,
)


@pytest.fixture(scope="module")
def xml_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("green_button") / "usage.xml"


def read(path: Path, text: str) -> MeterReading:
    path.write_text(text, encoding="utf-8")
    return read_green_button(path)


def rows(channel: Channel) -> list[tuple[pd.Timestamp, float, bool]]:
    return list(zip(channel.start, channel.kwh.tolist(), channel.estimated.tolist(), strict=True))


# The schema's names of 8, 9, 12, 13 and 15; which of them count as estimated is this project's choice.
ESTIMATED = {
    QualityOfReading.estimatedUsingReferenceDay,
    QualityOfReading.estimatedUsingLinearInterpolation,
    QualityOfReading.projected,
    QualityOfReading.mixed,
    QualityOfReading.normalizedForWeather,
}


def rows_of_other_reader(path: Path) -> dict[tuple[str, str], list[tuple[pd.Timestamp, float, bool]]]:
    """Readings by usage point and direction as the package greenbutton_objects (Apache-2.0) reads them, in kWh."""
    found = {}
    for point in parse_feed(str(path)):
        for register in point.meterReadings:
            kind = {"forward": "import", "reverse": "export"}[register.readingType.flowDirection.name]
            found[point.title, kind] = [
                (
                    pd.Timestamp(reading.timePeriod.start),
                    reading.value / 1000,
                    any(quality.quality in ESTIMATED for quality in reading.readingQualities),
                )
                for reading in register.intervalReadings
            ]
    return found


def assert_read_alike(path: Path, reading: MeterReading) -> None:
    other = rows_of_other_reader(path)
    assert {(channel.meter, channel.kind) for channel in reading.channels} == set(other)
    for channel in reading.channels:
        wanted = other[channel.meter, channel.kind]
        assert list(channel.start) == [row[0] for row in wanted]
        assert channel.kwh == pytest.approx([row[1] for row in wanted], rel=1e-15)
        assert channel.estimated.tolist() == [row[2] for row in wanted]


@pytest.mark.parametrize("power", range(-3, 4))
@pytest.mark.parametrize("seconds", [900, 3600])
@pytest.mark.parametrize("prefixed", [True, False])
def test_import_and_export_are_read_as_another_reader_does(
    xml_path: Path, power: int, seconds: int, prefixed: bool
) -> None:
    """Times, kWh and quality of two registers, against greenbutton_objects."""
    values = random.Random(power).sample(range(10**6), 60)
    codes = {"powerOfTenMultiplier": power, "intervalLength": seconds}
    taken = Register(hourly(values, seconds=seconds)).coded(**codes)
    given_back = Register(hourly(reversed(values), seconds=seconds), number=2, title="Fed in")
    text = file_of(taken, given_back.coded(**codes, flowDirection=19), prefixed=prefixed)
    reading = read(xml_path, text)
    assert_read_alike(xml_path, reading)
    assert reading.layout == LAYOUT
    assert [channel.kind for channel in reading.channels] == ["import", "export"]
    assert [channel.name for channel in reading.channels] == ["Whole house", "Fed in"]
    assert {channel.step_minutes for channel in reading.channels} == {seconds // 60}
    assert reading.notes == ()
    assert all(channel.start.dtype == pd.DatetimeTZDtype("s", "UTC") for channel in reading.channels)


@pytest.mark.parametrize(("day", "hours"), [("2026-03-08", 23), ("2026-11-01", 25)])
@pytest.mark.parametrize("seconds", [900, 3600])
def test_clock_changes_leave_neither_gaps_nor_doubles(xml_path: Path, day: str, hours: int, seconds: int) -> None:
    """Seconds since 1970 know no clock change: the days of New York have 23 and 25 hours (IANA time zones)."""
    zone = ZoneInfo("America/New_York")
    midnight = pd.Timestamp(day, tz=zone)
    second = int(midnight.timestamp())
    count = hours * 3600 // seconds
    register = Register(hourly(range(count), second, seconds)).coded(intervalLength=seconds)
    reading = read(xml_path, file_of(register))
    assert_read_alike(xml_path, reading)
    (channel,) = reading.channels
    wanted = pd.date_range(midnight, midnight + pd.DateOffset(days=1), freq=f"{seconds}s", inclusive="left")
    assert list(channel.start) == list(wanted)
    assert reading.notes == ()


@pytest.mark.parametrize("quality", [q.value for q in QualityOfReading])
def test_each_quality_counts_as_the_module_says(xml_path: Path, quality: int) -> None:
    """Codes of the schema's QualityOfReading; a reading that states none has the default of its ReadingType."""
    readings = [Reading(NOON, 5, qualities=(quality,)), Reading(NOON + 3600, 6), Reading(NOON + 7200, 7, 3600, (0,))]
    reading = read(xml_path, file_of(Register(readings)))
    assert_read_alike(xml_path, reading)
    assert ("quality 10" in "".join(reading.notes)) == (quality == 10)
    (channel,) = read(xml_path, file_of(Register(readings).coded(defaultQuality=8))).channels
    assert channel.estimated.tolist()[1:] == [True, False]


def test_of_several_qualities_an_estimated_one_counts(xml_path: Path) -> None:
    """The schema allows more than one ReadingQuality for a reading."""
    readings = [Reading(NOON, 5, qualities=(17, 9)), Reading(NOON + 3600, 6, qualities=(9, 10))]
    reading = read(xml_path, file_of(Register(readings)))
    assert reading.channels[0].estimated.tolist() == [True, True]
    assert reading.notes == ()


def test_the_order_of_entries_does_not_matter(xml_path: Path) -> None:
    """Entries are tied by links alone: readings before their ReadingType, MeterReading and UsagePoint."""
    registers = (
        Register(hourly(range(50))),
        Register(hourly(range(30, 80)), number=2).coded(flowDirection=19, powerOfTenMultiplier=1),
        Register(hourly(range(9)), number=3, point=2, title="Barn").coded(powerOfTenMultiplier=-2),
    )
    usual = read(xml_path, file_of(*registers))
    wanted = {(channel.meter, channel.kind): rows(channel) for channel in usual.channels}
    assert len(wanted) == 3
    entries = entries_of(*registers)
    for seed in range(12):
        random.Random(seed).shuffle(entries)
        shuffled = read(xml_path, feed(entries))
        assert_read_alike(xml_path, shuffled)
        assert {(channel.meter, channel.kind): rows(channel) for channel in shuffled.channels} == wanted
    backwards = read(xml_path, feed(reversed(entries_of(*registers))))
    assert {(channel.meter, channel.kind): rows(channel) for channel in backwards.channels} == wanted


def test_links_may_be_relative_and_end_in_a_slash_or_a_query(xml_path: Path) -> None:
    """Links are compared without query and last slash (common practice of web interfaces)."""
    registers = (Register(hourly(range(3))), Register(hourly(range(3, 6)), number=2, point=2, title="Barn"))
    text = file_of(*registers).replace("https://meter.example/", "")
    text = re.sub(r'rel="up" href="([^"]*/IntervalBlock)"', r'rel="up" href="\1/?published-max=5"', text)
    text = re.sub(r'rel="self" href="[^"]*/IntervalBlock/', 'rel="self" href="elsewhere', text)
    for register in registers:
        address = register.address.removeprefix("https://meter.example/")
        text = text.replace(f'rel="self" href="{address}', f'rel="self" href="here{register.number}')
    channels = read(xml_path, text).channels
    assert [(channel.meter, channel.kwh.tolist()) for channel in channels] == [
        ("Mill Lane 1", [0.0, 0.001, 0.002]),
        ("Mill Lane 2", [0.003, 0.004, 0.005]),
    ]


def test_own_addresses_tie_entries_without_related_links(xml_path: Path) -> None:
    """The address of an IntervalBlock begins with that of its MeterReading (from memory of published examples)."""
    registers = (Register(hourly(range(3))), Register(hourly(range(3, 6)), number=2, point=2, title="Barn"))
    text = file_of(*registers)
    for register in registers:
        text = text.replace(f'<link rel="related" href="{register.address}/IntervalBlock"/>\n', "")
    channels = read(xml_path, text).channels
    assert [channel.kwh.tolist() for channel in channels] == [[0.0, 0.001, 0.002], [0.003, 0.004, 0.005]]


def test_several_blocks_in_one_entry_are_all_read(xml_path: Path) -> None:
    register = Register(hourly(range(50)))
    text = feed(entries_of(register))
    first = text.index("</e:IntervalBlock>") + len("</e:IntervalBlock>\n")
    second = text.index("<e:IntervalBlock>", first)
    (channel,) = read(xml_path, text[:first] + text[second:]).channels
    assert channel.kwh.tolist() == [value / 1000 for value in range(50)]


def test_one_reading_type_alone_serves_a_meter_reading_without_a_link(xml_path: Path) -> None:
    register = Register(hourly([1500]))
    lone = meter_reading(register).replace("/ReadingType/1", "/Elsewhere/1")
    reading = read(xml_path, feed([usage_point(), lone, reading_type(register), *interval_blocks(register)]))
    assert reading.channels[0].kwh.tolist() == [1.5]
    bare = read(xml_path, feed([reading_type(register), *interval_blocks(register)]))
    assert (bare.channels[0].meter, bare.channels[0].kwh.tolist()) == ("", [1.5])


def test_readings_without_times_follow_one_another_in_their_block(xml_path: Path) -> None:
    """The schema: without timePeriod there is a reading for each intervalLength, from the start of the block."""
    register = Register([Reading(None, value) for value in (1, 2, 3)]).coded(intervalLength=900)
    (channel,) = read(xml_path, file_of(register)).channels
    assert list(channel.start) == [pd.Timestamp(NOON + 900 * step, unit="s", tz="UTC") for step in range(3)]
    assert channel.step_minutes == 15


def test_each_block_of_an_entry_has_its_own_beginning(xml_path: Path) -> None:
    register = Register([Reading(None, value) for value in (1, 2, 3, 4)], block_size=2)
    text = feed(entries_of(register))
    first = text.index("</e:IntervalBlock>") + len("</e:IntervalBlock>\n")
    second = text.index("<e:IntervalBlock>", first)
    later = text[second:].replace(f"<e:start>{NOON}", f"<e:start>{NOON + 36_000}")
    (channel,) = read(xml_path, text[:first] + later).channels
    hours = [0, 1, 10, 11]
    assert list(channel.start) == [pd.Timestamp(NOON + 3600 * hour, unit="s", tz="UTC") for hour in hours]


def test_a_net_register_becomes_import_and_export(xml_path: Path) -> None:
    """FlowDirectionKind 4 of the schema is forward less reverse and may be under 0."""
    reading = read(xml_path, file_of(Register(hourly([700, -300, 0])).coded(flowDirection=4)))
    assert [(channel.kind, channel.kwh.tolist()) for channel in reading.channels] == [
        ("import", [0.7, 0.0, 0.0]),
        ("export", [0.0, 0.3, 0.0]),
    ]
    assert ["flowDirection 4" in note for note in reading.notes] == [True]


def test_a_net_register_beside_its_import_is_left_out(xml_path: Path) -> None:
    net = Register(hourly([-5]), number=2, title="Net").coded(flowDirection=4)
    reading = read(xml_path, file_of(Register(hourly([700])), net))
    assert [channel.name for channel in reading.channels] == ["Whole house"]
    assert ["Net is left out" in note for note in reading.notes] == [True]
    other_point = Register(hourly([-5]), number=2, point=2, title="Net").coded(flowDirection=4)
    assert len(read(xml_path, file_of(Register(hourly([700])), other_point)).channels) == 3


@pytest.mark.parametrize(
    ("codes", "words"),
    [
        ({"uom": 38}, "W (uom 38)"),
        ({"uom": 63}, "VAr (uom 63)"),
        ({"uom": 73}, "VArh (uom 73)"),
        ({"uom": 61}, "VA (uom 61)"),
        ({"uom": 71}, "VAh (uom 71)"),
        ({"uom": 42}, "m³ (uom 42)"),
        ({"uom": 169}, "therms (uom 169)"),
        ({"commodity": 7, "uom": 72}, "natural gas"),
        ({"accumulationBehaviour": 1}, "register reads (accumulationBehaviour 1)"),
        ({"accumulationBehaviour": 3}, "accumulationBehaviour 3"),
        ({"dataQualifier": 8}, "dataQualifier 8"),
        ({"flowDirection": 20}, "import and export added up (flowDirection 20)"),
        ({"flowDirection": 15}, "flowDirection 15"),
    ],
)
def test_other_registers_are_left_out_with_a_note(xml_path: Path, codes: dict[str, object], words: str) -> None:
    """UnitSymbolKind, CommodityKind, AccumulationKind, DataQualifierKind and FlowDirectionKind of the schema."""
    other = Register(hourly([4, 5]), number=2, title="Other").coded(**codes)
    reading = read(xml_path, file_of(Register(hourly([700, 800])), other))
    assert [channel.name for channel in reading.channels] == ["Whole house"]
    assert len(reading.notes) == 1
    assert reading.notes[0].startswith("Other is left out: it ")
    assert words in reading.notes[0]


def test_gas_in_watt_hours_is_left_out_by_its_service(xml_path: Path) -> None:
    """ServiceKind 1 of the schema is gas."""
    entries = entries_of(Register(hourly([700])), Register(hourly([4]), number=2, point=2, title="Heating"))
    entries[1] = usage_point(2, kind=1)
    reading = read(xml_path, feed(entries))
    assert [channel.name for channel in reading.channels] == ["Whole house"]
    assert reading.notes == ("Heating is left out: it is of another service: gas.",)


@pytest.mark.parametrize("seconds", [86_400, 7200, 420, 30, 0])
def test_sums_over_a_day_and_odd_lengths_are_left_out_with_a_note(xml_path: Path, seconds: int) -> None:
    odd = Register(hourly([4, 5], seconds=seconds)[: 2 if seconds else 1], number=2, title="Odd")
    reading = read(xml_path, file_of(Register(hourly([700])), odd.coded(intervalLength=None)))
    assert [channel.name for channel in reading.channels] == ["Whole house"]
    assert ["Odd is left out" in note for note in reading.notes] == [True]


def test_days_of_23_and_25_hours_are_sums_over_a_day_too(xml_path: Path) -> None:
    days = [Reading(NOON, 1, 86_400), Reading(NOON + 86_400, 1, 82_800), Reading(NOON + 169_200, 1, 90_000)]
    reading = read(xml_path, file_of(Register(hourly([700])), Register(days, number=2, title="Days")))
    assert [channel.name for channel in reading.channels] == ["Whole house"]


def test_the_same_reading_twice_is_taken_once_with_a_note(xml_path: Path) -> None:
    readings = hourly([5, 6, 7])
    again = [*readings, Reading(NOON + 3600, 6, qualities=(8,)), readings[2]]
    reading = read(xml_path, file_of(Register(again)))
    assert reading.channels[0].kwh.tolist() == [0.005, 0.006, 0.007]
    assert reading.channels[0].estimated.tolist() == [False, True, False]
    assert reading.notes == ("Whole house: 2 readings in the file again with the same value, dropped.",)


def test_gaps_and_readings_without_value_are_not_filled(xml_path: Path) -> None:
    readings = [*hourly([5, None, 7]), Reading(NOON + 86_400, 8)]
    reading = read(xml_path, file_of(Register(readings)))
    assert reading.channels[0].kwh.tolist() == [0.005, 0.007, 0.008]
    assert reading.notes == ("Whole house: 1 reading without a value, left out.",)


def test_without_direction_it_is_import_with_a_note(xml_path: Path) -> None:
    reading = read(xml_path, file_of(Register(hourly([5])).coded(flowDirection=None)))
    assert reading.channels[0].kind == "import"
    assert ["flowDirection" in note for note in reading.notes] == [True]


def test_registers_with_one_title_are_told_apart(xml_path: Path) -> None:
    reading = read(xml_path, file_of(Register(hourly([5])), Register(hourly([6]), number=2)))
    assert [channel.name for channel in reading.channels] == ["Whole house (1)", "Whole house (2)"]
    reading = read(xml_path, file_of(Register(hourly([5]), title="")))
    assert reading.channels[0].name == "1"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "iso-8859-1"])
def test_the_encodings_that_xml_declares_are_read(xml_path: Path, encoding: str) -> None:
    """XML 1.0, appendix F: by byte-order mark or declaration."""
    declared = {"utf-8-sig": "utf-8"}.get(encoding, encoding)
    text = file_of(Register(hourly([5]), title="Küche")).replace('encoding="UTF-8"', f'encoding="{declared}"')
    content = text.encode(encoding)
    assert looks_like_xml(content[:200])
    xml_path.write_bytes(content)
    assert read_green_button(xml_path).channels[0].name == "Küche"


@pytest.mark.parametrize(
    ("beginning", "looks"),
    [
        (b"<?xml version", True),
        (b"\xef\xbb\xbf<feed", True),
        (b"\r\n  <!DOCTYPE html>", True),
        (b"<a:feed", True),
        (b"", False),
        (b"start,kw\n", False),
        (b"200,NMI,E1", False),
        (b"< 5", False),
        (b"\x00\xff<", False),
        (b"PK\x03\x04", False),
    ],
)
def test_xml_is_told_from_other_files_by_its_beginning(beginning: bytes, looks: bool) -> None:
    assert looks_like_xml(beginning) is looks


@settings(max_examples=60, deadline=None)
@given(
    start=st.integers(0, 4_000_000_000 // 900).map(lambda steps: steps * 900),
    steps=st.lists(st.integers(0, 400), min_size=1, max_size=40, unique=True),
    seconds=st.sampled_from([300, 900, 1800, 3600]),
    power=st.integers(-12, 12),
    direction=st.sampled_from([1, 19]),
    block_size=st.integers(1, 30),
    data=st.data(),
)
def test_what_is_written_is_read_back(
    xml_path: Path,
    start: int,
    steps: list[int],
    seconds: int,
    power: int,
    direction: int,
    block_size: int,
    data: st.DataObject,
) -> None:
    """Random readings in any order, up to the greatest value of the schema (Int48): times, kWh and quality."""
    count = len(steps)
    values = data.draw(st.lists(st.integers(0, 2**47), min_size=count, max_size=count))
    qualities = data.draw(st.lists(st.sampled_from([0, 7, 8, 9, 17, 18]), min_size=count, max_size=count))
    readings = [
        Reading(start + step * seconds, value, seconds, (quality,))
        for step, value, quality in zip(steps, values, qualities, strict=True)
    ]
    register = Register(readings, block_size=block_size)
    codes = {"powerOfTenMultiplier": power, "flowDirection": direction, "intervalLength": seconds}
    (channel,) = read(xml_path, file_of(register.coded(**codes))).channels
    wanted = sorted(
        (datetime.fromtimestamp(start + step * seconds, UTC), value * 10**power / 1000, quality in {8, 9})
        for step, value, quality in zip(steps, values, qualities, strict=True)
    )
    assert [moment.to_pydatetime() for moment in channel.start] == [row[0] for row in wanted]
    np.testing.assert_allclose(channel.kwh, [row[1] for row in wanted], rtol=1e-14)
    assert channel.estimated.tolist() == [row[2] for row in wanted]
    assert channel.kind == ("import" if direction == 1 else "export")
