"""Replanning under an offer with tiers and a demand charge: what was counted before the replan still counts."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from scheduler.nights.parse_request import RequestOptions
from scheduler.plan_output.ocpp_file import ocpp21_document
from scheduler.plan_output.write_plan import write_plan
from scheduler.plans.plan_tonight import plan_tonight
from scheduler.plans.replan import replan_tonight
from scheduler.plans.saved_plan import newest_plan, read_saved_plan
from tests.builders.sites import write_site

PREMIUM = """\
[[export]]
price_per_kwh = 0.05

[[export]]
price_per_kwh = 0.60
first_kwh_per_day = 20
from = "18:00"
to = "23:00"

[demand_charge]
price_per_kw_month = 5.0
interval_minutes = 60
"""
OLD = """\
[[export]]
price_per_kwh = 0.05

[[export]]
price_per_kwh = 0.45
from = "18:00"
to = "21:00"
"""


def options(now: str, soc: float, **so_far: float) -> RequestOptions:
    return RequestOptions(soc, now=f"2026-03-02T{now}", stay_home=True, forecast="typical", **so_far)  # type: ignore[arg-type]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    return write_site(tmp_path / "home", offer={OLD: PREMIUM})


def test_what_was_sent_and_drawn_since_goes_on(site: Path, tmp_path: Path) -> None:
    """Told 3 kWh and 4 kW at 18:00, the plan sends into the premium; at 20:00 a replan counts what it sent since."""
    plan = plan_tonight(site, options("18:00", 75, exported_so_far_kwh=3.0, peak_so_far_kw=4.0))
    write_plan(plan, tmp_path / "plans")
    assert plan.night.tiers[0].left_kwh == pytest.approx(17.0)
    sent = sum(plan.night.hours[at] * plan.replayed.export_kw[at] for at in range(2))
    assert sent > 5
    again = replan_tonight(site, options("20:00", 55), tmp_path / "plans")
    assert again.night.tiers[0].left_kwh == pytest.approx(17.0 - sent, abs=1e-6)
    assert again.night.demand[0].so_far_kw == pytest.approx(4.0)
    assert not any("so-far" in warning for warning in again.warnings)


def test_what_the_request_says_itself_stays(site: Path, tmp_path: Path) -> None:
    """A figure given with the replan counts, whatever the earlier plan was told."""
    write_plan(
        plan_tonight(site, options("18:00", 75, exported_so_far_kwh=3.0, peak_so_far_kw=4.0)), tmp_path / "plans"
    )
    again = replan_tonight(site, options("20:00", 55, exported_so_far_kwh=11.0, peak_so_far_kw=6.0), tmp_path / "plans")
    assert again.night.tiers[0].left_kwh == pytest.approx(9.0)
    assert again.night.demand[0].so_far_kw == pytest.approx(6.0)


def test_what_nobody_knew_is_still_not_known(site: Path, tmp_path: Path) -> None:
    """Without a figure at either time the replan says again what it assumes."""
    write_plan(plan_tonight(site, options("18:30", 75)), tmp_path / "plans")
    again = replan_tonight(site, options("20:00", 55), tmp_path / "plans")
    assert sum("so-far if you know it" in warning for warning in again.warnings) == 2


def test_a_charging_profile_keeps_the_export_limit_of_its_hour(tmp_path: Path) -> None:
    """From 20:00 to 22:00 only 1 kW may be sent: no period of those hours allows more than that beyond the draw."""
    window = (
        'export_limit_kw = 5.0\n\n[[connection.export_window]]\nexport_limit_kw = 1\nfrom = "20:00"\nto = "22:00"\n'
    )
    site = write_site(tmp_path / "home", site={"export_limit_kw = 5.0\n": window}, offer={OLD: PREMIUM})
    write_plan(plan_tonight(site, options("18:00", 75, exported_so_far_kwh=0, peak_so_far_kw=4)), tmp_path / "plans")
    saved = read_saved_plan(newest_plan(tmp_path / "plans"))
    assert saved.limits.export_limits_kw is not None
    assert saved.limits.export_limits_kw[:5] == [5.0, 5.0, 1.0, 1.0, 5.0]
    schedule = json.loads(json.dumps(ocpp21_document(saved)))["chargingProfile"]["chargingSchedule"][0]
    periods = {period["startPeriod"] // 3600: period for period in schedule["chargingSchedulePeriod"]}
    draw_w = 1600  # sites.py, 17:00 to 22:00
    assert periods[0]["dischargeLimit"] < -(draw_w + 1000) - 1
    for hour in (2, 3):
        if "dischargeLimit" in periods.get(hour, {}):
            assert periods[hour]["dischargeLimit"] >= -(draw_w + 1000) - 1
    assert any("dischargeLimit" in periods.get(hour, {}) for hour in (2, 3))
