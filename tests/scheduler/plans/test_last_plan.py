"""What the last plan says about the running cycle: where it would be by now, and when it has no say."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from models.wear.segments import final_fill_kwh
from scheduler.cli.app import app
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.parse_request import RequestOptions
from scheduler.nights.request import Request
from scheduler.plan_output.page import report_text
from scheduler.plan_output.plan_json import plan_document
from scheduler.plans.last_plan import last_plan, with_cycle_of_last_plan
from scheduler.plans.plan_tonight import plan_tonight
from scheduler.plans.replay import battery_flows_kwh
from scheduler.plans.saved_plan import SavedPlan, read_saved_plan
from scheduler.render.table import NO_BREAK
from tests.builders.plans import DEMO, demo_inputs, demo_plan, saved_demo_plan

SITE = "Kuutarpi bookbindery"
BEGAN = datetime(2026, 3, 2, 16, 20, tzinfo=UTC)


@pytest.fixture(scope="module")
def plans(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of plans with the plan of the evening before."""
    return saved_demo_plan(tmp_path_factory.mktemp("site") / "plans").parent


@pytest.fixture(scope="module")
def saved(plans: Path) -> SavedPlan:
    return read_saved_plan(plans / "2026-03-02T1820")


def asked(soc: float, later: timedelta, **fields: object) -> Request:
    return replace(Request(BEGAN + later, soc, forecast="typical"), **fields)  # type: ignore[arg-type]


def night_of(request: Request) -> Night:
    return build_night(demo_inputs(), request)[0]


def soc_at(saved: SavedPlan, later: timedelta) -> float:
    """The planned state of charge at the end of the row that is over by then [%]."""
    return [row.soc_end_percent for row in saved.rows if row.end <= BEGAN + later][-1]


def test_a_followed_plan_leaves_its_own_segments(saved: SavedPlan) -> None:
    """Just past its end, at the planned state of charge: the segments are those that the plan's flows leave."""
    made = demo_plan()
    into, out = battery_flows_kwh(made.night, made.answer.setpoints, made.replayed.on_the_way_kwh)
    expected = final_fill_kwh(made.night.wear, made.night.initial_fill_kwh, into, out)
    request = with_cycle_of_last_plan(asked(saved.rows[-1].soc_end_percent, timedelta(hours=24, minutes=1)), saved)
    np.testing.assert_allclose(night_of(request).initial_fill_kwh, expected, atol=1e-6)
    assert request.highest_soc_today_from == "last-plan"


def test_charged_to_the_ceiling_and_driven_is_a_cycle_from_the_ceiling(saved: SavedPlan) -> None:
    """At 18:10 the plan has charged to 80 % and the trip is over: the same segments as with 80 % typed."""
    later = timedelta(hours=23, minutes=50)
    soc = soc_at(saved, later) - 4  # driven a little more than planned
    request = with_cycle_of_last_plan(asked(soc, later), saved)
    assert request.highest_soc_today_percent == pytest.approx(80, abs=1e-3)
    given = night_of(asked(soc, later, highest_soc_today_percent=80.0, highest_soc_today_from="given"))
    np.testing.assert_allclose(night_of(request).initial_fill_kwh, given.initial_fill_kwh, atol=1e-3)


def test_a_discharge_of_the_same_evening_counts(saved: SavedPlan) -> None:
    """At 21:00 the plan has given from 71 %, and the day had begun at the ceiling."""
    later = timedelta(hours=2, minutes=40)
    request = with_cycle_of_last_plan(asked(soc_at(saved, later), later), saved)
    assert request.highest_soc_today_percent == pytest.approx(80)
    assert request.soc_so_far_percent == pytest.approx((80,))


def test_a_battery_that_was_just_charged_has_no_cycle_begun(saved: SavedPlan) -> None:
    """At 06:10, full to the ceiling: the cheapest segments are full."""
    later = timedelta(hours=11, minutes=50)
    request = with_cycle_of_last_plan(asked(soc_at(saved, later), later), saved)
    assert request.highest_soc_today_percent == pytest.approx(request.soc_percent)
    segments = night_of(request)
    assert segments.initial_fill_kwh[0] == pytest.approx(segments.wear.size_kwh[0], abs=1e-6)


def test_another_state_of_charge_means_that_it_was_not_followed(saved: SavedPlan) -> None:
    """20 % less than planned: the highest since then, without the cycles that the plan would have made."""
    later = timedelta(hours=2, minutes=40)
    request = with_cycle_of_last_plan(asked(soc_at(saved, later) - 20, later), saved)
    assert (request.highest_soc_today_percent, request.soc_so_far_percent) == (pytest.approx(80), ())


def test_what_is_given_stays(saved: SavedPlan) -> None:
    """A highest state of charge that the owner types is not the plan's to change."""
    request = asked(60, timedelta(hours=1), highest_soc_today_percent=75.0, highest_soc_today_from="given")
    assert with_cycle_of_last_plan(request, saved) == request


def test_only_a_recent_plan_of_the_site_that_began_before_now_counts(plans: Path) -> None:
    """The plan of this very moment is made anew, a plan of two days ago says nothing, nor one of another site."""
    assert last_plan(plans, SITE, BEGAN + timedelta(hours=24)) is not None
    assert last_plan(plans, SITE, BEGAN) is None
    assert last_plan(plans, SITE, BEGAN + timedelta(hours=37)) is None
    assert last_plan(plans, "Brook Cottage", BEGAN + timedelta(hours=24)) is None
    assert last_plan(plans / "none", SITE, BEGAN) is None


def test_a_damaged_plan_is_passed_over(tmp_path: Path) -> None:
    """It stops `replan`, but not a new plan."""
    folder = saved_demo_plan(tmp_path / "plans")
    (folder / "schedule.csv").write_text("nothing", encoding="utf-8")
    assert last_plan(tmp_path / "plans", SITE, BEGAN + timedelta(hours=24)) is None


def test_the_command_says_which_was_used(tmp_path: Path) -> None:
    """The evening after: in plan.json, on the terminal and on the page."""
    saved_demo_plan(tmp_path)
    words = ["plan", str(DEMO), "--soc", "50", "--now", "2026-03-03T18:25", "--stay-home", "--out", str(tmp_path)]
    result = CliRunner().invoke(app, words, env={"COLUMNS": "100"})
    assert result.exit_code == 0, result.output
    document = json.loads((tmp_path / "2026-03-03T1825" / "plan.json").read_text(encoding="utf-8"))
    assert document["highest_soc_today_from"] == "last-plan"
    assert document["highest_soc_today_percent"] == pytest.approx(80, abs=0.01)
    said = "By the plan of Mon 18:20 the battery already went from 80 % to 50 %"
    assert said in document["warnings"][0]
    assert said in " ".join(result.stdout.split())
    page = (tmp_path / "2026-03-03T1825" / "report.html").read_text(encoding="utf-8")
    assert "highest today 80 % (by the plan of Mon 18:20)" in page.replace(NO_BREAK, " ")


def test_without_a_plan_the_first_evening_begins_at_the_ceiling() -> None:
    """The README's evening: 71 % of a ceiling of 80 %. 11.6 kWh are discharged, as with --highest-soc-today 80."""
    made, given = demo_plan(), plan_tonight(DEMO, replace(OPTIONS, highest_soc_today_percent=80))
    document = plan_document(made)
    assert (document["highest_soc_today_percent"], document["highest_soc_today_from"]) == (80, "ceiling")
    assert plan_document(given)["highest_soc_today_from"] == "given"
    assert made.replayed.costs.wear == pytest.approx(given.replayed.costs.wear, abs=1e-6)
    np.testing.assert_allclose(made.answer.setpoints.discharge_kw, given.answer.setpoints.discharge_kw, atol=1e-6)
    assert "highest today 80 % (the ceiling, assumed)" in report_text(made).replace(NO_BREAK, " ")


OPTIONS = RequestOptions(71, now="2026-03-02T18:20", trips=("07:30-18:00 96km",))
