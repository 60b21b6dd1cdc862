"""Channels of several files become load and solar: sums, overlaps, rounding, the car, and gaps that are told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.metering.align_channels import metered_flows, relabelled
from scheduler.metering.channels import Channel
from scheduler.metering.derive_load import MeteredLoad, metered_load
from tests.builders.meter_readings import channel, reading
from tests.builders.sites import faults_of

DUBLIN, LORD_HOWE = "Europe/Dublin", "Australia/Lord_Howe"
FILE = "the meter files"


def load_of(*channels: Channel, timezone: str = DUBLIN, car: Channel | None = None) -> MeteredLoad:
    flows = metered_flows([reading(*channels)])
    car_flows = None if car is None else metered_flows([reading(car)], flows.start[0], flows.end)
    return metered_load(flows, timezone, car_flows, car_file="car.csv")


def days_of(kwh_at: object, days: int) -> np.ndarray:
    """An energy for each hour of so many days: `kwh_at(day, hour)`."""
    assert callable(kwh_at)
    return np.array([kwh_at(day, hour) for day in range(days) for hour in range(24)])


def test_channels_of_one_kind_are_summed_and_the_span_is_what_all_share() -> None:
    """Two tariffs' registers of one meter and a second meter count together; energy balance."""
    flows = metered_flows(
        [
            reading(channel("import", [1, 2, 3, 4], name="E1", meter="6001", estimated=[1])),
            reading(
                channel("import", [10, 20, 30], "2026-03-02T01:00Z", name="E2", meter="6001", estimated=[0]),
                channel("export", [0.5] * 9, "2026-03-01T22:00Z", name="B1", meter="6001"),
            ),
        ]
    )
    assert list(flows.import_kwh) == [12, 23, 34]
    assert list(flows.export_kwh) == [0.5] * 3
    assert flows.generation_kwh is None
    assert flows.start[0] == pd.Timestamp("2026-03-02T01:00Z")
    assert flows.end == pd.Timestamp("2026-03-02T04:00Z")
    assert flows.estimated == 1
    assert [(one.name, one.kwh, one.estimated) for one in flows.channels] == [
        ("E1", 9, 1),
        ("E2", 60, 1),
        ("B1", 1.5, 0),
    ]
    assert flows.gaps == ()


def test_a_span_that_was_asked_for_has_gaps_where_there_is_nothing() -> None:
    begin, end = pd.Timestamp("2026-03-01T23:10Z"), pd.Timestamp("2026-03-02T06:50Z")
    flows = metered_flows([reading(channel("import", [1, 2, 3, 4], without=[1, 2]))], begin, end)
    assert flows.start[0] == pd.Timestamp("2026-03-02T00:00Z")
    assert flows.end == pd.Timestamp("2026-03-02T06:00Z")
    assert [(gap.channel, gap.begin.hour, gap.end.hour) for gap in flows.gaps] == [("import", 1, 3), ("import", 4, 6)]
    np.testing.assert_array_equal(flows.import_kwh, [1, np.nan, np.nan, 4, np.nan, np.nan])


def test_the_same_values_in_two_files_are_one_and_said() -> None:
    one = channel("import", [1, 2, 3], meter="6001")
    other = channel("import", [3, 4, 5], "2026-03-02T02:00Z", meter="6001")
    flows = metered_flows([reading(other), reading(one)])
    assert list(flows.import_kwh) == [1, 2, 3, 4, 5]
    assert flows.notes == ("import of 6001 is in several files for the same time, with equal values; intervals: 1.",)


@pytest.mark.parametrize(
    ("other", "message"),
    [
        (channel("import", [3, 4.5], "2026-03-02T01:00Z"), "import has 2 kWh in one file and 3 kWh in another"),
        (channel("export", [1, 1], step_minutes=25), ("import has intervals of 60 minutes, export intervals of 25 "
"minutes")),
        (channel("export", [1, 2e6]), ("export has 2e+06 kWh for the interval that begins 2026-03-02T01:00Z; "
"expected up")),
        (channel("export", [1, 1], "2026-03-02T00:30Z"), "import has intervals that begin 0 minutes off multiples"),
        (channel("export", [1, 1], "2026-03-02T03:00Z"), "export begins 2026-03-02T03:00Z, and import has ended"),
    ],
)  # fmt: skip
def test_files_that_contradict_each_other_are_a_fault(other: Channel, message: str) -> None:
    readings = [reading(channel("import", [1, 2, 3])), reading(other)]
    found = faults_of(lambda: metered_flows(readings))
    assert len(found) == 1
    assert found[0].startswith(f"{FILE}: {message}")


def test_channels_are_named_anew_or_left_out() -> None:
    readings = [
        reading(channel("import", [1], name="E1", meter="6001"), channel("export", [2], name="B1", meter="6001")),
        reading(channel("export", [3], name="B1", meter="6002")),
    ]
    kinds = [
        [(one.meter, one.name, one.kind) for found in relabelled(readings, words) for one in found.channels]
        for words in ({"B1": "generation"}, {"E1": "ignore"}, {"6002:B1": "ignore", "B1": "generation"})
    ]
    assert kinds == [
        [("6001", "E1", "import"), ("6001", "B1", "generation"), ("6002", "B1", "generation")],
        [("6001", "B1", "export"), ("6002", "B1", "export")],
        [("6001", "E1", "import"), ("6001", "B1", "generation")],
    ]
    assert faults_of(lambda: relabelled(readings, {"B2": "ignore"})) == [
        '--as: no channel is named "B2"; expected one of B1, E1'
    ]
    assert faults_of(lambda: relabelled(readings, {"B1": "ignore", "E1": "ignore"})) == [
        "--as: no channel with values is left; expected at least one"
    ]


def test_a_channel_without_values_is_left_out() -> None:
    empty = channel("export", [1], without=[0])
    made = load_of(channel("import", [1, 2]), empty)
    assert (list(made.load_kwh), made.solar_kwh) == ([1, 2], None)
    assert faults_of(lambda: metered_flows([reading(empty)])) == [
        f"{FILE}: no channel has a value; expected files with values"
    ]


def test_load_is_import_less_export_and_generation_on_top() -> None:
    """Energy balance of the building."""
    made = load_of(channel("import", [1, 0, 2]), channel("export", [0, 1.5, 0]), channel("generation", [0.5, 2, 0]))
    assert list(made.load_kwh) == [1.5, 0.5, 2]
    assert made.solar_kwh is not None
    assert list(made.solar_kwh) == [0.5, 2, 0]
    assert made.notes == ()


def test_without_a_generation_channel_export_is_solar_and_net_flows_stay_right() -> None:
    made = load_of(channel("import", [1, 0.25, 2]), channel("export", [0, 1.5, 0]))
    assert made.solar_kwh is not None
    assert list(made.load_kwh) == [1, 0.25, 2]
    assert list(made.load_kwh - made.solar_kwh) == [1, -1.25, 2]
    assert "no generation channel" in made.notes[0]


def test_import_alone_is_load_without_solar() -> None:
    made = load_of(channel("import", [1, 2]))
    assert list(made.load_kwh) == [1, 2]
    assert made.solar_kwh is None
    assert faults_of(lambda: load_of(channel("export", [1, 2]))) == [
        f"{FILE}: there is no import channel; expected at least one"
    ]


@pytest.mark.parametrize("step", [15, 60])
def test_load_just_under_0_becomes_0_and_is_counted_and_more_is_a_fault(step: int) -> None:
    hours = step / 60

    def made(kw: float) -> MeteredLoad:
        export, generation = [0.0, 1.0, 1.0], [0.0, 1.0 + kw * hours, 1.0]
        flows = (channel("import", [1, 0, 0], step_minutes=step), channel("export", export, step_minutes=step))
        return load_of(*flows, channel("generation", generation, step_minutes=step))

    assert list(made(-0.019).load_kwh) == [1, 0, 0]
    assert made(-0.019).notes == ("Load just under 0 from the rounding of registers was set to 0; intervals: 1.",)
    found = faults_of(lambda: made(-0.03))
    assert len(found) == 1
    at = "2026-03-02T00:15+00:00" if step == 15 else "2026-03-02T01:00+00:00"
    assert found[0].startswith(f"{FILE}: the load of {at} is -0.030 kW (intervals under 0 by more than rounding: 1)")
    assert "is a generation channel missing, or is a channel of another kind?" in found[0]


def test_the_car_is_taken_out_of_the_load_and_what_it_gave_is_put_back() -> None:
    house = channel("import", [3, 1, 2])
    assert list(load_of(house, car=channel("import", [2, 0, 2])).load_kwh) == [1, 1, 0]
    flows = metered_flows([reading(house)])
    both = metered_flows([reading(channel("import", [2, 0, 0]), channel("export", [0, 1, 0]))])
    made = metered_load(flows, DUBLIN, both)
    assert list(made.load_kwh) == [1, 2, 2]
    assert "added back to the load" in made.notes[0]


@pytest.mark.parametrize(
    ("car", "message"),
    [
        (channel("import", [4, 0, 0]), "the load of 2026-03-02T00:00+00:00 is -1.000 kW (intervals under 0 by"),
        (channel("import", [1, 1]), "import has no values from 2026-03-02T02:00+00:00 to 2026-03-02T03:00"),
        (channel("import", [1, 1, 1], without=[1]), "import has no values from 2026-03-02T01:00+00:00 to"),
        (channel("import", [0.1] * 6, step_minutes=30), "it has intervals of 30 minutes; expected those of the site"),
        (channel("import", [0.1] * 9, "2026-03-01T23:30Z"), ("its intervals begin at other minutes than those of "
"the site")),
        (channel("generation", [1, 1, 1]), "there is no import channel"),
    ],
)  # fmt: skip
def test_a_car_that_does_not_fit_is_a_fault_of_its_file(car: Channel, message: str) -> None:
    found = faults_of(lambda: load_of(channel("import", [3, 1, 2]), car=car))
    assert len(found) == 1
    assert found[0].startswith(f"car.csv: {message}")


def test_a_gap_of_load_is_filled_with_the_same_weekday_and_told() -> None:
    """The mean of like days one and two weeks before and after: common practice of metering."""
    kwh = days_of(lambda day, hour: 1 + day // 7 + 0.1 * (day % 7) + 0.01 * hour, 35)
    gap = list(range(14 * 24 + 5, 14 * 24 + 8))  # a Monday of the third week
    made = load_of(channel("import", list(kwh), without=gap), timezone="UTC")
    assert made.load_kwh[gap] == pytest.approx([3 + 0.01 * hour for hour in (5, 6, 7)], abs=1e-12)
    untouched = np.setdiff1d(np.arange(len(kwh)), gap)
    assert list(made.load_kwh[untouched]) == list(kwh[untouched])
    [told] = made.filled
    assert (told.series, told.begin, told.end) == (
        "load", pd.Timestamp("2026-03-16T05:00Z"), pd.Timestamp("2026-03-16T08:00Z")
    )  # fmt: skip
    assert told.how == "mean of the same clock time 7 and 14 days before and after"


@pytest.mark.parametrize(
    ("timezone", "begin"), [(DUBLIN, "2026-03-16"), (LORD_HOWE, "2026-09-21"), (DUBLIN, "2026-10-11")]
)
def test_like_days_have_the_same_clock_time_across_a_clock_change(timezone: str, begin: str) -> None:
    """A load that follows the wall clock is filled exactly, in a half-hour change too."""
    first = pd.Timestamp(begin, tz=timezone)
    start = pd.date_range(first, first + pd.Timedelta(days=28), freq="30min")
    wall = start.tz_localize(None)
    kwh = np.asarray(wall.hour + wall.minute / 60) + 1.0
    gap = list(range(15 * 48 + 10, 15 * 48 + 20))
    made = load_of(channel("import", list(kwh), first.isoformat(), 30, without=gap), timezone=timezone)
    assert made.load_kwh == pytest.approx(kwh, abs=1e-12)


def test_a_gap_of_solar_is_filled_from_the_days_around_and_import_and_export_stay() -> None:
    """Solar covers at least what is exported, and load − solar is import − export in every step."""
    days = 30
    load = days_of(lambda day, hour: 0.4, days)
    sun = days_of(lambda day, hour: (1 + day / 10) * max(0, 6 - abs(hour - 12)), days)
    bought, sold = np.maximum(load - sun, 0), np.maximum(sun - load, 0)
    gap = list(range(10 * 24 + 9, 10 * 24 + 15))
    made = load_of(
        channel("import", list(bought)), channel("export", list(sold)), channel("generation", list(sun), without=gap)
    )
    assert made.solar_kwh is not None
    assert made.load_kwh - made.solar_kwh == pytest.approx(bought - sold, abs=1e-9)
    assert made.solar_kwh == pytest.approx(sun, abs=1e-9)  # it rises evenly
    assert made.load_kwh == pytest.approx(load, abs=1e-9)
    assert [told.series for told in made.filled] == ["solar"]

    dark = days_of(lambda day, hour: 0.0 if day in (7, 8, 9, 11, 12, 13) else 5.0, days)
    export = days_of(lambda day, hour: 1.0 if day == 10 else 0.0, days)
    made = load_of(
        channel("import", list(days_of(lambda day, hour: 1.0 if dark[day * 24] == 0 else 0.0, days))),
        channel("export", list(export)),
        channel("generation", list(dark), without=gap),
    )
    assert made.solar_kwh is not None
    assert list(made.solar_kwh[gap]) == [1.0] * 6
    assert list(made.load_kwh[gap]) == [0.0] * 6


def test_without_generation_channel_a_gap_of_export_is_filled_in_solar() -> None:
    bought, sold = days_of(lambda day, hour: 1.0, 30), days_of(lambda day, hour: 0.5 * hour, 30)
    gap = list(range(10 * 24 + 9, 10 * 24 + 15))
    made = load_of(channel("import", list(bought), without=gap), channel("export", list(sold), without=gap))
    assert made.solar_kwh is not None
    assert list(made.load_kwh) == list(bought)
    assert list(made.solar_kwh) == list(sold)
    assert sorted(told.series for told in made.filled) == ["load", "solar"]


def test_a_gap_over_a_day_is_refused_with_a_span_that_would_do() -> None:
    made = channel("import", [1.0] * 24 * 90, without=range(30 * 24, 31 * 24 + 1))
    assert faults_of(lambda: load_of(made)) == [
        f"{FILE}: 1.16 % of the time has no values; gaps are filled up to 24 h each and 2 % in total",
        f"{FILE}: gap 2026-04-01T01:00+01:00 to 2026-04-02T02:00+01:00 (25 h)",
        f"{FILE}: choose a span with --from and --to, such as --from 2026-04-03 --to 2026-05-30",
    ]
    day = channel("import", [1.0] * 24 * 90, without=range(30 * 24, 31 * 24))
    assert len(load_of(day).filled) == 1


def test_gaps_over_two_percent_are_refused_with_the_largest() -> None:
    lost = [day * 24 + hour for day in range(5, 13) for hour in range(day - 3)]  # 2 to 9 hours each, 44 in all
    made = channel("import", [1.0] * 24 * 90, without=lost)
    found = faults_of(lambda: load_of(made))
    assert found[0] == (
        f"{FILE}: 2.04 % of the time has no values, the largest 5 of 8; gaps are filled up to "
        "24 h each and 2 % in total"
    )
    assert [fault.rsplit("(", 1)[1] for fault in found[1:6]] == ["9 h)", "8 h)", "7 h)", "6 h)", "5 h)"]
    assert found[6] == f"{FILE}: choose a span with --from and --to"
    assert len(load_of(channel("import", [1.0] * 24 * 90, without=lost[1:])).filled) == 8


def test_a_gap_without_a_like_day_is_refused() -> None:
    found = faults_of(lambda: load_of(channel("import", [1.0] * 24 * 6, without=[30])))
    assert found == [
        f"{FILE}: the load of 2026-03-03T06:00+00:00 is missing, and so is that clock time 7 and 14 days before and "
        "after; choose a longer span, or another with --from and --to"
    ]


@given(
    flows=st.lists(st.tuples(*[st.integers(0, 5000)] * 3), min_size=2, max_size=80),
    cut=st.integers(1, 79),
)
@settings(deadline=None)
def test_random_flows_keep_their_balance(flows: list[tuple[int, int, int]], cut: int) -> None:
    """Load − solar is import − export in every step, whatever the flows and however a file is cut in two."""
    used, made, rest = (np.array(column) / 1000 for column in zip(*flows, strict=True))
    bought, sold = np.maximum(used - made, 0) + rest, np.maximum(made - used, 0) + rest
    cut = min(cut, len(flows) - 1)
    whole = channel("import", list(bought), meter="6001")
    pieces = [
        replace(whole, start=whole.start[part], kwh=whole.kwh[part], estimated=whole.estimated[part])
        for part in (slice(cut, None), slice(0, cut))
    ]
    readings = [reading(piece) for piece in pieces]
    readings.append(reading(channel("export", list(sold)), channel("generation", list(made))))
    result = metered_load(metered_flows(readings), DUBLIN)
    assert result.solar_kwh is not None
    assert result.load_kwh - result.solar_kwh == pytest.approx(bought - sold, abs=1e-9)
    assert result.load_kwh == pytest.approx(used, abs=1e-9)


def test_channels_of_unlike_steps_are_read_at_the_longest() -> None:
    """Import hour by hour and export at half hours: export is summed to hours, a half without its other is a gap."""
    half_hours = channel("export", [1, 2, 3, 4, 5], step_minutes=30)
    flows = metered_flows([reading(channel("import", [1, 2, 3])), reading(half_hours)])
    assert flows.step_minutes == 60
    assert list(flows.export_kwh) == [3, 7]
    assert flows.notes == ("Read in intervals of 60 minutes, the longest of the channels: export.",)
