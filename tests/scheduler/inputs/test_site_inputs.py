"""Every file of a site is read at once, and the faults of all are reported together."""

import os
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.inputs.site_inputs import read_inputs
from tests.builders.sites import OFFER, SERIES_DAYS, SERIES_START, changed, faults_of, write_site


def faults(folder: Path, offer_file: Path | None = None) -> list[str]:
    return [line.removeprefix(f"{folder}/") for line in faults_of(lambda: read_inputs(folder, offer_file))]


def test_a_valid_site_gives_everything_its_files_say(tmp_path: Path) -> None:
    inputs = read_inputs(write_site(tmp_path))
    assert inputs.site.name == "Brook Cottage"
    assert inputs.offer.name == "Evening feed-in"
    assert inputs.load.start[0] == SERIES_START
    assert inputs.load.end == SERIES_START + timedelta(days=SERIES_DAYS)
    assert inputs.solar is not None
    assert inputs.recorded_trips is not None
    assert len(inputs.recorded_trips) == 2
    names = ["site.toml", "offers/evening.toml", "load.csv", "solar.csv", "trips.csv"]
    assert inputs.files == tuple(tmp_path / name for name in names)


def test_a_site_without_solar_and_trips_has_none(tmp_path: Path) -> None:
    removed = ["[solar]\ncan_be_limited = false\n", 'solar = "solar.csv"\n', 'trips = "trips.csv"\n']
    inputs = read_inputs(write_site(tmp_path, site=dict.fromkeys(removed, "")))
    assert inputs.solar is None
    assert inputs.recorded_trips is None
    assert len(inputs.files) == 3


@pytest.mark.parametrize(("scale", "factor"), [("1.5", 1.5), ("0", 0.0)])
def test_the_roof_is_scaled(tmp_path: Path, scale: str, factor: float) -> None:
    """Every value of the solar series times the factor; the metered one is kept beside it."""
    inputs = read_inputs(write_site(tmp_path, {'solar = "solar.csv"': f'solar = "solar.csv"\nsolar_scale = {scale}'}))
    assert inputs.solar is not None
    assert inputs.recorded_solar is not None
    assert inputs.recorded_solar.kw.sum() > 0
    assert inputs.solar.kw.tolist() == (inputs.recorded_solar.kw * factor).tolist()


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('solar = "solar.csv"\nsolar_scale = 101', "data.solar_scale: 101 is over 100; expected 0 to 100"),
        ("solar_scale = 1.5", "data.solar_scale: there is no data.solar to scale; expected it, or no solar_scale"),
    ],
)
def test_a_scale_that_cannot_be(tmp_path: Path, line: str, said: str) -> None:
    site = write_site(tmp_path, {'solar = "solar.csv"': line, "[solar]\ncan_be_limited = false\n": ""})
    assert any(said in fault for fault in faults(site))


def test_another_offer_is_read_from_the_working_directory_or_else_the_site_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site, elsewhere = write_site(tmp_path / "site"), tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    (site / "flat.toml").write_text(changed(OFFER, {"Evening feed-in": "Site's"}))
    inputs = read_inputs(site, Path("flat.toml"))
    assert inputs.offer.name == "Site's"
    assert inputs.site.offer_file == site / "flat.toml"
    assert site / "flat.toml" in inputs.files
    assert site / "offers" / "evening.toml" not in inputs.files
    (elsewhere / "flat.toml").write_text(changed(OFFER, {"Evening feed-in": "Here"}))
    assert read_inputs(site, Path("flat.toml")).offer.name == "Here"


def test_another_offer_that_does_not_exist_is_a_fault_of_the_option(tmp_path: Path) -> None:
    assert faults(write_site(tmp_path), Path("no.toml")) == [
        "--offer: no.toml: there is no such file; expected an offer's file"
    ]


def test_faults_of_all_files_are_reported_at_once(tmp_path: Path) -> None:
    write_site(
        tmp_path,
        site={"floor_percent = 20": "floor_percent = 120", "volts = 230": "volts = 0"},
        offer={'"EUR"': '"euro"'},
        load="start,kw\n2026-03-02T00:00,1\n2026-03-02T01:00+00:00,-1\n",
        solar="start;kw\n",
        trips="depart,return,distance_km\nnow,then,far\n",
    )
    assert [fault.split(":")[0] for fault in faults(tmp_path)] == [
        "site.toml line 14, car.floor_percent",
        "site.toml line 28, charger.volts",
        "offers/evening.toml line 3, currency",
        "load.csv line 2, start",
        "load.csv line 3, kw",
        "solar.csv line 1",
        "trips.csv line 2, depart",
        "trips.csv line 2, return",
        "trips.csv line 2, distance_km",
    ]


def test_a_file_that_a_faulty_site_names_is_still_read(tmp_path: Path) -> None:
    write_site(tmp_path, site={'"load.csv"': '"lod.csv"', "[wear]": "[waer]"}, solar="")
    found = [fault.split(":")[0] for fault in faults(tmp_path)]
    assert found == [
        "site.toml, wear",
        "site.toml line 34, waer",
        "site.toml line 46, data.load",
        "solar.csv",
    ]


def test_an_offer_is_not_blamed_for_a_calendar_that_the_site_misspells(tmp_path: Path) -> None:
    assert len(faults(write_site(tmp_path, site={'"IE"': '"XX"'}))) == 1
    assert "evening.toml line 5" in faults(write_site(tmp_path, site={'holiday_calendar = "IE"\n': ""}))[0]


def test_a_missing_folder_is_one_fault(tmp_path: Path) -> None:
    assert faults(tmp_path / "no") == [f"{tmp_path / 'no'}: there is no such folder"]


@pytest.mark.parametrize("name", ["site.toml", "offers/evening.toml", "load.csv", "solar.csv", "trips.csv"])
@pytest.mark.parametrize(
    "content",
    [b"", b"nonsense " * 1_200_000, os.urandom(10_000), b"\x00" * 100],
    ids=["empty", "10 MB", "bytes", "0"],
)
def test_nonsense_in_one_file_is_one_short_fault(tmp_path: Path, name: str, content: bytes) -> None:
    write_site(tmp_path)
    (tmp_path / name).write_bytes(content)
    found = faults(tmp_path)
    assert len(found) == 1
    assert found[0].startswith(name)
    assert len(found[0]) < 140


@pytest.fixture(scope="module")
def fuzzed_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_site(tmp_path_factory.mktemp("fuzz"))


@given(
    name=st.sampled_from(["site.toml", "offers/evening.toml", "load.csv", "solar.csv", "trips.csv"]),
    content=st.one_of(st.binary(), st.text().map(lambda text: text.encode("utf-8", "surrogatepass"))),
)
@settings(deadline=None, max_examples=50)
def test_random_content_in_any_file_raises_nothing_but_input_faults(
    fuzzed_folder: Path, name: str, content: bytes
) -> None:
    write_site(fuzzed_folder)
    (fuzzed_folder / name).write_bytes(content)
    assert faults(fuzzed_folder)
