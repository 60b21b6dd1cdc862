"""Recorded trips are read strictly, and each fault names its line."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.site.trips import Trip
from scheduler.inputs.trips_file import read_trips
from tests.builders.sites import TRIPS, faults_of


@pytest.fixture(scope="module")
def csv_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("trips") / "trips.csv"


def faults(path: Path, text: str | bytes) -> list[str]:
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return [line.removeprefix(f"{path.parent}/") for line in faults_of(lambda: read_trips(path))]


def test_good_trips_are_read_in_utc(csv_path: Path) -> None:
    csv_path.write_text(TRIPS.replace("2026-02-02T08:10+00:00", "2026-02-02T09:10+01:00"))
    trips = read_trips(csv_path)
    assert trips[0] == Trip(datetime(2026, 2, 2, 8, 10, tzinfo=UTC), datetime(2026, 2, 2, 17, 30, tzinfo=UTC), 31.0)
    assert trips[0].depart_at.tzinfo is UTC
    assert trips[1].distance_km == 180.5


def test_a_file_with_only_a_header_has_no_trips(csv_path: Path) -> None:
    csv_path.write_text("depart,return,distance_km\n")
    assert read_trips(csv_path) == ()


def test_trips_may_touch_and_have_no_distance(csv_path: Path) -> None:
    csv_path.write_text(TRIPS.replace("2026-02-07T10:00", "2026-02-02T17:30").replace("180.5", "0"))
    assert len(read_trips(csv_path)) == 2


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("depart,return", "return,depart", "line 1: the header is "),
        (",distance_km", ";distance_km", "line 1: the header is "),
        (
            "T17:30+00:00",
            "T08:10+00:00",
            "line 2, return: is not after the departure; expected a later instant",
        ),
        ("T17:30+00:00", "T07:10+00:00", "line 2, return: is not after the departure"),
        ("T17:30+00:00", "T17:30", "line 2, return: "),
        ("2026-02-02T08:10", "2026-02-31T08:10", "line 2, depart: "),
        ("T08:10+00:00", "T08:10:10+00:00", "is not on a whole minute"),
        ("2026-02-07T10:00", "2026-02-02T17:29", "line 3, depart: departs before the trip above is back"),
        ("2026-02-07T10:00", "2026-02-01T10:00", "line 3, depart: departs before the trip above is back"),
        (",31", ",-31", 'line 2, distance_km: "-31" is under 0'),
        (",31", ",nan", 'line 2, distance_km: "nan" is not a number'),
        (",31", ",inf", 'line 2, distance_km: "inf" is not a number'),
        (",31", ",far", 'line 2, distance_km: "far" is not a number'),
        (",31", ",", "line 2, distance_km: the cell is empty"),
        (",31", "", "line 2: found cells: 2; expected depart,return,distance_km"),
    ],
)
def test_a_fault_names_its_line_and_column(csv_path: Path, old: str, new: str, message: str) -> None:
    found = faults(csv_path, TRIPS.replace(old, new, 1))
    assert len(found) == 1
    assert message in found[0]


def test_all_faults_are_reported_at_once(csv_path: Path) -> None:
    found = faults(csv_path, TRIPS.replace("T08:10+00:00", "").replace(",31", ",x").replace("180.5", "-1"))
    assert [fault.split(":")[0] for fault in found] == [
        "trips.csv line 2, depart",
        "trips.csv line 2, distance_km",
        "trips.csv line 3, distance_km",
    ]


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", b"\x00", b"x" * 10_000_000])
def test_a_file_that_holds_no_trips_is_one_short_fault(csv_path: Path, content: bytes) -> None:
    found = faults(csv_path, content)
    assert len(found) == 1
    assert len(found[0]) < 120


def test_a_missing_file_and_a_folder_are_faults(tmp_path: Path) -> None:
    assert "there is no such file" in faults_of(lambda: read_trips(tmp_path / "no.csv"))[0]
    assert "this is a folder" in faults_of(lambda: read_trips(tmp_path))[0]


@given(position=st.integers(0, len(TRIPS)), length=st.integers(0, 20), middle=st.one_of(st.binary(max_size=5)))
@settings(deadline=None)
def test_damaged_trips_are_read_or_raise_input_faults(
    csv_path: Path, position: int, length: int, middle: bytes
) -> None:
    csv_path.write_bytes(TRIPS.encode()[:position] + middle + TRIPS.encode()[position + length :])
    faults_of(lambda: read_trips(csv_path))


USED = """\
depart,return,distance_km,soc_used_percent,pace
2026-02-02T08:10+00:00,2026-02-02T17:30+00:00,31,12.5,
2026-02-07T10:00+00:00,2026-02-08T19:00+00:00,180.5,,fast
"""


def test_what_a_drive_used_and_its_pace_are_read(csv_path: Path) -> None:
    """Both columns may be there, in any order, and each cell may be empty."""
    csv_path.write_text(USED)
    first, second = read_trips(csv_path)
    assert (first.soc_used_percent, first.pace) == (12.5, "usual")
    assert (second.soc_used_percent, second.pace) == (None, "fast")


@pytest.mark.parametrize("column", ["pace", "soc_used_percent"])
def test_one_further_column_is_enough(csv_path: Path, column: str) -> None:
    """Either column alone."""
    csv_path.write_text(
        TRIPS.replace("distance_km", f"distance_km,{column}").replace(",31", ",31,").replace(".5", ".5,")
    )
    assert len(read_trips(csv_path)) == 2


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (",12.5,", ",-1,", 'line 2, soc_used_percent: "-1" is under 0; expected 0 to 500 %'),
        (",12.5,", ",501,", 'line 2, soc_used_percent: "501" is over 500'),
        (",12.5,", ",12 %,", 'line 2, soc_used_percent: "12 %" is not a number'),
        (",fast", ",quick", 'line 3, pace: "quick" is not a pace; expected slow, usual or fast, or nothing'),
        (",pace", ",speed", "line 1: the header is "),
        (",pace", ",soc_used_percent", "line 1: the header is "),
        (
            ",180.5,,fast",
            ",180.5,fast",
            "line 3: found cells: 4; expected depart,return,distance_km,soc_used_percent,pace",
        ),
    ],
)
def test_faulty_further_columns(csv_path: Path, old: str, new: str, message: str) -> None:
    """Each fault names its line and column, and what is expected."""
    (fault,) = faults(csv_path, USED.replace(old, new))
    assert message in fault


def test_a_wrong_header_is_told_the_columns_that_may_follow(csv_path: Path) -> None:
    """All columns are named."""
    (fault,) = faults(csv_path, "depart,return\n")
    assert fault.endswith("expected depart,return,distance_km[,pace,soc_used_percent]")
