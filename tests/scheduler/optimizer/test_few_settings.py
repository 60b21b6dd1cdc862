"""Evenings on which a plan set by hand once asked too much of a person: what it says now.

Each is worked out by hand beside the test. The house draws 0.3 kW; the car of 40 kWh is set in whole amps at 230 V,
or in blocks of one power, on a charger without losses.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from models.site.charger import DischargeTo
from scheduler.inputs.control_mode import WAKING_HOURS, SetBy, Setting
from scheduler.nights.night import Night
from scheduler.optimizer.block import Block
from scheduler.optimizer.solve import solve
from scheduler.plans.plan import night_settings_text
from scheduler.plans.replay import PlanRefused, verify
from tests.builders.nights import Drive, flat_night, plain_car, plain_charger

EVENING = datetime(2026, 3, 2, 17, tzinfo=UTC)
"""17:00 in Dublin."""


def evening(
    set_by: SetBy,
    worth: float,
    *,
    soc_percent: float = 40.0,
    trips: Sequence[Drive] = (),
    import_price: Sequence[float] = (0.30,) * 5 + (0.12,) * 9 + (0.30,) * 6,
    load_kw: float | Sequence[float] = 0.3,
    discharge_to: DischargeTo = "building-and-grid",
    stored_energy_price: float = 0.10,
) -> Night:
    """Twenty hours from 17:00, by default cheap from 22:00 to 07:00."""
    night = flat_night(
        20,
        start=EVENING,
        soc_percent=soc_percent,
        load_kw=load_kw,
        import_price=import_price,
        export_price=0.0,
        stored_energy_price=stored_energy_price,
        car=plain_car(battery_kwh=40.0, trip_margin_percent=0),
        charger=plain_charger(
            charge_min_kw=1.38,
            charge_max_kw=7.36,
            discharge_min_kw=0.2,
            discharge_max_kw=7.36,
            charge_efficiency_percent=100,
            discharge_efficiency_percent=100,
            fixed_loss_kw=0.0,
            start_worth_kwh=0.0,
            discharge_to=discharge_to,
        ),
        trips=trips,
    )
    return replace(night, setting=Setting(set_by, 4, 60, worth=worth, between=WAKING_HOURS))


def blocks_of(night: Night) -> list[tuple[int, int, Block]]:
    """Begin and end [local hour] and each block of the plan, which replay confirms."""
    answer = solve(night)
    verify(night, answer)
    hour = night.boundaries.tz_convert(night.timezone).hour
    return [(int(hour[block.first]), int(hour[block.last]), block) for block in answer.blocks or ()]


def test_nobody_gets_up_at_four_for_what_costs_the_same_at_ten() -> None:
    """Charging costs 0.12 from 22:00 to 07:00 and the drive departs at 08:00: of all begins, those until 23:00 need
    nobody at night, and of those 22:00 has the car ready soonest. Without the hours, and with a timer, so it is too."""
    night = evening("current", 0.05, trips=[Drive(depart=15, comeback=18, distance_km=110)])
    night = replace(night, charger=replace(night.charger, discharge_min_kw=7.0))
    for setting in (night.setting, replace(night.setting, between=None), replace(night.setting, timer=True)):
        ((begin, _, block),) = blocks_of(replace(night, setting=setting))
        assert begin == 22
        assert block.action == "charge"


def test_a_car_that_comes_home_late_is_charged_at_once() -> None:
    """Home at midnight with 20 %, the drive of 08:00 needs more: whoever drives sets it then, and nobody gets up."""
    night = evening("current", 0.05, soc_percent=20.0, trips=[Drive(depart=15, comeback=18, distance_km=110)])
    night = replace(night, at_home=night.at_home & (np.arange(20) >= 7))
    assert blocks_of(night)[0][0] == 0
    assert solve(night).settings_at_night == 0


def test_the_night_is_allowed_where_a_departure_needs_it_and_said() -> None:
    """The house takes all that the grid may give until midnight: the car can be charged then alone."""
    night = evening("current", 0.05, soc_percent=20.0, trips=[Drive(depart=15, comeback=18, distance_km=110)])
    night = replace(night, load_kw=np.where(np.arange(20) < 7, night.connection.import_limit_kw, 0.3))
    night = replace(night, charger=replace(night.charger, discharge_min_kw=7.0))
    answer = solve(night)
    replayed = verify(night, answer)
    assert (answer.served_at_night, answer.settings_at_night) == ((0,), 1)
    (said,) = night_settings_text(night, answer, replayed)
    assert said.startswith("Set at an hour when you may be asleep (settings_between is 06:30 to 23:00): Tue 0")
    assert "(charge at" in said
    assert said.endswith("Without that the trip Tue 08:00, 110 km would leave with less.")
    awake = replace(answer, served_at_night=())
    with pytest.raises(PlanRefused, match="outside the hours in which a person makes them"):
        verify(night, awake)
    timer = replace(night, setting=replace(night.setting, timer=True))
    assert night_settings_text(timer, solve(timer), replayed) == []


@pytest.mark.parametrize(("worth", "count"), [(0.0, 2), (0.05, 1)])
def test_a_short_block_before_covering_is_not_set(worth: float, count: int) -> None:
    """1.7 kW for an hour, then covering the building, gains a little over covering all along: 1.4 kWh more are exported
    at 0.33, a kWh kept is worth 0.30, and its wear is 0.02. A setting that counts 0.05 is not worth these 0.014."""
    night = evening("blocks", worth, soc_percent=80.0, load_kw=0.3, stored_energy_price=0.30)
    export = np.full(20, 0.0)
    export[0] = 0.33
    night = replace(night, export_price=export, import_price=np.where(np.arange(20) < 5, 0.40, 0.30))
    night = replace(night, connection=replace(night.connection, export_limit_kw=1.4))
    found = blocks_of(night)
    assert len([block for _, _, block in found if block.action == "discharge"]) == count


@pytest.mark.parametrize(("worth", "count"), [(0.0, 1), (0.05, 0)])
def test_an_hour_worth_less_than_two_settings_is_not_set(worth: float, count: int) -> None:
    """One hour of import costs 0.082 where a kept kWh is worth 0.10: 1.38 kWh gain 0.025, less than two settings."""
    price = np.full(20, 0.30)
    price[1] = 0.082
    night = evening("blocks", worth, soc_percent=50.0, import_price=price.tolist())
    night = replace(night, charger=replace(night.charger, charge_max_kw=1.38, discharge_min_kw=7.0))
    found = blocks_of(night)
    assert len(found) == count


@pytest.mark.parametrize(("worth", "count"), [(0.0, 2), (0.05, 1)])
def test_two_currents_a_cent_apart_become_one(worth: float, count: int) -> None:
    """6.5 kWh of a day's cheap hours, the later a little cheaper: 1 A more in it gains less than a cent."""
    price = np.full(20, 0.30)
    price[1], price[2] = 0.120, 0.118
    night = evening("current", worth, import_price=price.tolist(), trips=[Drive(depart=4, comeback=19, distance_km=0)])
    target = replace(night.trips[0], target_kwh=night.stored_now_kwh + 25 * 0.23)
    night = replace(night, trips=(target,), charger=replace(night.charger, discharge_min_kw=7.0, charge_max_kw=2.99))
    found = blocks_of(night)
    assert len(found) == count
    assert sum(block.amps * (block.last - block.first) for _, _, block in found) >= 25
