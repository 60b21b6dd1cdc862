"""What a plan set by hand says of its settings: their worth apart from the bill, and their hours."""

from __future__ import annotations

import pytest

from scheduler.nights.parse_request import RequestOptions
from scheduler.plan_output.plan_json import plan_document
from scheduler.plans.cost_table import money_table, saving_text
from scheduler.plans.plan import Plan
from scheduler.plans.plan_tonight import plan_tonight
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "veterinary"


@pytest.fixture(scope="module")
def plan() -> Plan:
    return plan_tonight(DEMO, RequestOptions(64, now="2026-02-02T17:40"))


def test_settings_are_a_row_of_their_own_and_every_column_adds_up(plan: Plan) -> None:
    """The plan's settings at the usual worth, 0.2 kWh at the highest price; charging on return needs none."""
    table = money_table(plan)
    (settings,) = (row for row in table.rows if row[0] == "Settings by hand (on no bill)")
    worth = 0.2 * plan.night.highest_price
    assert settings[1] == pytest.approx(worth * len(plan.settings), abs=0.02)
    assert settings[2] == 0
    parts = [row for row in table.rows[:-1] if not str(row[0]).startswith("by any")]
    for column in (1, 2, 3):
        assert sum(float(row[column]) for row in parts) == pytest.approx(float(table.rows[-1][column]), abs=1e-9)


def test_what_setting_by_hand_costs_leaves_out_what_settings_count_for(plan: Plan) -> None:
    """plan.json's total has the settings; `setting_cost` is money really paid more than by the free schedule."""
    document = plan_document(plan)
    for costs in (document["costs"], *(each["costs"] for each in document["alternatives"].values())):
        weighed = costs["cash"] + document["wear_weight"] * costs["wear"] + costs["outside_window"]
        total = weighed + costs["starts"] + costs["settings"] - costs["stored_energy"]
        assert costs["total"] == pytest.approx(total, abs=1e-9)
    assert plan.free_total is not None
    paid = document["costs"]["total"] - document["costs"]["settings"]
    assert document["setting_cost"] == pytest.approx(paid - plan.free_total, abs=1e-9)
    assert f"its {len(plan.settings)} settings count for" in saving_text(plan)


def test_every_setting_lies_in_waking_hours(plan: Plan) -> None:
    """From 06:30 to 23:00, or now; nothing is said of sleep."""
    for made in plan.settings:
        clock = plan.night.boundaries[made.boundary].tz_convert(plan.night.timezone)
        assert made.boundary == 0 or 390 <= 60 * clock.hour + clock.minute <= 1380
    assert not any("asleep" in warning for warning in plan.warnings)
