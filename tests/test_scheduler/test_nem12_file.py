"""NEM12 files: values, times and qualities against the package `nemreader` (MIT), and files that are damaged.

The records follow AEMO's Meter Data File Format Specification NEM12 & NEM13 (from memory); connection points are
invented.
"""

from __future__ import annotations

import warnings
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.meter_channels import Channel, MeterReading
from scheduler.nem12_file import looks_like_nem12, read_nem12
from tests.test_scheduler.nem12_texts import END, HEADER, NMI, channel, day, event, nem12
from tests.test_scheduler.sites import faults_of

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from nemreader import read_nem_file

FIRST = date(2026, 1, 30)
OTHER = "NBBB000002"


def values(seed: int, count: int = 48) -> list[float]:
    return np.random.default_rng(seed).uniform(0, 2, count).round(3).tolist()


def read(folder: Path, text: str) -> MeterReading:
    file = folder / "meter.csv"
    file.write_text(text, encoding="utf-8")
    return read_nem12(file)


def by_name(reading: MeterReading) -> dict[tuple[str, str], Channel]:
    return {(found.meter, found.name): found for found in reading.channels}


def compare_with_nemreader(folder: Path, reading: MeterReading) -> int:
    """Each interval as nemreader reads it: start, value and quality; gives how many there were."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reference = read_nem_file(str(folder / "meter.csv"))
    count = 0
    for (meter, name), found in by_name(reading).items():
        rows = [row for row in reference.readings[meter][name] if row.quality_method[:1] != "N"]
        # nemreader's times are market time without a zone, ten hours ahead of UTC
        starts = [pd.Timestamp(row.t_start).tz_localize("Etc/GMT-10").timestamp() for row in rows]
        assert [start.timestamp() for start in found.start] == starts
        assert found.kwh == pytest.approx([row.read_value for row in rows], abs=1e-12)
        assert found.estimated.tolist() == [row.quality_method[:1] in "EFS" for row in rows]
        count += len(rows)
    return count


@pytest.mark.parametrize("length", [5, 15, 30])
def test_two_meters_and_two_channels(tmp_path: Path, length: int) -> None:
    """Every value of two connection points with import and export, over three days, as nemreader reads it."""
    count = 1440 // length
    records = []
    for number, (nmi, suffix) in enumerate([(NMI, "E1"), (NMI, "B1"), (OTHER, "E1"), (OTHER, "E2")]):
        records.append(channel(suffix, length, nmi=nmi))
        records += [
            day(FIRST + timedelta(days=later), values(10 * number + later, count), "A" if later else "S14")
            for later in range(3)
        ]
    reading = read(tmp_path, nem12(*records))
    assert compare_with_nemreader(tmp_path, reading) == 4 * 3 * count
    kinds = {key: found.kind for key, found in by_name(reading).items()}
    assert kinds == {(NMI, "E1"): "import", (NMI, "B1"): "export", (OTHER, "E1"): "import", (OTHER, "E2"): "import"}
    assert reading.notes == ()
    assert {found.step_minutes for found in reading.channels} == {length}


def test_market_time_has_no_summer_time(tmp_path: Path) -> None:
    """The days on which clocks change in Sydney, 5 April and 4 October 2026, have 24 hours from 14:00 UTC before."""
    for on in (date(2026, 4, 5), date(2026, 10, 4)):
        found = read(tmp_path, nem12(channel(), day(on, values(1)))).channels[0]
        assert found.start[0] == pd.Timestamp(on, tz="UTC") - pd.Timedelta(hours=10)
        assert found.start[-1] - found.start[0] == pd.Timedelta(hours=23.5)


def test_qualities_of_parts_of_a_day(tmp_path: Path) -> None:
    """A day whose quality varies: 400 records tell estimated and missing intervals, as nemreader reads them."""
    records = [channel(), day(FIRST, values(2), "V"), event(1, 20, "A"), event(21, 24, "E52"), event(25, 48, "S14")]
    reading = read(tmp_path, nem12(*records))
    assert compare_with_nemreader(tmp_path, reading) == 48
    assert reading.channels[0].estimated.sum() == 28


def test_intervals_without_data_are_a_gap(tmp_path: Path) -> None:
    """Quality N, of a whole day or of a part, leaves the intervals out."""
    records = [
        channel(),
        day(FIRST, values(3)),
        day(FIRST + timedelta(days=1), [0.0] * 48, "N"),
        day(FIRST + timedelta(days=2), values(4), "V"),
        event(1, 40, "A"),
        event(41, 48, "N"),
    ]
    found = read(tmp_path, nem12(*records)).channels[0]
    assert len(found.kwh) == 48 + 40
    assert found.kwh == pytest.approx([*values(3), *values(4)[:40]])


def test_a_day_given_again(tmp_path: Path) -> None:
    """The record that was updated later counts, wherever it stands in the file, and it is said."""
    early, late = day(FIRST, values(5), updated="20260201000000"), day(FIRST, values(6), updated="20260301000000")
    for records in ([early, late], [late, early]):
        reading = read(tmp_path, nem12(channel(), records[0], channel(), records[1]))
        assert reading.channels[0].kwh == pytest.approx(values(6))
        assert reading.notes == (
            f"E1 of {NMI}: 1 day is in the file again with other values; the latest update counts.",
        )


def test_a_register_that_changes_its_interval_length(tmp_path: Path) -> None:
    """Five-minute days after half-hour days, as meters were changed over: read at half hours, sums of six."""
    fine = values(7, 288)
    records = [channel(), day(FIRST, values(8)), channel(length=5), day(FIRST + timedelta(days=1), fine)]
    reading = read(tmp_path, nem12(*records))
    assert reading.channels[0].step_minutes == 30
    assert reading.channels[0].kwh == pytest.approx([*values(8), *np.array(fine).reshape(48, 6).sum(axis=1)])
    assert reading.notes == (
        f"E1 of {NMI} has intervals of different lengths; all are read as intervals of 30 minutes.",
    )


@pytest.mark.parametrize(("unit", "kwh"), [("WH", 0.001), ("kWh", 1.0), ("MWH", 1000.0)])
def test_units(tmp_path: Path, unit: str, kwh: float) -> None:
    """Wh, kWh and MWh become kWh, however they are written."""
    found = read(tmp_path, nem12(channel(unit=unit), day(FIRST, values(9)))).channels[0]
    assert found.kwh == pytest.approx(np.array(values(9)) * kwh)


def test_registers_that_count_no_energy_are_left_out_and_named(tmp_path: Path) -> None:
    """Reactive energy and its days are passed over, with a note."""
    reading = read(
        tmp_path, nem12(channel("Q1", unit="KVARH"), day(FIRST, values(1)), channel(), day(FIRST, values(2)))
    )
    assert [found.name for found in reading.channels] == ["E1"]
    assert reading.notes == (f"Left out, since they count no energy from or to the grid: Q1 of {NMI} (KVARH).",)


def test_500_records_and_empty_lines_are_passed_over(tmp_path: Path) -> None:
    """What was done at the meter is no interval; line ends of either kind and a byte-order mark are read."""
    text = nem12(channel(), day(FIRST, values(1)), "500,O,S01000,20260201120000,12.5", "")
    assert len(read(tmp_path, "\ufeff" + text.replace("\n", "\r\n")).channels[0].kwh) == 48


def lines(*records: str) -> str:
    return "\n".join([*records, ""])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            lines(HEADER, channel(), ",".join(day(FIRST, values(1)).split(",")[:22])),
            "line 3: the 300 record is cut: found 20 values and no quality; allowed are 48 values of 30 minutes",
        ),
        (lines(HEADER, channel(), day(FIRST, values(1))), "line 3: the file is cut: it ends without a 900 record"),
        (lines(HEADER, "200,NAAA", END), "line 2: the 200 record is cut: found 2 cells; allowed are 9 or more"),
        (
            nem12(channel(), day(FIRST, values(1)[:47])),
            "line 3: found 47 values; allowed are 48 values of 30 minutes and their quality",
        ),
        (
            nem12(channel(length=15), day(FIRST, values(1))),
            "line 3: found 48 values; allowed are 96 values of 15 minutes and their quality",
        ),
        (nem12(channel(), day(FIRST, [*values(1), 0.5])), "line 3: found 49 values; allowed are 48 values of 30"),
        (
            nem12(channel(), day(FIRST, [*values(1)[:5], "x", *values(1)[6:]])),
            'line 3: interval 6 is "x"; allowed is a finite number, 0 or more',
        ),
        (
            nem12(channel(), day(FIRST, [*values(1)[:5], -0.5, *values(1)[6:]])),
            'line 3: interval 6 is "-0.5"; allowed is a finite number, 0 or more',
        ),
        (
            nem12(channel(), day(FIRST, [*values(1)[:5], "1e999", *values(1)[6:]])),
            'line 3: interval 6 is "1e999"; allowed is a finite number, 0 or more',
        ),
        (nem12(day(FIRST, values(1))), "line 2: a 300 record before any 200 record"),
        (nem12(channel(), "250,x,y"), 'line 3: found a record "250"; allowed are 100, 200, 300, 400, 500, 900'),
        (nem12(channel(), day(FIRST, values(1)).replace("20260130", "20260230")), 'found the day "20260230"; allowed'),
        (nem12(channel(), day(FIRST, values(1), "Z")), 'line 3: found the quality "Z"; allowed is A, N, V, or E, F or'),
        (nem12(channel(length=7), day(FIRST, values(1))), 'line 2: an interval length of "7"; allowed are 5, 15, 30'),
        (
            nem12(channel(), day(FIRST, values(1)), channel("B1", unit="WH"), day(FIRST, values(1))),
            f"line 4: mixed units: B1 of {NMI} is in WH and E1 in KWH; allowed is one unit of energy",
        ),
        (nem12(channel(unit="KVARH"), day(FIRST, values(1))), 'line 2: E1 is in "KVARH"; allowed are WH, KWH, MWH'),
        (nem12(channel("Q1", unit="KVARH"), day(FIRST, values(1))), ": no channel counts energy; allowed are suffixes"),
        (
            nem12(channel(), day(FIRST, values(1), "V"), event(1, 20, "A")),
            "line 3: the day's quality varies, and 400 records tell it for 20 of 48 intervals; allowed are records",
        ),
        (
            nem12(channel(), day(FIRST, values(1), "V"), event(1, 20, "A"), event(20, 48, "E52")),
            "line 5: intervals 20 to 48 have a quality already; allowed is one for each",
        ),
        (
            nem12(channel(), day(FIRST, values(1), "V"), event(1, 49, "A")),
            'line 4: found intervals "1" to "49"; allowed are 1 to 48, the first not after the last',
        ),
        (
            nem12(channel(), day(FIRST, values(1)), event(1, 48, "E52")),
            "line 4: a 400 record for a day of one quality; allowed is one where the 300 says V",
        ),
        (nem12(channel(), event(1, 48, "A")), "line 3: a 400 record without a day; allowed is one after a 300 record"),
        (
            lines(HEADER.replace("NEM12", "NEM13"), END),
            'line 1: this is "NEM13", whose accumulated reads are no intervals; allowed is NEM12',
        ),
        (nem12(channel(), day(FIRST, values(1))) + channel(), "line 5: a 200 record after the 900 record"),
    ],
)
def test_damaged_files(tmp_path: Path, text: str, message: str) -> None:
    """One clear fault with its line and what is allowed comes first, and nothing is read."""
    file = tmp_path / "meter.csv"
    file.write_text(text, encoding="utf-8")
    found = faults_of(lambda: read_nem12(file))
    assert found
    assert message in found[0]


def test_many_faults_are_counted(tmp_path: Path) -> None:
    """The first ten faults are told, and how many more there are."""
    file = tmp_path / "meter.csv"
    file.write_text(nem12(channel(), *[day(FIRST, values(1)[:40])] * 25), encoding="utf-8")
    found = faults_of(lambda: read_nem12(file))
    assert len(found) == 11
    assert found[-1].endswith("and 15 more")


def test_looks_like_nem12() -> None:
    """The first record tells; other CSV does not."""
    assert looks_like_nem12(HEADER)
    assert looks_like_nem12("100,NEM13,202602010000,A,B")
    assert not looks_like_nem12("start,import_kwh")


numbers = st.floats(0, 100).map(lambda value: round(value, 4))


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from([5, 15, 30]),
    st.lists(st.tuples(st.sampled_from(["E1", "B1", "E2"]), st.integers(0, 5)), min_size=1, max_size=6, unique=True),
    st.integers(0, 2**32 - 1),
)
def test_what_is_written_is_read(
    tmp_path_factory: pytest.TempPathFactory, length: int, days: list[tuple[str, int]], seed: int
) -> None:
    """Random days of random channels, in any order, come back as they were."""
    random = np.random.default_rng(seed)
    wanted: dict[str, dict[date, list[float]]] = {}
    records = []
    for suffix, later in days:
        on = FIRST + timedelta(days=later)
        wanted.setdefault(suffix, {})[on] = random.uniform(0, 3, 1440 // length).round(4).tolist()
        records += [channel(suffix, length), day(on, wanted[suffix][on])]
    reading = read(tmp_path_factory.mktemp("nem"), nem12(*records))
    assert {found.name for found in reading.channels} == set(wanted)
    for found in reading.channels:
        expected = [value for on in sorted(wanted[found.name]) for value in wanted[found.name][on]]
        assert found.kwh == pytest.approx(expected)
        assert np.diff(found.start.asi8).min() == length * 60
