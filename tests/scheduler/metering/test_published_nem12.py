"""Published NEM12 files, packed as they come, are read channel by channel as another reader reads them.

Files: tests/published/nem12/SOURCE.txt. Reader: nemreader (MIT).
"""

from __future__ import annotations

import gzip
import zipfile
from pathlib import Path

import nemreader
import pandas as pd
import pytest

from scheduler.metering.channels import Channel
from scheduler.metering.detect_format import read_meter_file
from scheduler.textio.errors import InputFaults
from tests.builders.places import ROOT

PUBLISHED = ROOT / "tests" / "published"
KWH_OF_UNIT = {"wh": 0.001, "kwh": 1.0, "mwh": 1000.0}  # SI prefixes
SYDNEY, BRISBANE = "Australia/Sydney", "Australia/Brisbane"  # Brisbane: market time, UTC+10 all year
REACTIVE_ALONE = "no register counts energy, only (K1, Q1|Q1, K1)"
CUT_SHORT = {"NEM12#Scenario10#ETSAMDP#NEMMCO.zip": "line 27: 1 values and no QualityMethod after them"}
"""A published file that breaks its own format: a comment in quotes over two lines."""


def files_of(folder: str) -> list[Path]:
    return sorted(
        path for path in (PUBLISHED / folder).iterdir() if path.is_file() and path.suffix.lower() in {".zip", ".csv"}
    )


def text_of(path: Path) -> str:
    if path.suffix.lower() != ".zip":
        return path.read_text(encoding="utf-8")
    with zipfile.ZipFile(path) as archive:
        return archive.read(archive.namelist()[0]).decode()


def as_nemreader_reads(path: Path) -> dict[tuple[str, str], dict[pd.Timestamp, float]]:
    """Energy [kWh] by meter, suffix and start, without null data."""
    lines = text_of(path).splitlines()
    if lines[0].startswith("200"):
        lines.insert(0, "100,NEM12,200402010000,SENDER,RECEIVER")
    readings = nemreader.NEMFile("nem.csv").parse_nem_file(lines).readings
    return {
        (nmi, suffix): {
            pd.Timestamp(reading.t_start, tz=BRISBANE).tz_convert("UTC"): reading.read_value
            * KWH_OF_UNIT[reading.uom.lower()]
            for reading in channel
            if reading.quality_method[0] != "N"
        }
        for nmi, suffixes in readings.items()
        for suffix, channel in suffixes.items()
        if suffix[0] in "EB"
    }


def at_steps_of(channel: Channel, wanted: dict[pd.Timestamp, float]) -> dict[pd.Timestamp, float]:
    """The other reader's energy in a channel's own intervals, which are longer where the file's length changes."""
    sums: dict[pd.Timestamp, float] = {}
    for start, kwh in wanted.items():
        begin = start.floor(f"{channel.step_minutes}min")
        sums[begin] = sums.get(begin, 0.0) + kwh
    return sums


@pytest.mark.parametrize("path", [*files_of("nem12"), *files_of("nem12/others")], ids=lambda path: path.name)
def test_a_published_file_is_read_as_another_reader_reads_it(path: Path) -> None:
    other = as_nemreader_reads(path) if path.name not in CUT_SHORT else {}
    if not other:
        with pytest.raises(InputFaults, match=CUT_SHORT.get(path.name, REACTIVE_ALONE)):
            read_meter_file(path, SYDNEY)
        return
    reading = read_meter_file(path, SYDNEY)
    assert {(channel.meter, channel.name) for channel in reading.channels} == set(other)
    for channel in reading.channels:
        wanted = at_steps_of(channel, other[channel.meter, channel.name])
        assert dict(zip(channel.start, channel.kwh.tolist(), strict=True)) == pytest.approx(wanted, rel=1e-12)


def test_a_file_without_its_header_is_read_with_a_note(tmp_path: Path) -> None:
    path = PUBLISHED / "nem12" / "others" / "Example_NEM12_missing_header.csv"
    assert read_meter_file(path, SYDNEY).notes[0] == (
        "The file's header (the 100 record) is missing; it is read as NEM12."
    )
    cut = tmp_path / "cut.csv"
    cut.write_text(path.read_text(encoding="utf-8").strip().removesuffix("900"), encoding="utf-8")
    assert read_meter_file(cut, SYDNEY).notes[0] == (
        "The file's header (the 100 record) is missing, and its end record (900) too: it may be cut off; it is read as "
        "NEM12."
    )


def test_accumulated_reads_are_refused_with_what_to_ask_for() -> None:
    (path,) = files_of("nem13")
    with pytest.raises(InputFaults, match=r"\.csv\) line 1: NEM13 holds .* ask the retailer .* interval data"):
        read_meter_file(path, SYDNEY)


def test_a_packed_file_is_the_file(tmp_path: Path) -> None:
    path = PUBLISHED / "nem12" / "others" / "Example_NEM12_month_solar.csv"
    plain = read_meter_file(path, SYDNEY)
    zipped, gzipped = tmp_path / "january.csv", tmp_path / "february.csv.gz"
    with zipfile.ZipFile(zipped, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("__MACOSX/._month.csv", "not a meter's")
        archive.writestr("month/", "")
        archive.writestr("month/month.csv", path.read_bytes())
    gzipped.write_bytes(gzip.compress(path.read_bytes()))
    for packed in (zipped, gzipped):
        reading = read_meter_file(packed, SYDNEY)
        assert [channel.kwh.tolist() for channel in reading.channels] == [
            channel.kwh.tolist() for channel in plain.channels
        ]


def test_two_files_in_one_archive_are_read_together(tmp_path: Path) -> None:
    packed = tmp_path / "both.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("a.csv", "start,import_kwh\n2026-03-01T00:00,1\n2026-03-01T01:00,2\n")
        archive.writestr("b.csv", "start,import_kwh\n2026-03-01T02:00,3\n2026-03-01T03:00,4\n")
    reading = read_meter_file(packed, "Europe/Dublin")
    assert [channel.kwh.tolist() for channel in reading.channels] == [[1.0, 2.0], [3.0, 4.0]]


def test_faults_name_the_file_in_the_archive(tmp_path: Path) -> None:
    packed = tmp_path / "meter.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("march.csv", "start,import_kwh\n2026-03-01T00:00,much\n2026-03-01T01:00,2\n")
    with pytest.raises(InputFaults, match=r"meter\.zip \(march\.csv\) line 2, import_kwh: \"much\" is not a number"):
        read_meter_file(packed, "Europe/Dublin")


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"PK\x03\x04 but no archive", "this archive is damaged"),
        (gzip.compress(b"start,import_kwh\n" * 900, mtime=0)[:-9], "this archive is damaged"),
        (b"PK\x05\x06" + bytes(18), "this archive holds no file"),
    ],
    ids=["no archive", "cut off", "empty"],
)
def test_a_damaged_archive_is_told(tmp_path: Path, content: bytes, told: str) -> None:
    path = tmp_path / "meter.csv"
    path.write_bytes(content)
    with pytest.raises(InputFaults, match=rf"meter\.csv: {told}"):
        read_meter_file(path, SYDNEY)


def test_an_archive_of_too_much_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bomb.gz"
    with gzip.open(path, "wb", compresslevel=1) as file:
        for _ in range(301):
            file.write(bytes(1_000_000))
    with pytest.raises(InputFaults, match="over 300 MB unpacked"):
        read_meter_file(path, SYDNEY)


def test_an_archive_in_an_archive_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "twice.gz"
    path.write_bytes(gzip.compress(gzip.compress(b"start,import_kwh\n")))
    with pytest.raises(InputFaults, match="an archive in an archive"):
        read_meter_file(path, SYDNEY)
