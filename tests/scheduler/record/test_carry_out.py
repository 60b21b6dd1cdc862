"""A saved plan sets the charger as the plan itself does in a rolled year, and values energy as it did."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from models.site.car import Car
from scheduler.inputs.site_inputs import read_inputs
from scheduler.nights.build_night import build_night
from scheduler.optimizer.block import Block
from scheduler.plans.dispatch import follow_settings, settings_of
from scheduler.plans.plan import Plan
from scheduler.plans.replay import replay
from scheduler.plans.tune_blocks import as_planned
from scheduler.record.carry_out import boundaries_of_saved, saved_stored_energy_value, settings_of_saved
from tests.builders.recorded import quick_plan, saved, shaken
from tests.builders.sites import write_site

KINDS: dict[str, dict[str, str]] = {
    "free": {},
    "covers only": {'discharge_to = "building-and-grid"': 'discharge_to = "building"'},
    "takes the surplus": {"phases = 1": "phases = 1\ncan_follow_surplus = true"},
    "by hand": {"phases = 1": 'phases = 1\nset_by = "blocks"\nmax_blocks = 4\nmin_block_minutes = 60'},
    "stops by itself": {"phases = 1": "phases = 1\ncan_stop_at_percent = true"},
    "ends within an hour": {},
    "a limit": {"on_the_way_price_per_kwh = 0.60": "on_the_way_price_per_kwh = 0.60\ndischarge_limit_kwh = 6"},
}


@pytest.mark.parametrize("kind", list(KINDS))
def test_a_saved_plan_is_followed_as_the_plan_itself(tmp_path: Path, kind: str) -> None:
    """In a night whose intervals are cut finer than the plan's: the same settings, and the same powers from them."""
    changes: Mapping[str, str] = KINDS[kind]
    site = write_site(tmp_path, changes)
    inputs = read_inputs(site)
    plan = quick_plan(site, "2026-03-03T18:10", 52.0)
    if kind == "ends within an hour":
        plan = ended_within_an_hour(plan)
    read = saved(plan)
    happened = shaken(inputs)
    boundaries = boundaries_of_saved([read])
    boundaries |= set(pd.date_range(min(boundaries), max(boundaries), freq="30min"))
    inside = tuple(each.to_pydatetime() for each in sorted(boundaries) if read.start < each < read.end)
    asked = replace(plan.evening, forecast="recorded", until=read.end.astimezone(UTC), boundaries=inside)
    real = build_night(replace(inputs, load=happened.load, solar=happened.solar), asked)[0]
    ours = settings_of_saved(real, read)
    theirs = settings_of(real, plan.night, plan.answer.setpoints, plan.blocks)
    for name in ("charging", "discharging"):
        assert getattr(ours, name).tolist() == getattr(theirs, name).tolist(), name
    for name in set(ours.__slots__) - {"charging", "discharging"}:
        assert getattr(ours, name) == pytest.approx(getattr(theirs, name)), name
    done, other = follow_settings(real, ours), follow_settings(real, theirs)
    assert done.charge_kw == pytest.approx(other.charge_kw)
    assert done.discharge_kw == pytest.approx(other.discharge_kw)
    assert done.discharge_kw.sum() > 0


def ended_within_an_hour(plan: Plan) -> Plan:
    """The plan with a block that charges at full power until 5 kWh more are stored, and one that sells until a stop."""
    night = plan.night
    most = (night.charger.charge_max_kw, night.charger.discharge_max_kw)
    until, stop = (night.car.percent(night.stored_now_kwh + more) for more in (5.0, 1.5))
    charge, sell = (
        Block(at, at + 3, action, kw, night.charger.amps(kw))
        for at, action, kw in (  # type: ignore[arg-type]
            (0, "charge", most[0]),
            (3, "discharge", most[1]),
        )
    )
    blocks = (replace(charge, until_percent=until), replace(sell, stop_percent=stop))
    setpoints, blocks = as_planned(night, blocks)
    answer, done = replace(plan.answer, setpoints=setpoints), replay(night, setpoints)
    return replace(plan, blocks=blocks, reasons=("", ""), answer=answer, replayed=done)


def test_energy_left_is_worth_what_the_plan_said(tmp_path: Path) -> None:
    plan = quick_plan(write_site(tmp_path), "2026-03-03T18:00")
    night, car = plan.night, plan.night.car
    value = saved_stored_energy_value(saved(plan), car)
    assert value is not None
    for kwh in np.linspace(0.0, car.battery_kwh, 27):
        assert value.worth(float(kwh)) == pytest.approx(night.stored_energy.worth(float(kwh)), abs=1e-9)


def test_an_older_plan_values_energy_at_its_one_price(tmp_path: Path) -> None:
    plan = saved(quick_plan(write_site(tmp_path), "2026-03-03T18:00"))
    car = Car(52.0, 20, 80, 16.5, 10, 20, 30, 0.60, 0.1)
    older = plan.model_copy(update={"stored_energy_value": None, "stored_energy_price_per_kwh": 0.2})
    value = saved_stored_energy_value(older, car)
    assert value is not None
    assert value.worth(10.0) == pytest.approx(2.0)
    assert value.worth(52.0) == pytest.approx(car.ceiling_kwh * 0.2)
    assert saved_stored_energy_value(older.model_copy(update={"stored_energy_price_per_kwh": None}), car) is None
