"""`overnight record` as an owner uses it: a screenful, JSON, tables, a meter's files, and one line for each mistake."""

from __future__ import annotations

import csv
import json
from datetime import timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from scheduler.cli.app import app
from scheduler.plans.saved_plan import NOT_RECORDED_FILE
from scheduler.record.database import RECORD_FILE
from scheduler.record.demo import DEMO_FOLDER
from scheduler.record.settled import settled_nights
from scheduler.record.store import opened_record
from tests.builders.places import SCENARIOS
from tests.builders.plans import demo_copy
from tests.builders.recorded import FIRST_DAY, evenings_on_record
from tests.builders.sites import load_kw, solar_kw, write_site

NOW = ("--now", "2026-03-02T18:00", "--forecast", "typical")
MOST_LINES = 35


def overnight(*words: object) -> Result:
    """Run the command on a terminal of 80 letters."""
    return CliRunner().invoke(app, [str(word) for word in words], env={"COLUMNS": "80"})


def meter_text(days: int = 4, factor: float = 1.2, car_kwh: float = 0.0) -> str:
    """A meter's CSV from FIRST_DAY on: what the building drew and the panels made, and what the car drew at night."""
    rows = ["start,import_kwh,export_kwh,generation_kwh"]
    for hour in range(24 * days):
        load, solar = factor * load_kw(hour % 24), solar_kw(hour % 24)
        net = load - solar + (car_kwh if hour % 24 < 3 else 0.0)
        at = FIRST_DAY + timedelta(hours=hour)
        rows.append(f"{at:%Y-%m-%dT%H:%M},{max(net, 0):.4f},{max(-net, 0):.4f},{solar:.4f}")
    return "\n".join([*rows, ""])


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site with three evenings on record, set, and its meter's file."""
    with opened_record(tmp_path) as record:
        evenings_on_record(tmp_path, record)
    (tmp_path / "meter.csv").write_text(meter_text(), encoding="utf-8")
    return tmp_path


def test_a_week_is_settled_from_the_meter_and_laid_beside_its_bill(site: Path) -> None:
    result = overnight("record", site, "--meter", site / "meter.csv")
    assert result.exit_code == 0, result.output
    for words in (
        "Brook Cottage: what came of 3 nights, 3 Mar 2026 to 5 Mar 2026",
        "against charging on return",
        "over the wear laws",
        "departures were short of their target",
        "The bill of 2026-03-04 to 2026-03-05, fees included: with the plans, ",
        "; the meter itself, ",
        "Best and worst night",
        "give --car-meter",
    ):
        assert words in " ".join(result.stdout.split()), words
    assert len(result.stdout.splitlines()) <= MOST_LINES
    again = overnight("record", site, "--json")
    assert json.loads(again.stdout)["settled_now"] == 0


def test_json_adds_up_and_says_what_is_not_settled(site: Path) -> None:
    (site / "meter.csv").write_text(meter_text(2), encoding="utf-8")
    made = json.loads(overnight("record", site, "--meter", site / "meter.csv", "--json").stdout)
    assert [night["begin"] for night in made["nights"]] == ["2026-03-03T18:00:00+00:00"]
    assert [each["why"] for each in made["not_settled"]] == ["the meter's values end before it does"] * 2
    assert made["total"]["earned_on_return"] == pytest.approx(sum(n["earned_on_return"] for n in made["nights"]))
    assert made["months"][0]["name"] == "2026-03"
    assert made["years"][0]["cost"] == made["total"]["cost"]
    assert (made["invented"], made["counted"]) == (False, "set")


def test_the_cars_own_meter_is_taken_off(site: Path) -> None:
    """A meter that counts the car too, and the car's own: as if the car did not draw."""
    (site / "all.csv").write_text(meter_text(car_kwh=5.0), encoding="utf-8")
    rows = meter_text().splitlines()[1:]
    car = ["start,import_kwh"] + [f"{row.split(',')[0]},{5.0 if int(row[11:13]) < 3 else 0.0}" for row in rows]
    (site / "car.csv").write_text("\n".join([*car, ""]), encoding="utf-8")
    alone = json.loads(overnight("record", site, "--meter", site / "meter.csv", "--json").stdout)
    taken_off = overnight("record", site, "--meter", site / "all.csv", "--car-meter", site / "car.csv", "--json")
    made = json.loads(taken_off.stdout)
    assert [n["cost"] for n in made["nights"]] == pytest.approx([n["cost"] for n in alone["nights"]], abs=0.011)
    assert made["bills"][0]["by_meter"] > alone["bills"][0]["by_meter"]


def test_tables_are_written_beside(site: Path, tmp_path: Path) -> None:
    result = overnight("record", site, "--csv", tmp_path / "out")
    assert result.exit_code == 0
    with (tmp_path / "out" / "nights.csv").open(encoding="utf-8", newline="") as file:
        assert len(list(csv.DictReader(file))) == 3
    assert "Written to" in result.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--car-meter", "car.csv"), "--car-meter: given without --meter"),
        (("--meter", "none.csv"), "none.csv: there is no such file"),
        (("--clock", "moon"), ""),
        (("--set-aside",), "this record is not damaged"),
    ],
)
def test_a_mistake_is_one_line(site: Path, words: tuple[str, ...], said: str) -> None:
    if words[0] == "--clock":
        words, said = (*words, "--meter", str(site / "meter.csv")), "expected local or standard"
    result = overnight("record", site, *words)
    assert result.exit_code == 2
    assert said in result.stderr
    assert len(result.stderr.splitlines()) == 1


def test_a_site_without_plans_says_how_to_make_one(tmp_path: Path) -> None:
    result = overnight("record", write_site(tmp_path))
    assert (result.exit_code, result.stdout) == (2, "")
    assert "there is no plan on record; make one with overnight plan" in result.stderr
    assert not (tmp_path / RECORD_FILE).exists()


def test_the_newest_plan_is_marked_as_set(tmp_path: Path) -> None:
    site = write_site(tmp_path)
    assert overnight("plan", site, "--soc", 71, *NOW).exit_code == 0
    first = overnight("record", site)
    assert "No plan is marked as set" in " ".join(first.stdout.split())
    result = overnight("record", site, "--set")
    assert result.exit_code == 0
    assert "marked as set" not in result.stdout
    with opened_record(site) as record:
        assert [night.was_set for night in settled_nights(record)] == [True]


def test_plans_are_kept_unless_made_for_a_study(tmp_path: Path) -> None:
    site = write_site(tmp_path / "home")
    for words in (
        ("--no-record",),
        ("--out", tmp_path / "elsewhere"),
        ("--forecast", "recorded"),
    ):
        assert overnight("plan", site, "--soc", 71, *NOW, *words).exit_code == 0
        assert not (site / RECORD_FILE).exists()
    assert (site / "plans" / "2026-03-02T1800" / NOT_RECORDED_FILE).exists()
    assert not (tmp_path / "elsewhere" / "2026-03-02T1800" / NOT_RECORDED_FILE).exists()
    assert overnight("plan", site, "--soc", 71, *NOW).exit_code == 0
    later = ("--now", "2026-03-02T20:00", "--forecast", "typical")
    assert overnight("replan", site, "--soc", 60, *later).exit_code == 0
    assert overnight("hand-over", site / "plans" / "2026-03-02T1800", "--as", "calendar").exit_code == 0
    with opened_record(site) as record:
        newest, first = record.plans()
        assert (newest.revision, first.revision) == (1, 0)
        assert newest.evening == first.start
        assert first.handed_over_at is not None
        assert newest.handed_over_at is None


def test_a_record_that_cannot_be_written_spoils_no_plan(tmp_path: Path) -> None:
    site = write_site(tmp_path)
    (site / RECORD_FILE).write_bytes(b"not a database" * 100)
    result = overnight("plan", site, "--soc", 71, *NOW)
    assert result.exit_code == 0
    (line,) = result.stderr.splitlines()
    assert line.startswith("Not in the site's record: ")
    assert "this record is damaged" in line
    assert (site / "plans" / "2026-03-02T1800" / "report.html").is_file()


def test_a_damaged_record_says_how_to_go_on(tmp_path: Path) -> None:
    site = write_site(tmp_path)
    (site / RECORD_FILE).write_bytes(b"not a database" * 100)
    result = overnight("record", site)
    assert result.exit_code == 2
    assert "this record is damaged" in result.stderr
    assert "--set-aside" in result.stderr


def test_the_demo_shows_its_invented_evenings_and_keeps_them_out_of_the_owners_record(tmp_path: Path) -> None:
    site = demo_copy(tmp_path / "site")
    result = overnight("record", site)
    assert result.exit_code == 0, result.output
    said = " ".join(result.stdout.split())
    assert "what came of 60 nights" in said
    assert "These are invented evenings that come with the demo, not yours." in said
    assert "The hardware pays for itself" in said
    assert len(result.stdout.splitlines()) <= MOST_LINES
    assert not (site / RECORD_FILE).exists()
    evening = ("--soc", 71, "--now", "2025-11-20T18:00", "--forecast", "typical", "--stay-home")
    assert overnight("plan", site, *evening).exit_code == 0
    shown = " ".join(overnight("record", site).stdout.split())
    assert "This site's own record holds 1 plan; a meter's files that cover it (--meter) settle a night." in shown
    own = " ".join(overnight("record", site, "--meter", site / "meter.csv").stdout.split())
    assert "what came of 1 night, 20 Nov 2025" in own
    assert "invented" not in own
    assert "invented" not in overnight("record", site).stdout
    with opened_record(site) as record:
        assert len(settled_nights(record)) == 1
    (site / "site.toml").unlink()
    assert overnight("record", site).exit_code == 2


def test_the_committed_demo_is_whole() -> None:
    made = json.loads(overnight("record", SCENARIOS / "bookbindery", "--json").stdout)
    assert made["invented"] is True
    assert len(made["nights"]) == 60
    assert made["total"]["nights"] == 56
    assert (SCENARIOS / "bookbindery" / DEMO_FOLDER / "plans.csv").is_file()
