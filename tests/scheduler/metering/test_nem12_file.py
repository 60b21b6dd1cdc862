"""NEM12 files are read as another reader reads them, and each fault names its line.

"The format" is the "Meter Data File Format Specification NEM12 & NEM13" of the Australian Energy Market Operator.
nemreader (MIT) is a reader of it by others; it is lenient, so it stands beside values, times and quality of good files.
All meters are invented.
"""

import random
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import NamedTuple

import nemreader
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import scheduler.metering.nem12_file
from scheduler.metering.channels import Channel, MeterReading
from scheduler.metering.nem12_file import looks_like_nem12, read_nem12
from scheduler.textio.errors import InputFaults
from tests.builders.sites import faults_of

HEADER = "100,NEM12,202604060415,SENDER,RECEIVER"
HOUSE, SHED = "9900000011", "9900000022"
KWH_OF_UNIT = {"wh": 0.001, "kwh": 1.0, "mwh": 1000.0}  # SI prefixes
DAY = date(2026, 4, 4)


class Interval(NamedTuple):
    kwh: float
    estimated: bool


Intervals = dict[pd.Timestamp, Interval]


@pytest.fixture(scope="module")
def nem_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("nem12") / "nem.csv"


def details(nmi: str = HOUSE, suffix: str = "E1", step_minutes: int = 30, unit: str = "kWh") -> str:
    return f"200,{nmi},E1B1Q1,1,{suffix},N1,SERIAL1,{unit},{step_minutes},20260501"


def day(when: date, values: list[str], quality: str = "A", updated: str = "20260405041500", reason: str = "") -> str:
    return f"300,{when:%Y%m%d},{','.join(values)},{quality},{reason},,{updated},"


def numbers(count: int, seed: int) -> list[str]:
    """Values with three decimals, some of them 0."""
    rng = random.Random(seed)
    return [f"{rng.choice([0, rng.randrange(9000)]) / 1000:.3f}" for _ in range(count)]


def text_of(*records: str) -> str:
    return "\n".join([HEADER, *records, "900", ""])


def reading_of(path: Path, *records: str) -> MeterReading:
    path.write_text(text_of(*records))
    return read_nem12(path)


def intervals_of(channel: Channel) -> Intervals:
    pairs = zip(channel.kwh.tolist(), channel.estimated.tolist(), strict=True)
    return dict(zip(channel.start, (Interval(*pair) for pair in pairs), strict=True))


def as_nemreader_reads(text: str) -> dict[tuple[str, str], Intervals]:
    """Each channel of energy as nemreader reads it, without null data.

    It gives naive market time; that is the time of Brisbane in the IANA time zone database, UTC+10 and since 1992
    without summer time.
    """
    readings = nemreader.NEMFile("nem.csv").parse_nem_file(text.splitlines()).readings
    return {
        (nmi, suffix): {
            pd.Timestamp(reading.t_start, tz="Australia/Brisbane").tz_convert("UTC"): Interval(
                pytest.approx(reading.read_value * KWH_OF_UNIT[reading.uom.lower()], rel=1e-12, abs=0),
                reading.quality_method[0] != "A",
            )
            for reading in sorted(channel, key=lambda reading: reading.t_start)
            if reading.quality_method[0] != "N"
        }
        for nmi, suffixes in readings.items()
        for suffix, channel in suffixes.items()
        if suffix[0] in "EB"
    }


def as_read(reading: MeterReading) -> dict[tuple[str, str], Intervals]:
    return {(channel.meter, channel.name): intervals_of(channel) for channel in reading.channels}


def faults(path: Path, *records: str) -> list[str]:
    return faults_in(path, text_of(*records))


def faults_in(path: Path, text: str | bytes) -> list[str]:
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return [line.removeprefix(f"{path.parent}/") for line in faults_of(lambda: read_nem12(path))]


def test_two_meters_of_two_channels_are_read_as_nemreader_reads_them(nem_path: Path) -> None:
    """Values, times and quality against nemreader; E and B as import and export by the NMI procedure, from memory."""
    records = []
    for nmi, step_minutes, unit in ((HOUSE, 30, "kWh"), (SHED, 5, "Wh")):
        for seed, suffix in enumerate(("E1", "B1")):
            records.append(details(nmi, suffix, step_minutes, unit))
            for number in range(3):
                values = numbers(1440 // step_minutes, 10 * seed + number)
                quality = ("A", "S14", "E52")[number]
                records.append(day(DAY + timedelta(number), values, quality, reason="32" if number == 1 else ""))
                records.append("500,O,,20260407000001,")
    reading = reading_of(nem_path, *records)
    assert as_read(reading) == as_nemreader_reads(nem_path.read_text())
    assert [(channel.meter, channel.name, channel.kind, channel.step_minutes) for channel in reading.channels] == [
        (HOUSE, "E1", "import", 30),
        (HOUSE, "B1", "export", 30),
        (SHED, "E1", "import", 5),
        (SHED, "B1", "export", 5),
    ]
    assert reading.layout == "NEM12"
    assert reading.notes == ()


@pytest.mark.parametrize("step_minutes", [5, 10, 15, 30, 60])
def test_intervals_of_every_length_are_read(nem_path: Path, step_minutes: int) -> None:
    """Values and times against nemreader; the format names 5, 15 and 30 minutes."""
    count = 1440 // step_minutes
    records = [details(step_minutes=step_minutes), *(day(DAY + timedelta(n), numbers(count, n)) for n in range(2))]
    (channel,) = reading_of(nem_path, *records).channels
    assert {(HOUSE, "E1"): intervals_of(channel)} == as_nemreader_reads(nem_path.read_text())
    assert channel.start.dtype == pd.DatetimeTZDtype("s", "UTC")
    assert channel.start.is_monotonic_increasing
    assert set(np.diff(channel.start.asi8)) == {60 * step_minutes}
    assert channel.kwh.dtype == np.float64
    assert channel.estimated.dtype == np.bool_


def test_the_qualities_of_a_varied_day_come_from_its_400_records(nem_path: Path) -> None:
    """Quality and gaps against nemreader; by the format the intervals of a 400 record count from 1, both ends in."""
    records = [
        details(),
        day(DAY, numbers(48, 1), "V"),
        "400,1,20,A,,",
        "400,21,24,S14,32,",
        "400,25,30,N,,",
        "400,31,31,E52,,",
        "500,O,,20260407000001,",
        "400,32,48,F19,32,",
        day(DAY + timedelta(1), numbers(48, 2)),
    ]
    reading = reading_of(nem_path, *records)
    assert as_read(reading) == as_nemreader_reads(nem_path.read_text())
    (channel,) = reading.channels
    assert len(channel.kwh) == 2 * 48 - 6
    assert int(channel.estimated.sum()) == 4 + 1 + 17
    assert reading.notes == (f"{HOUSE} E1: 6 intervals are marked as null data (N) and left out.",)


def test_400_records_of_an_actual_day_may_cover_a_part_of_it(nem_path: Path) -> None:
    """Against nemreader; the format asks for a 400 record of an actual day with a power outage, reason 79."""
    records = [details(), day(DAY, numbers(48, 1), reason="79"), "400,7,9,A,79,", "400,20,20,S14,32,"]
    reading = reading_of(nem_path, *records)
    assert as_read(reading) == as_nemreader_reads(nem_path.read_text())


@pytest.mark.parametrize("quality", ["N", "V"])
def test_null_data_may_be_empty(nem_path: Path, quality: str) -> None:
    """Common practice: no number stands where there is none."""
    events = ["400,1,48,N,,"] if quality == "V" else []
    records = [details(), day(DAY, [""] * 48, quality), *events, day(DAY + timedelta(1), numbers(48, 1))]
    (channel,) = reading_of(nem_path, *records).channels
    assert channel.start[0] == pd.Timestamp("2026-04-05T00:00", tz="Australia/Brisbane")
    assert len(channel.kwh) == 48


@pytest.mark.parametrize("later_first", [False, True])
def test_of_a_day_given_again_the_later_update_counts(nem_path: Path, later_first: bool) -> None:
    """By the format UpdateDateTime is the version of a record; the values against nemreader on the later one alone."""
    first = day(DAY, numbers(48, 1), "E52", "20260405041500")
    again = day(DAY, numbers(48, 2), "A", "20260409041500")
    other = day(DAY + timedelta(1), numbers(48, 3))
    blocks = [[details(), first, other], [details(), again]]
    reading = reading_of(nem_path, *(record for block in (blocks[::-1] if later_first else blocks) for record in block))
    assert as_read(reading) == as_nemreader_reads(text_of(details(), again, other))
    assert reading.notes == (
        f"{HOUSE} E1: 1 day is given more than once, the first 2026-04-04; the record with the later UpdateDateTime "
        "counts; if they are equal, the one further down in the file.",
    )


@pytest.mark.parametrize("updated", ["", "20260405041500"])
def test_of_equal_updates_the_lower_in_the_file_counts(nem_path: Path, updated: str) -> None:
    """Common practice; the format does not say."""
    records = [details(), day(DAY, ["1"] * 48, updated=updated), day(DAY, ["2"] * 48, updated=updated)]
    reading = reading_of(nem_path, *records)
    assert set(reading.channels[0].kwh) == {2.0}
    assert len(reading.notes) == 1


def test_a_record_without_its_update_gives_way_to_one_with_it(nem_path: Path) -> None:
    """Common practice: what has no version is older than what has one, even a version without its time of day."""
    records = [details(), day(DAY, ["1"] * 48, updated="20260405"), day(DAY, ["2"] * 48, updated="")]
    assert set(reading_of(nem_path, *records).channels[0].kwh) == {1.0}


@pytest.mark.parametrize("change", ["2026-04-05", "2026-10-04"])
def test_market_time_does_not_change_with_summer_time(nem_path: Path, change: str) -> None:
    """Sydney changes its clocks on these days by the IANA time zone database; market days keep their 48 half-hours."""
    middle = date.fromisoformat(change)
    midnight = pd.Timestamp(change, tz="Australia/Sydney")
    assert midnight + pd.Timedelta(days=1) != midnight + pd.DateOffset(days=1)  # the change is on this day
    days = [middle + timedelta(number) for number in (-1, 0, 1)]
    (channel,) = reading_of(nem_path, details(), *(day(when, numbers(48, when.day)) for when in days)).channels
    brisbane = channel.start.tz_convert("Australia/Brisbane")
    expected = pd.date_range(days[0], periods=3 * 48, freq="30min", tz="Australia/Brisbane")
    assert list(brisbane) == list(expected)
    assert intervals_of(channel) == as_nemreader_reads(nem_path.read_text())[HOUSE, "E1"]


def test_days_in_any_order_rise_in_the_channel(nem_path: Path) -> None:
    """Against nemreader, sorted; missing days stay gaps."""
    records = [details()] + [day(DAY + timedelta(number), numbers(48, number)) for number in (5, 0, 2)]
    reading = reading_of(nem_path, *records)
    assert as_read(reading) == as_nemreader_reads(nem_path.read_text())
    assert reading.channels[0].start.is_monotonic_increasing


def test_a_suffix_in_several_blocks_is_one_channel(nem_path: Path) -> None:
    """Against nemreader; a new meter has its own 200 record with another serial number."""
    records = [
        details(),
        day(DAY, numbers(48, 1)),
        details(SHED),
        day(DAY, numbers(48, 2)),
        details().replace("SERIAL1", "SERIAL2"),
        day(DAY + timedelta(1), numbers(48, 3)),
    ]
    reading = reading_of(nem_path, *records)
    assert as_read(reading) == as_nemreader_reads(nem_path.read_text())
    assert [channel.meter for channel in reading.channels] == [HOUSE, SHED]


@pytest.mark.parametrize("unit", ["WH", "wh", "Wh", "KWH", "kwh", "kWh", "MWH", "MWh"])
def test_units_of_energy_become_kwh(nem_path: Path, unit: str) -> None:
    """SI prefixes, through nemreader's values."""
    reading = reading_of(nem_path, details(unit=unit), day(DAY, numbers(48, 1)))
    assert as_read(reading) == as_nemreader_reads(nem_path.read_text())


def test_registers_of_no_energy_are_left_out_with_a_note(nem_path: Path) -> None:
    """Q and K count reactive energy by the NMI procedure, from memory; nemreader reads the other channel alike."""
    records = [
        details(),
        day(DAY, numbers(48, 1)),
        details(suffix="Q1", unit="kVArh"),
        day(DAY, numbers(48, 2), "V"),
        "400,1,48,S14,32,",
        details(suffix="K1", unit="kVArh"),
        day(DAY, numbers(48, 3)),
    ]
    reading = reading_of(nem_path, *records)
    assert [channel.name for channel in reading.channels] == ["E1"]
    assert intervals_of(reading.channels[0]) == as_nemreader_reads(nem_path.read_text())[HOUSE, "E1"]
    assert reading.notes == (f"{HOUSE}: left out Q1, K1, neither energy drawn from the grid (E) nor fed to it (B).",)


def test_a_register_without_any_interval_is_left_out_with_a_note(nem_path: Path) -> None:
    """A channel of no values would say nothing: common practice."""
    records = [details(), day(DAY, numbers(48, 1)), details(suffix="B1"), details(SHED), day(DAY, ["0"] * 48, "N")]
    reading = reading_of(nem_path, *records)
    assert [channel.name for channel in reading.channels] == ["E1"]
    assert reading.notes == (
        f"{HOUSE} B1: left out, as it has no intervals with data.",
        f"{SHED} E1: 48 intervals are marked as null data (N) and left out.",
        f"{SHED} E1: left out, as it has no intervals with data.",
    )


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda text: "\ufeff" + text, id="byte-order mark"),
        pytest.param(lambda text: text.replace("\n", "\r\n"), id="CR LF"),
        pytest.param(lambda text: text.replace("\n", "\r"), id="CR"),
        pytest.param(lambda text: text.replace("\n", "\n\n"), id="empty lines"),
        pytest.param(lambda text: text.replace("\n", ",,,,\n"), id="filled up with empty cells"),
        pytest.param(lambda text: text.replace(",20260405041500,\n", "\n"), id="no cells after the reason"),
        pytest.param(lambda text: text.replace(",A,,,20260405041500,\n", ",A\n"), id="nothing after the quality"),
        pytest.param(lambda text: text.replace(",A,,,", ',A,0,"a word, and more",'), id="quoted"),
        pytest.param(lambda text: text.replace(",A,", ", a ,"), id="blanks and small letters"),
        pytest.param(lambda text: text.removesuffix("\n"), id="no end of the last line"),
        pytest.param(lambda text: text.replace(",E1,", ",e1,"), id="suffix in small letters"),
        pytest.param(lambda text: text.replace("900\n", f"900\n{HEADER}\n{details(SHED)}\n900\n"), id="two in one"),
    ],
)
def test_forms_of_the_same_file_are_read_alike(nem_path: Path, change: Callable[[str], str]) -> None:
    """Common practice of spreadsheets and of programs that join files."""
    text = text_of(details(), day(DAY, numbers(48, 1)))
    nem_path.write_bytes(change(text).encode())
    assert change(text) != text
    assert as_read(read_nem12(nem_path)) == as_nemreader_reads(text)


def test_numbers_may_have_a_sign_or_an_exponent(nem_path: Path) -> None:
    """The format has no exponents; other CSV files here may, and what they say is plain."""
    (channel,) = reading_of(nem_path, details(), day(DAY, ["+1.5", "25e-1", "-0", ".5", "2."] + ["0"] * 43)).channels
    assert channel.kwh[:5].tolist() == [1.5, 2.5, 0.0, 0.5, 2.0]
    assert not np.signbit(channel.kwh).any()


@settings(max_examples=20, deadline=None)
@given(data=st.data())
def test_random_channels_are_read_back_as_they_were_written(nem_path: Path, data: st.DataObject) -> None:
    """Written by this test from the format, in market time at UTC+10; numbers must come back to the last digit."""
    expected: dict[tuple[str, str], Intervals] = {}
    records = []
    for nmi in data.draw(st.lists(st.sampled_from([HOUSE, SHED, "9900000033"]), min_size=1, unique=True)):
        for suffix in data.draw(st.lists(st.sampled_from(["E1", "E2", "B1"]), min_size=1, unique=True)):
            step_minutes = data.draw(st.sampled_from([5, 15, 30]))
            count = 1440 // step_minutes
            records.append(details(nmi, suffix, step_minutes))
            channel: Intervals = {}
            for when in data.draw(st.lists(st.dates(date(1990, 1, 1), date(2100, 1, 1)), min_size=1, unique=True)):
                rng = random.Random(data.draw(st.integers(0, 1_000_000)))
                values = [f"{rng.randrange(10**7) / 10 ** rng.randrange(7):.6f}" for _ in range(count)]
                ends = sorted({count, *data.draw(st.lists(st.integers(1, count), max_size=4))})
                qualities = [data.draw(st.sampled_from(["A", "E52", "F19", "S14", "N"])) for _ in ends]
                records.append(day(when, values, "V" if len(ends) > 1 else qualities[0]))
                first = 1
                midnight = pd.Timestamp(when, tz="Etc/GMT-10").tz_convert("UTC")  # the name's sign is turned round
                for end, quality in zip(ends, qualities, strict=True):
                    if len(ends) > 1:
                        records.append(f"400,{first},{end},{quality},,")
                    if quality != "N":
                        for index in range(first - 1, end):
                            start = midnight + pd.Timedelta(minutes=step_minutes * index)
                            channel[start] = Interval(float(values[index]), quality != "A")
                    first = end + 1
            if channel:
                expected[nmi, suffix] = channel
    nem_path.write_text(text_of(*records))
    if expected:
        assert as_read(read_nem12(nem_path)) == expected
    else:
        assert faults_of(lambda: read_nem12(nem_path)) == [
            f"{nem_path}: no interval holds energy; expected a file with 300 records of energy"
        ]


GOOD_DAY = day(DAY, ["0.25"] * 48)


@pytest.mark.parametrize(
    ("records", "expected"),
    [
        pytest.param(
            [GOOD_DAY],
            ["line 2: a 300 record before any 200 record; expected first a 200 record with its register"],
            id="300 first",
        ),
        pytest.param(
            [details(), "300,20260404,0.25,0.25,0.25"],
            [
                "line 3: 3 values and no QualityMethod after them; expected 48, one for every 30 minutes of the day, "
                "and then the QualityMethod"
            ],
            id="300 cut",
        ),
        pytest.param(
            [details(), "300"],
            [
                "line 3: 0 values and no QualityMethod after them; expected 48, one for every 30 minutes of the day, "
                "and then the QualityMethod"
            ],
            id="300 alone",
        ),
        pytest.param(
            [details(), day(DAY, ["1"] * 47)],
            ["line 3: 47 values before the QualityMethod; expected 48, one for every 30 minutes of the day"],
            id="too few values",
        ),
        pytest.param(
            [details(step_minutes=15), day(DAY, ["1"] * 97)],
            ["line 3: 97 values before the QualityMethod; expected 96, one for every 15 minutes of the day"],
            id="too many values",
        ),
        pytest.param(
            [details(), day(DAY, ["1"] * 48, "")],
            [
                "line 3, QualityMethod: found nothing after 48 values; expected A, E, F, N or S, with its two method "
                "digits as in S14, or V"
            ],
            id="no quality",
        ),
        pytest.param(
            [details(), f"300,20260404,{','.join(['1'] * 48)}"],
            [
                "line 3: 48 values and no QualityMethod after them; expected 48, one for every 30 minutes of the "
                "day, and then the QualityMethod"
            ],
            id="cut before the quality",
        ),
        pytest.param(
            [details(), day(DAY, ["1"] * 48, "S1")],
            [
                'line 3, QualityMethod: "S1" is not a valid quality; expected A, E, F, N or S, with its two method '
                "digits as in S14, or V"
            ],
            id="quality cut",
        ),
        pytest.param(
            [details(), GOOD_DAY + ",more"],
            ["line 3: a 300 record of 56 cells; expected up to 55"],
            id="cells too many",
        ),
        pytest.param(
            [details(), GOOD_DAY.replace("20260404", "20260431")],
            ['line 3, IntervalDate: "20260431" is not a valid date; expected a date such as 20260302'],
            id="no such date",
        ),
        pytest.param(
            [details(), GOOD_DAY.replace("20260404", "2026-04-04")],
            ['line 3, IntervalDate: "2026-04-04" is not a valid date; expected a date such as 20260302'],
            id="date with dashes",
        ),
        pytest.param(
            [details(), GOOD_DAY.replace("20260404", "00260404")],
            ['line 3, IntervalDate: "00260404" is not a valid date; expected a date such as 20260302'],
            id="date of another age",
        ),
        pytest.param(
            [details(), day(DAY, ["1"] * 48, updated="20260405251500")],
            [
                (
                    'line 3, UpdateDateTime: "20260405251500" is not a valid date and '
                    "time; expected one such as 20260303041500"
                )
            ],
            id="no such time",
        ),
        pytest.param(
            [details(), day(DAY, ["1", "-0.5"] + ["1"] * 46)],
            ['line 3, IntervalValue2: "-0.5" is under 0; expected 0 to 10000000'],
            id="negative",
        ),
        pytest.param(
            [details(), day(DAY, ["1"] * 45 + ["x", "", "nan"])],
            ['line 3, IntervalValue46: "x" is not a number; expected 0 to 10000000 (and 2 more in this record)'],
            id="no numbers",
        ),
        pytest.param(
            [details(), day(DAY, ["1"] * 47 + ["1_0"])],
            ['line 3, IntervalValue48: "1_0" is not a number; expected 0 to 10000000'],
            id="underscore",
        ),
        pytest.param(
            [details(), day(DAY, ["9" * 400] + ["1"] * 47)],
            [
                f'line 3, IntervalValue1: "{"9" * 39}…" is not finite; expected 0 to 10000000',
            ],
            id="too large",
        ),
        pytest.param(
            [details(), day(DAY, [""] * 48)],
            ["line 3, IntervalValue1: the cell is empty; expected 0 to 10000000 (and 47 more in this record)"],
            id="empty but actual",
        ),
        pytest.param(
            [details(), day(DAY, ["1"] * 48, "V"), "400,1,20,A,,", "400,22,48,A,,"],
            [
                "line 3, QualityMethod: V without a 400 record for interval 21; expected a 400 record for each "
                "interval of the day"
            ],
            id="hole between 400 records",
        ),
        pytest.param(
            [details(), day(DAY, ["1"] * 48, "V"), day(DAY + timedelta(1), ["1"] * 48)],
            [
                "line 3, QualityMethod: V without a 400 record for interval 1; expected a 400 record for each "
                "interval of the day"
            ],
            id="V without 400 records",
        ),
        pytest.param(
            [details(), day(DAY, ["1"] * 48, "V"), "400,1,20,A,,", "400,20,48,A,,"],
            ["line 5: interval 20 already has a 400 record; expected one for each interval"],
            id="400 records overlap",
        ),
        pytest.param(
            [details(), day(DAY, ["1"] * 48, "V"), "400,1,49,A,,"],
            ['line 4, EndInterval: "49" is not an interval of the day; expected 1 to 48'],
            id="400 after the day",
        ),
        pytest.param(
            [details(), day(DAY, ["1"] * 48, "V"), "400,0,48,A,,"],
            ['line 4, StartInterval: "0" is not an interval of the day; expected 1 to 48'],
            id="400 before the day",
        ),
        pytest.param(
            [details(), day(DAY, ["1"] * 48, "V"), "400,9,8,A,,"],
            ["line 4, EndInterval: 8 is before the StartInterval 9; expected 9 to 48"],
            id="400 backwards",
        ),
        pytest.param(
            [details(), day(DAY, ["1"] * 48, "V"), "400,1,48,V,,"],
            [
                'line 4, QualityMethod: "V" is not a valid quality; expected A, E, F, N or S, with its two '
                "method digits as in S14"
            ],
            id="400 of V",
        ),
        pytest.param(
            [details(), day(DAY, ["1"] * 48, "V"), "400,1"],
            ["line 4: a 400 record of 2 cells; expected 4 to 6"],
            id="400 cut",
        ),
        pytest.param(
            [details(), "400,1,48,A,,", GOOD_DAY],
            ["line 3: a 400 record without a 300 record above it; expected first a 300 record with its day"],
            id="400 without 300",
        ),
        pytest.param(
            [details(), GOOD_DAY, details(suffix="B1", unit="Wh"), GOOD_DAY],
            [
                f'line 4, UOM: mixed units: "Wh" for {HOUSE} here, and KWH at line 2; '
                "expected one unit for all energy of one NMI"
            ],
            id="mixed units",
        ),
        pytest.param(
            [details(unit="kVArh"), GOOD_DAY],
            ['line 2, UOM: "kVArh" is not a unit of energy, which E1 counts; expected Wh, kWh or MWh'],
            id="no unit of energy",
        ),
        pytest.param(
            [details(step_minutes=20), GOOD_DAY],
            ['line 2, IntervalLength: "20" is not a valid interval length; expected 5, 10, 15, 30 or 60 minutes'],
            id="no such length",
        ),
        pytest.param(
            ["200,9900000011,E1,1,E1,N1", GOOD_DAY],
            ["line 2: a 200 record of 6 cells; expected 9 to 10"],
            id="200 cut",
        ),
        pytest.param(
            [details(nmi=""), GOOD_DAY],
            ["line 2, NMI: the cell is empty; expected the identifier of a connection point"],
            id="no NMI",
        ),
        pytest.param(
            [details(suffix=""), GOOD_DAY],
            ["line 2, NMISuffix: the cell is empty; expected a suffix such as E1 or B1"],
            id="no suffix",
        ),
        pytest.param(
            [details(), GOOD_DAY, "250,9900000011,E1"],
            ['line 4: "250" is not a type of record; expected 100, 200, 300, 400, 500 or 900'],
            id="unknown record",
        ),
        pytest.param(
            [details(), GOOD_DAY, HEADER, details(), GOOD_DAY],
            ["line 4: a header before the end record of the file above it; expected 900 before it"],
            id="joined without 900",
        ),
        pytest.param(
            [details(), GOOD_DAY, "900", details(), GOOD_DAY],
            [
                'line 5: a record "200" after the end record 900; expected a header such as '
                "100,NEM12,202603020415,SENDER,RECEIVER"
            ],
            id="records after 900",
        ),
        pytest.param(
            [details(suffix="Q1", unit="kVArh"), GOOD_DAY],
            [
                "no register counts energy, only Q1; expected at least one suffix E (drawn from the grid) or B "
                "(fed to it)"
            ],
            id="no energy channel",
        ),
        pytest.param(
            [],
            [
                "no register counts energy, there is no 200 record; expected at least one suffix E (drawn from the "
                "grid) or B (fed to it)"
            ],
            id="header and end alone",
        ),
        pytest.param(
            [details()],
            ["no interval holds energy; expected a file with 300 records of energy"],
            id="no day",
        ),
        pytest.param(
            [details(), GOOD_DAY.replace(",A,", ',A,0,"open')],
            ["line 3: this is not CSV: unexpected end of data"],
            id="quotes left open",
        ),
        pytest.param(
            [details(), day(DAY, ["1", "x"] + ["1"] * 46), "300,1", details(unit="A"), "700"],
            [
                'line 3, IntervalValue2: "x" is not a number; expected 0 to 10000000',
                "line 4: 0 values and no QualityMethod after them; expected 48, one for every 30 minutes of the day, "
                "and then the QualityMethod",
                'line 5, UOM: "A" is not a unit of energy, which E1 counts; expected Wh, kWh or MWh',
                'line 6: "700" is not a type of record; expected 100, 200, 300, 400, 500 or 900',
            ],
            id="several",
        ),
    ],
)
def test_each_fault_names_its_line_and_what_is_allowed(nem_path: Path, records: list[str], expected: list[str]) -> None:
    """What the format demands of each record; the words are this program's own."""
    wanted = [f"nem.csv {fault}" if fault.startswith("line") else f"nem.csv: {fault}" for fault in expected]
    assert faults(nem_path, *records) == wanted


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "nem.csv: the file is empty"),
        ("\n \n", "nem.csv: the file is empty"),
        ("100,NEM13,202604060415,S,R\n250\n900\n", "nem.csv line 1: NEM13 holds accumulated reads, not intervals"),
        ("100,NEM14\n900\n", 'nem.csv line 1: the header names the layout "NEM14"; expected a header such as 100,'),
        ("100\n900\n", 'nem.csv line 1: the header names the layout ""; expected a header such as 100,NEM12,'),
        ("start,kw\n", 'nem.csv line 1: a record "start" at the start of the file; expected a header such as 100,'),
        (text_of(details()).encode("utf-16"), "nem.csv line 1: this is not UTF-8 text"),
        (text_of(details(), "500,caf\xe9").encode("latin-1"), "nem.csv line 3: this is not UTF-8 text"),
        (f"{HEADER}\n{'1' * 100_001}\n", "nem.csv line 2: the line is too long; expected up to 100000 characters"),
    ],
)
def test_a_file_that_is_no_nem12_is_one_fault(nem_path: Path, text: str | bytes, expected: str) -> None:
    """From memory: NEM13 is the same specification's layout for accumulated reads."""
    found = faults_in(nem_path, text)
    assert len(found) == 1
    assert found[0].startswith(expected)


def test_a_file_cut_anywhere_is_a_fault_of_its_last_line(nem_path: Path) -> None:
    """The format ends every file with a 900 record; each cut is one fault, at the line of the cut."""
    whole = text_of(details(), day(DAY, ["1"] * 48, "V"), "400,1,20,A,,", "400,21,48,S14,32,", GOOD_DAY)
    for length in range(len(HEADER) + 1, len(whole) - 1):
        text = whole[:length]
        last = len(text.splitlines())
        assert faults_in(nem_path, text) == [
            f"nem.csv line {last}: the file is cut off here, without its end record; expected 900 at the end"
        ]


def test_the_first_ten_faults_are_told_and_the_rest_counted(nem_path: Path) -> None:
    found = faults(nem_path, details(), *(day(DAY + timedelta(n), ["-1"] * 48) for n in range(13)))
    assert [line.split(",")[0] for line in found[:10]] == [f"nem.csv line {number}" for number in range(3, 13)]
    assert found[10:] == ["and 3 more faults"]


def test_faults_without_end_end_the_reading(nem_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A large file of another kind under a NEM12 header is given up, and says how far it was read."""
    monkeypatch.setattr(scheduler.metering.nem12_file, "_MOST_FAULTS", 20)
    found = faults(nem_path, *["x"] * 50)
    assert len(found) == 11
    assert found[-1] == "nem.csv: and more; what is after line 21 was not read"


def test_a_file_too_large_is_a_fault(nem_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scheduler.metering.nem12_file, "MOST_MEGABYTES", 1)
    found = faults_in(nem_path, HEADER + "\n" * 1_200_000)
    assert found == ["nem.csv: 1.2 MB is too large; expected up to 1 MB"]


def test_no_file_and_a_folder_are_faults(tmp_path: Path) -> None:
    with pytest.raises(InputFaults, match="there is no such file"):
        read_nem12(tmp_path / "none.csv")
    with pytest.raises(InputFaults, match="this is a folder; expected a file"):
        read_nem12(tmp_path)


@pytest.mark.parametrize(
    ("first_line", "expected"),
    [
        (HEADER, True),
        ("\ufeff" + HEADER + "\r\n", True),
        ('"100","NEM12","202604060415"', True),
        ("100,nem12", True),
        ("100,NEM13,202604060415,S,R", False),
        ("200,9900000011,E1", False),
        ("start,kw", False),
        ("100", False),
        ("", False),
        ('100,NEM12,"', False),
    ],
)
def test_a_nem12_file_is_known_by_its_first_line(first_line: str, expected: bool) -> None:
    """The format's header: record indicator 100, then the layout."""
    assert looks_like_nem12(first_line) is expected


def test_a_register_that_changes_its_interval_length(nem_path: Path) -> None:
    """Five-minute days after half-hour days, as when a meter is replaced: half hours throughout, sums of six, noted."""
    fine = numbers(288, seed=7)
    records = [details(), GOOD_DAY, details(step_minutes=5), day(DAY + timedelta(1), fine, "V")]
    reading = reading_of(nem_path, *records, "400,1,287,A,,", "400,288,288,E52,,")
    [channel] = reading.channels
    assert channel.step_minutes == 30
    sums = np.array([float(value) for value in fine]).reshape(48, 6).sum(axis=1)
    assert channel.kwh == pytest.approx([*[0.25] * 48, *sums])
    assert channel.estimated.tolist() == [False] * 95 + [True]
    assert reading.notes == (
        f"{HOUSE} E1: its intervals change in length; all are read as intervals of 30 minutes, estimated where any "
        "part is.",
    )
