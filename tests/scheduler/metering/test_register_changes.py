"""Registers that succeed one another are one flow; what is not there yet is 0, and what is missing stays missing."""

from __future__ import annotations

import zipfile
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scheduler.metering.align_channels import metered_flows
from scheduler.metering.channels import Channel, ChannelKind, MeterReading
from scheduler.metering.detect_format import read_meter_file
from scheduler.metering.register_changes import joined_registers
from tests.builders.places import PUBLISHED

SYDNEY = "Australia/Sydney"


def is_meter_change(path: Path) -> bool:
    """Scenario 10 has connection points of its own; the answer of one provider breaks the format."""
    with zipfile.ZipFile(path) as archive:
        return b",NEM1210" in archive.read(archive.namelist()[0]) and "ETSAMDP" not in path.name


SCENARIO_10 = sorted(filter(is_meter_change, (PUBLISHED / "nem12").glob("*.[zZ][iI][pP]")))
"""The market operator's scenario "meter change": one register gives way to two, import and export."""


def channel(name: str, first: str, days: int, kwh: float, kind: ChannelKind = "import") -> Channel:
    start = pd.date_range(first, periods=24 * days, freq="h", tz="UTC").as_unit("s")
    return Channel(name, "9900000011", kind, start, np.full(24 * days, kwh), np.zeros(24 * days, dtype=np.bool_), 60)


def joined(channels: Iterable[Channel]) -> tuple[tuple[MeterReading, ...], list[str]]:
    return joined_registers([MeterReading("test", (each,)) for each in channels], "UTC")


@pytest.mark.parametrize("path", SCENARIO_10, ids=lambda path: path.name)
def test_a_replaced_meter_keeps_every_value_that_the_file_has(path: Path) -> None:
    """The sums of import and export are those of all values in the file, and no day is lost."""
    reading = read_meter_file(path, SYDNEY)
    readings, notes = joined_registers([reading], SYDNEY)
    flows = metered_flows(readings)
    for kind, kwh in (("import", flows.import_kwh), ("export", flows.export_kwh)):
        counted = sum(float(each.kwh.sum()) for each in reading.channels if each.kind == kind)
        assert float(np.nansum(kwh)) == pytest.approx(counted, rel=1e-12)
    assert flows.start[0] == min(each.start[0] for each in reading.channels)
    assert flows.end == max(each.start[-1] for each in reading.channels) + pd.Timedelta(minutes=flows.step_minutes)
    assert any("as when a meter is replaced" in note for note in notes)


def test_there_are_such_published_files() -> None:
    assert len(SCENARIO_10) >= 8


def test_a_chain_of_three_registers_is_one_flow() -> None:
    pieces = [channel("E1", "2026-01-01", 10, 1.0), channel("E2", "2026-01-11", 5, 2.0)]
    pieces.append(channel("E3", "2026-01-16", 3, 3.0))
    readings, notes = joined(pieces)
    flows = metered_flows(readings)
    assert flows.import_kwh.reshape(-1, 24).sum(axis=1).tolist() == [24.0] * 10 + [48.0] * 5 + [72.0] * 3
    assert len(notes) == 2
    assert not flows.gaps


def test_hours_between_two_registers_stay_a_gap() -> None:
    readings, _ = joined([channel("E1", "2026-01-01", 3, 1.0), channel("E2", "2026-01-04T05:00", 3, 1.0)])
    gaps = metered_flows(readings).gaps
    assert {(gap.begin, gap.end) for gap in gaps} == {
        (pd.Timestamp("2026-01-04", tz="UTC"), pd.Timestamp("2026-01-04T05:00", tz="UTC"))
    }


def test_a_day_of_overlap_counts_both() -> None:
    readings, _ = joined([channel("E1", "2026-01-01", 3, 1.0), channel("E2", "2026-01-03", 3, 0.5)])
    assert metered_flows(readings).import_kwh.reshape(-1, 24).sum(axis=1).tolist() == [24, 24, 36, 12, 12]


def test_export_that_begins_later_is_0_before_and_said() -> None:
    readings, notes = joined([channel("E1", "2026-01-01", 90, 1.0), channel("B1", "2026-03-01", 31, 2.0, "export")])
    flows = metered_flows(readings)
    assert flows.export_kwh.reshape(-1, 24).sum(axis=1).tolist() == [0.0] * 59 + [48.0] * 31
    assert len(flows.start) == 90 * 24
    assert notes == [
        "B1 of 9900000011 begins 2026-03-01T00:00+00:00, and export is taken as 0 before, as when solar is fitted; if "
        "there was export before, add the file that has it."
    ]


@pytest.mark.parametrize(
    "pieces",
    [
        [
            channel("E1", "2026-01-01", 90, 1.0),
            channel("E2", "2026-02-01", 59, 1.0),
        ],  # a second register, not a successor
        [channel("E1", "2026-01-01", 90, 1.0), channel("B1", "2026-01-01", 30, 1.0, "export")],  # export breaks off
        [channel("E1", "2026-01-01", 10, 1.0), channel("E2", "2026-01-20", 10, 1.0)],  # weeks apart
    ],
)
def test_what_may_be_missing_is_not_taken_as_0(pieces: list[Channel]) -> None:
    readings, notes = joined(pieces)
    assert notes == []
    assert [each for reading in readings for each in reading.channels] == pieces
