"""A meter series is read strictly, and each fault names its line."""

import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.inputs import series_file
from scheduler.inputs.series_file import read_series
from tests.builders.sites import faults_of, load_kw, series_text

GOOD = """\
start,kw
2026-03-02T00:00+00:00,0.4
2026-03-02T01:00+00:00,0.5
2026-03-02T02:00+00:00,0
2026-03-02T03:00+00:00,1e-1
"""


@pytest.fixture(scope="module")
def csv_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("series") / "load.csv"


def faults(path: Path, text: str | bytes) -> list[str]:
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return [line.removeprefix(f"{path.parent}/") for line in faults_of(lambda: read_series(path))]


def test_a_good_series_is_read_in_utc_with_its_step(csv_path: Path) -> None:
    csv_path.write_text(GOOD)
    series = read_series(csv_path)
    assert list(series.kw) == [0.4, 0.5, 0.0, 0.1]
    assert series.kw.dtype == np.float64
    assert series.step_minutes == 60
    assert series.start.dtype == pd.DatetimeTZDtype("s", "UTC")
    assert series.start[0] == pd.Timestamp("2026-03-02T00:00Z")


@pytest.mark.parametrize(
    "stamp",
    [
        "2026-03-02T00:00Z",
        "2026-03-02 00:00+00:00",
        "2026-03-02T00:00:00+0000",
        "2026-03-02T00:00:00.000000+00:00",
        "2026-03-02T05:30+05:30",
        "2026-03-01T16:00-08:00",
        '"2026-03-02T00:00Z"',
        " 2026-03-02T00:00Z ",
    ],
)
def test_instants_are_read_in_any_form_that_has_an_offset(csv_path: Path, stamp: str) -> None:
    csv_path.write_text(GOOD.replace("2026-03-02T00:00+00:00", stamp))
    assert read_series(csv_path).start[0] == pd.Timestamp("2026-03-02T00:00Z")


def test_a_byte_order_mark_windows_line_ends_and_blank_lines_at_the_end_are_read(csv_path: Path) -> None:
    csv_path.write_bytes((GOOD.replace("\n", "\r\n") + "\r\n\r\n").encode("utf-8-sig"))
    assert len(read_series(csv_path).kw) == 4


@pytest.mark.parametrize("first", ["2026-03-28T12:00+00:00", "2026-10-24T12:00+01:00"])
def test_both_clock_changes_read_well_where_offsets_are_right(csv_path: Path, first: str) -> None:
    hours = pd.date_range(first, periods=48, freq="h").tz_convert("Europe/Dublin")
    csv_path.write_text("\n".join(["start,kw", *(f"{hour.isoformat()},1" for hour in hours)]))
    series = read_series(csv_path)
    assert series.step_minutes == 60
    assert series.end - series.start[0] == pd.Timedelta(hours=48)


@pytest.mark.parametrize("step", [5, 15, 30, 60])
def test_steps_of_5_to_60_minutes_are_read(csv_path: Path, step: int) -> None:
    csv_path.write_text(series_text(load_kw, days=2, step_minutes=step))
    assert read_series(csv_path).step_minutes == step


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("start,kw", "start;kw", "line 1: the cells are not separated by commas; expected start,kw"),
        ("start,kw", "start\tkw", "line 1: the cells are not separated by commas; expected start,kw"),
        ("start,kw", "time,power", 'line 1: the header is "time,power"; expected start,kw'),
        ("start,kw\n", "", "line 1: the header is "),
        (",0.5", ",high", 'line 3, kw: "high" is not a number; expected 0 to 10000 kW'),
        (",0.5", ",NaN", 'line 3, kw: "NaN" is not a number'),
        (",0.5", ",inf", 'line 3, kw: "inf" is not a number'),
        (",0.5", ",1e999", 'line 3, kw: "1e999" is not finite'),
        (",0.5", ",1_000", 'line 3, kw: "1_000" is not a number'),
        (",0.5", ",", "line 3, kw: the cell is empty"),
        (",0.5", ",-0.5", 'line 3, kw: "-0.5" is under 0; expected 0 to 10000 kW'),
        (",0.5", ",0,5", "line 3: found cells: 3; expected start,kw"),
        (",0.5", "", "line 3: found cells: 1; expected start,kw"),
        (",0.5", ",0.5\n", "line 4: found an empty line; expected start,kw"),
        ("2026-03-02T01:00+00:00", "", "line 3, start: the cell is empty"),
        (
            "2026-03-02T01:00+00:00",
            "2026-03-02T01:00",
            'line 3, start: "2026-03-02T01:00" has no offset; expected',
        ),
        ("2026-03-02T01:00+00:00", "2026-03-02T01:00:30+00:00", "is not on a whole minute"),
        ("2026-03-02T01:00+00:00", "2026-03-02T01:00:00.5+00:00", "is not on a whole minute"),
        ("2026-03-02T01:00+00:00", "2026-02-30T01:00+00:00", "line 3, start: "),
        (
            "2026-03-02T01:00+00:00",
            "02/03/2026 01:00",
            'line 3, start: "02/03/2026 01:00" cannot be read as an',
        ),
        ("2026-03-02T01:00+00:00", "2026-03-02T25:00+00:00", "cannot be read as an instant"),
        ("2026-03-02T01:00+00:00", "2026-03-02T01:00+99:00", "cannot be read as an instant"),
        ("2026-03-02T01:00+00:00", "9999-03-02T01:00+00:00", "cannot be read as an instant"),
        (
            "2026-03-02T01:00+00:00,0.5\n",
            "",
            "line 3, start: gap: 120 minutes after the row above; expected",
        ),
        ("02T01:00", "02T00:00", "line 3, start: duplicate: the same start as the row above"),
        ("02T02:00", "02T00:00", "line 4, start: not in time order: before the row above"),
        ("02T03:00", "02T02:30", "line 5, start: short interval: 30 minutes after the row above"),
    ],
)
def test_a_fault_names_its_line_what_was_found_and_what_is_allowed(
    csv_path: Path, old: str, new: str, message: str
) -> None:
    found = faults(csv_path, GOOD.replace(old, new, 1))
    assert len(found) == 1
    assert message in found[0]
    assert found[0].startswith("load.csv line ")


@pytest.mark.parametrize(("step", "allowed"), [(1, False), (4, False), (5, True), (60, True), (61, False)])
def test_the_step_must_be_5_to_60_minutes(csv_path: Path, step: int, allowed: bool) -> None:
    starts = pd.date_range("2026-03-02T00:00Z", periods=5, freq=f"{step}min")
    found = faults(csv_path, "\n".join(["start,kw", *(f"{start.isoformat()},1" for start in starts)]))
    if allowed:
        assert found == []
    else:
        message = f"{step} minutes after the row above; expected 5 to 60 minutes"
        assert found == [f"load.csv line 3, start: {message}"]


def test_a_clock_change_with_the_offset_left_unchanged_is_a_gap(csv_path: Path) -> None:
    hours = ["2026-03-28T23:00", "2026-03-29T00:00", "2026-03-29T02:00", "2026-03-29T03:00"]
    found = faults(csv_path, "\n".join(["start,kw", *(f"{hour}+00:00,1" for hour in hours)]))
    assert len(found) == 1
    assert "line 4, start: gap" in found[0]


@pytest.mark.parametrize("rows", [0, 1])
def test_fewer_than_two_rows_are_a_fault(csv_path: Path, rows: int) -> None:
    found = faults(csv_path, "\n".join(GOOD.splitlines()[: rows + 1]))
    assert found == [f"load.csv: found {rows} rows under the header; expected 2 or more"]


def test_all_faults_are_reported_at_once(csv_path: Path) -> None:
    found = faults(csv_path, GOOD.replace("0.4", "x").replace("T01:00+00:00", "T01:00").replace(",0\n", ",-2\n"))
    assert [fault.split(":")[0] for fault in found] == [
        "load.csv line 2, kw",
        "load.csv line 3, start",
        "load.csv line 4, kw",
    ]


def test_ten_faults_are_listed_and_the_rest_counted(csv_path: Path) -> None:
    found = faults(csv_path, series_text(load_kw, days=2).replace("+00:00", ""))
    assert len(found) == 11
    assert found[-1] == "and 38 more faults"


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "the file is empty"),
        (b"\n\n", "the file is empty"),
        (GOOD.encode("utf-16"), "line 1: this is not UTF-8 text"),
        (GOOD.encode() + b"\xff", "line 6: this is not UTF-8 text"),
        (os.urandom(100_000), "this is not UTF-8 text"),
        (b"\x00" * 1000, "line 1: the header is"),
        (b"nonsense " * 1_200_000, "line 1: the line is too long"),
        (b"nonsense\n" * 1_200_000, "line 1: the header is"),
    ],
    ids=range(8),
)
def test_a_file_that_is_no_series_is_one_short_fault(csv_path: Path, content: bytes, message: str) -> None:
    found = faults(csv_path, content)
    assert len(found) == 1
    assert message in found[0]
    assert len(found[0]) < 120


@pytest.mark.parametrize("body", [b"nonsense " * 1_200_000, b'"' + b"n" * 10_000_000, b"a,b\n" * 100_000])
def test_nonsense_under_a_good_header_is_a_few_short_faults(csv_path: Path, body: bytes) -> None:
    found = faults(csv_path, b"start,kw\n" + body)
    assert 1 <= len(found) <= 12
    assert all(len(fault) < 150 for fault in found)


def test_a_missing_file_a_folder_and_one_too_large_are_faults(tmp_path: Path) -> None:
    assert faults_of(lambda: read_series(tmp_path / "no.csv")) == [f"{tmp_path / 'no.csv'}: there is no such file"]
    assert faults_of(lambda: read_series(tmp_path)) == [f"{tmp_path}: this is a folder; expected a file"]
    with (tmp_path / "big.csv").open("wb") as file:
        file.truncate(60_000_000)
    assert "60.0 MB is too large" in faults_of(lambda: read_series(tmp_path / "big.csv"))[0]


CELLS = st.one_of(
    st.sampled_from(["2026-03-02T00:00+00:00", "2026-03-02T01:00Z", "2026-03-02", "nan", "-1", "0.5", '"', "\x00"]),
    st.text(max_size=6),
)


@given(rows=st.lists(st.lists(CELLS, min_size=1, max_size=3).map(",".join), max_size=5))
@settings(deadline=None)
def test_random_rows_are_read_or_raise_input_faults(csv_path: Path, rows: list[str]) -> None:
    csv_path.write_bytes("\n".join(["start,kw", *rows]).encode("utf-8", "surrogatepass"))
    assert len(faults_of(lambda: read_series(csv_path))) <= 12


@given(content=st.binary())
@settings(deadline=None)
def test_random_bytes_raise_nothing_but_input_faults(csv_path: Path, content: bytes) -> None:
    csv_path.write_bytes(content)
    assert faults_of(lambda: read_series(csv_path))


def test_a_gap_and_a_bad_number_are_both_told_in_line_order(csv_path: Path) -> None:
    """An hour left out at line 4 and a word at line 6; a row that cannot be read makes no gap of its own."""
    rows = [f"2026-03-02T{hour:02}:00+00:00,0.4" for hour in (0, 1, 3, 4, 5, 6, 7)]
    rows[4] = rows[4].replace("0.4", "abc")
    rows[5] = rows[5].replace("2026", "last")
    assert [line.partition(";")[0] for line in faults(csv_path, "\n".join(["start,kw", *rows, ""]))] == [
        "load.csv line 4, start: gap: 120 minutes after the row above",
        'load.csv line 6, kw: "abc" is not a number',
        'load.csv line 7, start: "last-03-02T06:00+00:00" cannot be read as an instant',
    ]


STAMPS = st.sampled_from(
    [
        "2026-03-02T00:00+00:00",
        "2026-03-02T01:00Z",
        "2026-03-02 02:00:00+0000",
        "2026-03-02T04:00:00.0+01:00",
        "2026-03-02T25:00Z",
        "2026-02-30T00:00Z",
        "2026-03-02T00:00",
    ]
)
NUMBERS = st.sampled_from(["0", "0.5", ".5", "5.", "-0", "+1e1", "1E-3", "1e999", "-1", "20000", "1,5", "nan", "", "٣"])


@given(
    rows=st.lists(st.tuples(STAMPS, NUMBERS), max_size=4),
    line_end=st.sampled_from(["\n", "\r\n", "\r", "\n\n"]),
    at_once=st.sampled_from([1, 40, 200_000]),
)
@settings(deadline=None)
def test_a_file_without_quotes_is_read_as_one_with_quotes(
    csv_path: Path, rows: list[tuple[str, str]], line_end: str, at_once: int
) -> None:
    """Without them it is read by the chunk, with them cell by cell; only the latter says what is at fault."""
    found = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(series_file, "BYTES_AT_ONCE", at_once)
        for quote in ("", '"'):
            text = line_end.join(["start,kw", *(f"{quote}{stamp}{quote},{number}" for stamp, number in rows), ""])
            told = faults(csv_path, text)
            series = None if told else read_series(csv_path)
            found.append((told, None if series is None else (series.start.tolist(), series.kw.tobytes())))
    assert found[0] == found[1]


def test_a_series_of_many_chunks_is_read_whole(csv_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    hours = pd.date_range("2026-03-02T00:00Z", periods=500, freq="15min")
    csv_path.write_text("\n".join(["start,kw", *(f"{hour.isoformat()},{number}" for number, hour in enumerate(hours))]))
    monkeypatch.setattr(series_file, "BYTES_AT_ONCE", 1000)
    monkeypatch.setattr(series_file, "_rows", None)  # not cell by cell
    series = read_series(csv_path)
    assert list(series.kw) == list(range(500))
    assert list(series.start) == list(hours)
