"""`overnight wear` from a trace, a plan and a metered table; figures are invented, the arithmetic is beside each."""

from __future__ import annotations

import json
import re
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from models.wear.laws import WEAR_LAWS
from scheduler.cli.app import app
from scheduler.diagnostics.trace_file import METERED_COLUMNS
from scheduler.render.palette import series_number
from tests.builders.sites import write_site

TRACE = """\
start,soc_percent,temp_degc
2026-03-02T18:00+00:00,80,25
2026-03-02T22:00+00:00,30,25
2026-03-03T06:00+00:00,80,25
"""


def wear(*words: str | Path | float) -> Result:
    return CliRunner().invoke(app, ["wear", *(str(word) for word in words)], env={"COLUMNS": "100"})


def document(*words: str | Path | float) -> dict[str, Any]:
    result = wear(*words, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


@pytest.fixture
def trace(tmp_path: Path) -> Path:
    """One closed cycle of half the battery."""
    file = tmp_path / "trace.csv"
    file.write_text(TRACE, encoding="utf-8")
    return file


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A valid site folder: a battery of 52 kWh at 6800 EUR."""
    return write_site(tmp_path / "home")


@pytest.fixture
def plan(site: Path) -> Path:
    """The folder of a plan of that site, on an evening whose highest state of charge was over the present one."""
    words = ["plan", site, "--soc", 60, "--highest-soc-today", 75, "--now", "2026-03-02T18:20", "--trip"]
    result = CliRunner().invoke(app, [*(str(word) for word in words), "07:30-18:00 96km"])
    assert result.exit_code == 0, result.output
    (folder,) = (site / "plans").iterdir()
    return folder


def test_one_cycle_of_half_the_battery(trace: Path) -> None:
    """Each law's figures by hand for one full cycle of 50 %, at 25 degrees and a mean of 55 %."""
    found = document(trace, "--battery-price", 6000)
    assert found["equivalent_full_cycles"] == pytest.approx(0.5)
    assert found["cycles"] == 1
    assert list(found["laws"]) == list(WEAR_LAWS)
    laws = found["laws"]
    assert laws["flat"]["cost"] == pytest.approx(6000 * 0.5 / 1600)
    assert laws["depth"]["life_used_percent"] == pytest.approx(100 * 5.24e-4 * 0.5**2.03)
    assert laws["depth"]["cost"] == pytest.approx(6000 * 5.24e-4 * 0.5**2.03)
    cycle = 1.331077e-5 * 2.718281828 ** (1.04 * 0.05) / 0.1639242
    assert laws["stress"]["life_used_by_cycles_percent"] == pytest.approx(100 * cycle, rel=1e-5)
    assert laws["depth"]["capacity_lost_percent"] is None
    for name in ("stress", "nmc"):
        law = laws[name]
        both = law["life_used_by_cycles_percent"] + law["life_used_by_calendar_percent"]
        assert both == pytest.approx(law["life_used_percent"], rel=1e-12)
        assert 0 < law["capacity_lost_percent"] < law["life_used_percent"]
    depths = {row["to_percent"]: row["cycles"] for row in found["depths"] if row["cycles"]}
    assert depths == {60.0: 1.0}


def test_a_site_gives_battery_law_and_currency(trace: Path, site: Path) -> None:
    """Cost is told at the site's battery price in its offer's currency, unless another price is given."""
    found = document(trace, "--site", site)
    assert (found["battery_price"], found["currency"]) == (6800, "EUR")
    assert found["laws"]["flat"]["cost"] == pytest.approx(6800 * 0.5 / 1600)
    assert document(trace, "--site", site, "--battery-price", 5000)["battery_price"] == 5000


def test_without_a_price_no_cost_is_told(trace: Path) -> None:
    """Life is told without the battery's price, money is not, and the reader learns how to get it."""
    found = document(trace)
    assert all(law["cost"] is None for law in found["laws"].values())
    assert any("--battery-price" in note for note in found["notes"])


def test_age_and_temperature_matter(tmp_path: Path, trace: Path) -> None:
    """An older battery loses less by "nmc"; a warmer one more by "stress"; a trace's own temperature goes first."""
    cool = tmp_path / "cool.csv"
    cool.write_text("\n".join(line.removesuffix(",25").removesuffix(",temp_degc") for line in TRACE.splitlines()))
    young, old = (document(trace, "--age-years", age)["laws"]["nmc"]["life_used_percent"] for age in (1, 8))
    assert old < young
    colder, warmer = (document(cool, "--temp-degc", degc)["laws"]["stress"]["life_used_percent"] for degc in (15, 35))
    assert colder < document(cool)["laws"]["stress"]["life_used_percent"] < warmer
    assert document(trace, "--temp-degc", 40)["laws"] == document(trace)["laws"]


def test_a_plan_beside_its_count(site: Path, plan: Path) -> None:
    """What the plan charged is plan.json's own wear, and the parts from the counted wear to it add up."""
    found = document(plan, "--site", site)["plan"]
    costs = json.loads((plan / "plan.json").read_text(encoding="utf-8"))["costs"]
    assert found["wear_of_plan"] == pytest.approx(costs["wear"])
    assert found["counted_wear"] + sum(found["difference"].values()) == pytest.approx(costs["wear"])
    assert found["difference"]["before"] > 0
    assert found["difference"]["conditions"] == pytest.approx(0, abs=1e-12)
    assert document(plan, "--site", site)["laws"]["depth"]["cost"] == pytest.approx(found["counted_wear"])


def test_a_plan_in_its_sites_folder_knows_the_site(plan: Path) -> None:
    """Where the plan lies in SITE/plans, that site is taken and said."""
    found = document(plan)
    assert found["plan"] is not None
    assert any("the one that the plan lies in" in note for note in found["notes"])


def test_a_night_with_a_clock_change(tmp_path: Path) -> None:
    """In the night of 29 March 2026 Dublin's offset changes; 24 hours of a plan are 24 hours of trace."""
    site = write_site(tmp_path / "spring")
    words = ["plan", str(site), "--soc", "60", "--now", "2026-03-28T18:20", "--stay-home"]
    assert CliRunner().invoke(app, words).exit_code == 0
    (folder,) = (site / "plans").iterdir()
    found = document(folder)
    assert found["hours"] == pytest.approx(24)
    assert (found["start"][-6:], found["end"][-6:]) == ("+00:00", "+01:00")


def test_a_plan_elsewhere_is_counted_alone(tmp_path: Path, plan: Path) -> None:
    """Without a site the plan's trace is counted, and the comparison is left out with a word on why."""
    moved = plan.rename(tmp_path / "moved")
    found = document(moved)
    assert found["plan"] is None
    assert any("--site" in note for note in found["notes"])


def test_a_metered_table(tmp_path: Path, site: Path) -> None:
    """Stored energy of 39, 13 and 39 kWh in 52 is one closed cycle of half the battery."""
    rows = [f"2026-03-02T{18 + at}:00+00:00,1,0,0,0,0,0,0,0,{kwh}" for at, kwh in enumerate((39, 13, 39))]
    file = tmp_path / "metered.csv"
    file.write_text("\n".join([",".join(METERED_COLUMNS), *rows, ""]), encoding="utf-8")
    for options in (("--site", site), ("--battery-kwh", 52)):
        found = document(file, *options)
        assert found["equivalent_full_cycles"] == pytest.approx(0.5)
        assert found["start"].startswith("2026-03-02T19:00:00")


def test_capacity_is_told_as_on_the_page_of_a_sweep(plan: Path, site: Path) -> None:
    """Life used times the 20 % that is lost when a life ends; a law's own equation stands in a sentence."""
    shown = " ".join(wear(plan, "--site", site).stdout.split())
    laws = document(plan, "--site", site)["laws"]
    for name in WEAR_LAWS:
        row = re.search(rf" {name} ((?:[\d.–]+ ){{4}})", shown)
        assert row is not None
        total, lost = (float(each) for each in row[1].split()[2:])
        assert total == pytest.approx(laws[name]["life_used_percent"], abs=0.00051)
        assert lost == pytest.approx(0.2 * laws[name]["life_used_percent"], abs=0.00051)
    own = [laws[name]["capacity_lost_percent"] for name in ("stress", "nmc")]
    said = re.search(r"By a law's own equation a battery of this age loses (.*?) of its capacity\.", shown)
    assert said is not None
    assert [float(each) for each in re.findall(r"[\d.]+", said[1])] == pytest.approx(own, abs=0.00051)


def test_screen_and_page_tell_the_same(tmp_path: Path, site: Path, plan: Path) -> None:
    """Laws with their range, depths, the plan's wear and its reasons are on both; the page needs no network."""
    result = wear(plan, "--site", site, "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    page = (tmp_path / "out" / "wear.html").read_text(encoding="utf-8")
    on_screen = " ".join(result.stdout.split())
    for words in ("Wear ranges over the laws", "leave out calendar ageing", "What the plan charged for wear"):
        assert words in on_screen
        assert words.replace('"', "&#34;") in page
    for name in WEAR_LAWS:
        assert name in result.stdout
    assert page.count("<svg") == 3
    drawing = page[page.index('aria-labelledby="trace-title') :]
    assert drawing.count('<polyline class="trip"') == 1
    assert drawing.count('<polyline class="soc"') == 2
    assert all(f'series{series_number(name)}"' in page for name in WEAR_LAWS)
    assert "http" not in page.replace("http-equiv", "")
    kept = json.loads((tmp_path / "out" / "wear.json").read_text(encoding="utf-8"))
    assert kept == document(plan, "--site", site)


def test_shallow_noise_is_told(tmp_path: Path) -> None:
    """A trace that only flickers by half a percent is told to be perhaps a meter's noise."""
    rows = [f"2026-03-{day:02}T{hour:02}:00+00:00,{50 + hour % 2 / 2}" for day in range(1, 4) for hour in range(24)]
    file = tmp_path / "flicker.csv"
    file.write_text("\n".join(["start,soc_percent", *rows, ""]), encoding="utf-8")
    assert any("noise of the meter" in note for note in document(file)["notes"])


def test_values_outside_a_laws_range_warn(trace: Path) -> None:
    """At 25 degrees "nmc", measured at 35 to 50, warns; "flat" has no range."""
    laws = document(trace)["laws"]
    assert any("35 to 50 °C" in warning for warning in laws["nmc"]["warnings"])
    assert laws["flat"]["warnings"] == []


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--battery-kwh", -1), "--battery-kwh: -1 is under 1; expected 1 to 2000 kWh"),
        (("--battery-price", "nan"), "--battery-price: nan is not finite; expected 0 to 100000000000"),
        (("--age-years", 90), "--age-years: 90 is over 40; expected 0 to 40 years"),
        (("--temp-degc", 298.15), "--temp-degc: 298.15 is over 100, perhaps kelvin; expected -60 to 100 °C"),
        (("--temp-degc", "inf"), "--temp-degc: inf is not finite; expected -60 to 100 °C"),
        (("--site", "nowhere"), "nowhere"),
    ],
)
def test_bad_options_are_one_clear_line(trace: Path, options: tuple[str, Any], said: str) -> None:
    """The option, what was found and what is allowed; exit 2 and nothing on standard output."""
    result = wear(trace, *options)
    assert result.exit_code == 2
    assert said in result.stderr
    assert "Traceback" not in result.stderr
    assert result.stdout == ""


def test_bad_traces_leave_nothing_written(tmp_path: Path) -> None:
    """A fault in the trace exits with 2, and the folder for the page is not made."""
    file = tmp_path / "trace.csv"
    file.write_text("start,soc_percent\n2026-03-02T18:00Z,80\n2026-03-02T19:00Z,180\n", encoding="utf-8")
    result = wear(file, "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert result.stderr.strip() == f'{file} line 3, soc_percent: "180" is over 100; expected 0 to 100 %'
    assert not (tmp_path / "out").exists()


def test_a_folder_that_is_no_plan(tmp_path: Path) -> None:
    """A folder without a plan is told as such."""
    result = wear(tmp_path)
    assert result.exit_code == 2
    assert "plan.json" in result.stderr


@pytest.mark.parametrize("days", [1, 10, 40, 400, 4000])
def test_the_time_axis_fits_every_length(tmp_path: Path, days: int) -> None:
    """Traces from a day to years have a page whose time axis is marked."""
    first = date(2014, 3, 1).toordinal()
    rows = [f"{date.fromordinal(first + day)}T18:00Z,{40 + 40 * (day % 2)}" for day in range(days + 1)]
    file = tmp_path / "trace.csv"
    file.write_text("\n".join(["start,soc_percent", *rows, ""]), encoding="utf-8")
    assert wear(file, "--out", tmp_path).exit_code == 0
    page = (tmp_path / "wear.html").read_text(encoding="utf-8")
    drawing = page[page.index('aria-labelledby="trace-title') :]
    assert 2 <= drawing.count('text-anchor="middle"') <= 9
