"""Replanning: the rest of the newest plan's horizon from here, what stays, what changed, why, and what it saves."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from scheduler.cli.app import app
from scheduler.nights.parse_request import RequestOptions
from scheduler.plan_output.plan_json import plan_document
from scheduler.plan_output.write_plan import write_plan
from scheduler.plans.replan import WOULD_BREAK, _broken_text, replan_tonight
from scheduler.plans.replay import BrokenConstraint
from scheduler.plans.saved_plan import newest_plan, read_saved_plan
from scheduler.textio.errors import InputFaults
from tests.builders.plans import DEMO, saved_demo_plan

TRIP = ("07:30-18:00 96km",)


@pytest.fixture
def plans(tmp_path: Path) -> Path:
    """A folder of plans with the demo evening's first plan, which a test may change."""
    return saved_demo_plan(tmp_path / "plans").parent


def overnight(*words: str | Path) -> Result:
    """Run the command."""
    return CliRunner().invoke(app, [str(word) for word in words], env={"COLUMNS": "100"})


def document(plans: Path, name: str) -> dict[str, Any]:
    """A saved plan.json."""
    return json.loads((plans / name / "plan.json").read_text(encoding="utf-8"))  # type: ignore[no-any-return]


def test_a_kept_plan_is_read_back_as_it_was(plans: Path) -> None:
    """Blocks, trips, limits and rows of the folder are those of the document."""
    kept, written = read_saved_plan(newest_plan(plans)), document(plans, "2026-03-02T1820")
    assert [block.kw for block in kept.blocks] == [block["kw"] for block in written["blocks"]]
    assert kept.trips[0].return_at.isoformat() == written["trips"][0]["return"]
    assert kept.limits.export_limit_kw == 5.0
    assert kept.rows[0].start == kept.start
    assert kept.rows[-1].end == kept.end


def test_the_rest_of_the_horizon_is_planned_and_the_past_is_kept(plans: Path) -> None:
    """At 20:37 the new plan ends when the old one did, keeps its trip and its past block, and says why it differs."""
    result = overnight("replan", DEMO, "--soc", 50, "--now", "2026-03-02T20:37", "--out", plans)
    assert result.exit_code == 0, result.output
    old, new = document(plans, "2026-03-02T1820"), document(plans, "2026-03-02T2037")
    assert new["end"] == old["end"]
    assert (new["evening"], new["revision"]) == (old["start"], 1)
    assert new["trips"][0]["depart"] == old["trips"][0]["depart"]
    (past,) = new["past_blocks"]
    assert (past["start"], past["end"], past["kw"]) == (old["start"], new["start"], old["blocks"][0]["kw"])
    text = " ".join(result.stdout.split())
    assert "The car is at 50 %; the earlier plan expected 58.6 % by now." in text
    assert "Compared with carrying on with the earlier plan this saves" in text


def test_nothing_new_changes_nothing(plans: Path) -> None:
    """With the state of charge that the plan expected there is nothing to save, and the blocks' hours stay."""
    row = next(row for row in read_saved_plan(newest_plan(plans)).rows if row.start.hour == 22)
    made = replan_tonight(DEMO, RequestOptions(row.soc_start_percent, now="2026-03-02T22:00"), plans)
    assert made.replanned is not None
    assert made.replanned.carrying_on_total == pytest.approx(made.replayed.costs.total, abs=0.02 * 0.345)
    assert not any("expected" in change for change in made.replanned.changes)


def test_a_longer_trip_is_said_and_the_old_plan_would_miss_it(plans: Path) -> None:
    """A trip of twice the length: named as new, the old one as dropped, and why the old plan will not do."""
    options = RequestOptions(48, now="2026-03-02T21:00", trips=("06:30-18:00 196km",))
    replanned = replan_tonight(DEMO, options, plans).replanned
    assert replanned is not None
    assert "No longer planned: trip Tue 07:30 to 18:00, 96 km." in replanned.changes
    assert "New: trip Tue 06:30 to 18:00, 196 km." in replanned.changes
    assert "short of what the trip at Tue 06:30 needs" in replanned.carrying_on


def test_todays_highest_state_of_charge_is_remembered(plans: Path) -> None:
    """What the car gave before the replan deepens the cycle: wear counts from where the evening's plan had it begin."""
    made = replan_tonight(DEMO, RequestOptions(50, now="2026-03-02T20:37"), plans)
    assert made.evening.highest_soc_today_percent == pytest.approx(80.0)
    assert made.evening.highest_soc_today_from == "last-plan"
    assert "By the plan of Mon 18:20 the battery already went from 80 % to 50 %" in made.warnings[0]
    given = replan_tonight(DEMO, RequestOptions(50, now="2026-03-02T20:37", highest_soc_today_percent=90), plans)
    assert given.evening.highest_soc_today_percent == 90


def test_a_second_replan_counts_on(plans: Path) -> None:
    """Each replan is of the newest plan: revisions count up, past blocks gather, and the evening stays the first."""
    for soc, now in ((60, "2026-03-02T19:30"), (48, "2026-03-02T21:30")):
        write_plan(replan_tonight(DEMO, RequestOptions(soc, now=now), plans), plans)
    last = document(plans, "2026-03-02T2130")
    assert last["revision"] == 2
    assert last["replan"]["of"] == "2026-03-02T1930"
    assert last["evening"] == "2026-03-02T18:20:00+02:00"
    assert [block["start"] for block in last["past_blocks"]][:2] == [
        "2026-03-02T18:20:00+02:00",
        "2026-03-02T19:30:00+02:00",
    ]


@pytest.mark.parametrize("now", ["2026-03-04T20:37", "2026-03-03T13:00", "2026-03-02T17:00"])
def test_a_plan_of_another_evening_is_refused(plans: Path, now: str) -> None:
    """Two days on, the next afternoon and before the plan begins: one clear line, exit 2, nothing written."""
    result = overnight("replan", DEMO, "--soc", 64, "--now", now, "--out", plans)
    assert result.exit_code == 2
    assert "the newest plan can be replanned from 2026-03-02 18:20 until 2026-03-03 12:20" in result.stderr
    assert len(list(plans.iterdir())) == 1


def test_without_a_plan_there_is_nothing_to_replan(tmp_path: Path) -> None:
    """An empty or missing folder of plans is one clear line."""
    result = overnight("replan", DEMO, "--soc", 64, "--out", tmp_path / "none")
    assert result.exit_code == 2
    assert "there is no plan here; make one with overnight plan" in result.stderr


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"format": 1', '"format": 2', "written by a newer version: format 2; this version reads 1"),
        ('"format": 1', '"format": "x"', "this is not a plan"),
        ("{", "", "it is not JSON"),
        ('"revision": 0', '"revision": -1', "revision: this plan is damaged: found -1"),
        ('"evening"', '"morning"', "evening: this plan is damaged: missing"),
        ('"end": "2026-03-03T18:20', '"end": "2026-03-03T19:20', "schedule.csv covers another time"),
        ('"start": "2026-03-02T18:20:00+02:00"', '"start": "2026-03-02T18:20:00"', "a time has no offset"),
        ('"action": "charge"', '"action": "dance"', 'found "dance"'),
    ],
)
def test_a_damaged_plan_is_one_clear_fault(plans: Path, old: str, new: str, said: str) -> None:
    """Newer, cut, changed or contradictory: what is wrong is said, and nothing is read from it."""
    file = plans / "2026-03-02T1820" / "plan.json"
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputFaults) as faults:
        read_saved_plan(file.parent)
    assert said in str(faults.value)
    assert len(faults.value.faults) == 1


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda lines: lines[:1], "it has no rows"),
        (lambda lines: [lines[0].replace("setpoint_kw", "setpoint"), *lines[1:]], "a column is missing"),
        (lambda lines: [*lines[:3], lines[3].replace(",discharge,", ",discharge,x"), *lines[4:]], "cannot be read"),
        (lambda lines: [*lines[:3], *lines[4:]], "rows do not follow each other"),
    ],
)
def test_a_damaged_schedule_is_one_clear_fault(plans: Path, spoil: Any, said: str) -> None:
    """Without rows or a column, with text for a number, or with a gap."""
    file = plans / "2026-03-02T1820" / "schedule.csv"
    file.write_text("\n".join(spoil(file.read_text(encoding="utf-8").splitlines())) + "\n", encoding="utf-8")
    with pytest.raises(InputFaults, match=said):
        read_saved_plan(file.parent)


def test_the_document_of_a_replan_says_what_it_replaces(plans: Path) -> None:
    """Changes, causes and the cost of carrying on are in plan.json too."""
    made = replan_tonight(DEMO, RequestOptions(50, now="2026-03-02T20:37"), plans)
    replan = plan_document(made)["replan"]
    assert replan["of"] == "2026-03-02T1820"
    assert replan["changes"]
    assert replan["carrying_on_total"] >= made.replayed.costs.total - 0.02 * 0.345


def test_a_plan_that_would_overcharge_says_so_in_plain_words(plans: Path) -> None:
    """At a much higher state of charge than expected, the earlier blocks exceed the ceiling: by how much, and when."""
    replanned = replan_tonight(DEMO, RequestOptions(67, now="2026-03-02T21:00"), plans).replanned
    assert replanned is not None
    assert replanned.carrying_on_total is None
    assert re.fullmatch(
        r"The earlier plan can no longer be followed: it would charge the car above its ceiling by \d+\.\d kWh from "
        r"(Mon|Tue) \d\d:\d\d\.",
        replanned.carrying_on,
    ), replanned.carrying_on


def test_every_constraint_of_replay_that_a_plan_can_break_has_words() -> None:
    """Each kind has its own words and unit; any other says that the plan no longer fits."""
    late = datetime(2026, 3, 3, 4, 0, tzinfo=UTC)
    for name in WOULD_BREAK:
        text = _broken_text(BrokenConstraint(name, 2.0, late), "Europe/Dublin")
        assert re.fullmatch(r"it would [a-z ]+ by 2\.0 kWh? from Tue 04:00", text), text
    other = _broken_text(BrokenConstraint("both directions at once", 1.0, late), "Europe/Dublin")
    assert other == "it no longer fits the car, the charger and the connection from Tue 04:00"


def test_weather_and_pace_of_the_earlier_plan_stay(plans: Path) -> None:
    """Trips are not typed again, nor is the temperature; a new one counts."""
    words = ("--trip", "07:30-18:00 96km fast", "--outside-degc", -5, "--now", "2026-03-02T18:20", "--out", plans)
    first = overnight("plan", DEMO, "--soc", 71, *words)
    assert first.exit_code == 0, first.output
    overnight("replan", DEMO, "--soc", 60, "--now", "2026-03-02T20:37", "--out", plans)
    overnight("replan", DEMO, "--soc", 60, "--now", "2026-03-02T21:00", "--outside-degc", 5, "--out", plans)
    before, after, warmer = (document(plans, f"2026-03-02T{name}") for name in ("1820", "2037", "2100"))
    assert after["outside_degc"] == before["outside_degc"] == -5
    assert after["trips"][0]["pace"] == "fast"
    assert after["trips"][0]["consumption_factor"] == before["trips"][0]["consumption_factor"]
    assert warmer["trips"][0]["energy_kwh"] < after["trips"][0]["energy_kwh"]


def test_both_ends_of_coming_home_are_saved(plans: Path) -> None:
    """plan.json has the earliest and the latest time; no block needs the car before the latest."""
    words = ("--home-at", "20:30..22:00", "--now", "2026-03-02T18:20", "--out", plans)
    result = overnight("plan", DEMO, "--soc", 71, *words)
    assert result.exit_code == 0, result.output
    written = document(plans, "2026-03-02T1820")
    assert written["home_at"] == {"earliest": "2026-03-02T20:30:00+02:00", "latest": "2026-03-02T22:00:00+02:00"}
    assert min(block["start"] for block in written["blocks"]) >= written["home_at"]["latest"]
    assert "between Mon 20:30 and 22:00" in (plans / "2026-03-02T1820" / "report.html").read_text(encoding="utf-8")
