"""What energy left is worth: against a plain dynamic program, concave and bounded, from what is known tonight alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from models.base.arrays import FloatArray
from models.site.series import Series
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.nights.stored_energy import StoredEnergyValue, one_price
from scheduler.optimizer.look_ahead import highest_worth, value_at_beginning, with_look_ahead
from scheduler.optimizer.solve import solve
from tests.builders.nights import flat_night, plain_car, plain_charger
from tests.builders.places import SCENARIOS
from tests.builders.random_nights import random_night

EVENINGS = ("2026-02-10T18:20", "2026-02-14T09:00", "2026-03-02T18:20")
GRID_KWH = 0.015


def inputs_of(site: str) -> Inputs:
    return read_inputs(SCENARIOS / site)


def looked_ahead(inputs: Inputs, now: str = EVENINGS[-1], *trips: str, explain: bool = False) -> Night:
    evening = parse_request(RequestOptions(60.0, now=now, trips=trips), inputs)
    return with_look_ahead(inputs, evening, build_night(inputs, evening)[0], explain=explain)


def plain_dynamic_program(night: Night) -> tuple[FloatArray, FloatArray]:
    """Worth at the beginning on a grid of stored energies, by trying every step on it backwards; no wear, no trips."""
    car, charger = night.car, night.charger
    grid = np.arange(car.floor_kwh, car.ceiling_kwh + GRID_KWH / 2, GRID_KWH)
    cost = -night.stored_energy.worths(grid)
    for t in range(night.intervals - 1, -1, -1):
        hours, net = night.hours[t], night.load_kw[t] - night.solar_kw[t]
        step = grid[None, :] - grid[:, None]  # from row to column
        draw = np.where(step >= 0, step / charger.charge_efficiency, step * charger.discharge_efficiency) / hours
        allowed = (draw <= charger.charge_max_kw + 1e-9) & (-draw <= charger.discharge_max_kw + 1e-9)
        grid_kw = net + draw
        allowed &= grid_kw >= -night.connection.export_limit_kw - 1e-9
        money = hours * np.where(grid_kw > 0, grid_kw * night.import_price[t], grid_kw * night.export_price[t])
        cost = np.where(allowed, money + cost[None, :], np.inf).min(axis=1)
    return grid, -cost


@pytest.mark.parametrize("seed", range(6))
def test_it_is_the_worth_that_a_plain_dynamic_program_finds(seed: int) -> None:
    """Where nothing is whole (no least power, no fixed loss, no start) both find the same worth of every kWh."""
    random = np.random.default_rng(seed)
    night = flat_night(
        10,
        load_kw=random.uniform(0.2, 3.0, 10).tolist(),
        solar_kw=(random.uniform(0, 4, 10) * (random.random(10) < 0.4)).tolist(),
        import_price=random.choice([0.16, 0.22, 0.34], 10).tolist(),
        export_price=random.choice([0.03, 0.08, 0.15], 10).tolist(),
        stored_energy_price=0.12,
        wear_weight=0.0,
        car=plain_car(battery_kwh=30.0),
        charger=plain_charger(
            charge_min_kw=0.0, discharge_min_kw=0.0, fixed_loss_kw=0.0, start_worth_kwh=0.0, charge_max_kw=3.0
        ),
    )
    value = value_at_beginning(night)
    assert value is not None
    grid, worth = plain_dynamic_program(night)
    found = value.worths(grid) - value.worth(float(grid[0]))
    # each of ten steps on the grid is up to 15 Wh off, and the value is looked at in at most 16 pieces
    np.testing.assert_allclose(found, worth - worth[0], atol=0.34 * 0.15)


@pytest.mark.parametrize("seed", range(40))
def test_it_is_concave_rising_and_no_more_than_the_highest_price(seed: int) -> None:
    """On any night: no kWh is worth less than nothing, or more than what it can replace."""
    night = random_night(seed)
    value = value_at_beginning(replace(night, stored_now_kwh=night.car.ceiling_kwh))
    if value is None:
        assert night.highest_price <= 0 or night.car.ceiling_kwh - night.car.floor_kwh < 1e-6
        return
    assert (np.diff(value.price_per_kwh) <= 0).all()
    assert value.price_per_kwh[-1] >= 0
    assert value.price_per_kwh[0] <= highest_worth(night)
    assert value.edges_kwh[-1] == pytest.approx(night.car.ceiling_kwh)


def test_a_kept_kwh_is_worth_what_the_evening_after_pays() -> None:
    """Noon is nearly free and the plan ends before an evening at 0.34: what is left is kept for it."""
    following = flat_night(
        24,
        load_kw=[3.0] * 5 + [0.3] * 19,
        import_price=[0.34] * 5 + [0.25] * 12 + [0.012] * 4 + [0.25] * 3,
        stored_energy_price=0.0133,
    )
    value = value_at_beginning(following, explain=True)
    assert value is not None
    full = following.car.ceiling_kwh
    first = value.price_at(following.car.floor_kwh + 1.0)
    charger = following.charger
    assert 0.34 * charger.discharge_efficiency - 0.06 < first <= 0.34
    assert value.price_at(full) < 0.1  # 15 kWh cover the evening; the rest waits for a noon that is nearly free
    use = value.use_at(following.car.floor_kwh + 1.0)
    assert use is not None
    assert (use.kind, use.price_per_kwh) == ("covers", 0.34)
    assert use.at == following.boundaries[0].to_pydatetime()


def test_a_car_that_may_not_discharge_values_only_what_it_drives() -> None:
    """Without trips and without discharging, what is left is worth nothing but the price after the last night."""
    following = flat_night(24, load_kw=2.0, import_price=[0.34] * 12 + [0.12] * 12, stored_energy_price=0.10)
    never = value_at_beginning(following, may_discharge=False)
    assert never is not None
    assert never.price_per_kwh[1:] == pytest.approx(0.10, abs=1e-6)


@pytest.mark.parametrize("site", ["bookbindery", "boatyard", "veterinary"])
@pytest.mark.parametrize("now", EVENINGS)
def test_a_sites_evening_looks_ahead(site: str, now: str) -> None:
    """Every demo site's evenings value what is left by the days that follow, the first kWh most."""
    inputs = inputs_of(site)
    night = looked_ahead(inputs, now)
    value = night.stored_energy
    assert len(value.price_per_kwh) > 1
    assert value.edges_kwh[-1] == pytest.approx(inputs.site.car.ceiling_kwh)
    answer = solve(night)
    assert answer.money <= solve(night, may_discharge=False).money + 1e-3


def test_the_sites_own_price_overrides() -> None:
    """A stored_energy_price_per_kwh in the site's file is the worth of every kWh up to the ceiling."""
    inputs = inputs_of("bookbindery")
    own = replace(inputs.site, plan=replace(inputs.site.plan, stored_energy_price_per_kwh=0.2))
    night = looked_ahead(replace(inputs, site=own))
    assert night.stored_energy.price_per_kwh.tolist() == [0.2]


def test_only_what_is_known_tonight_counts() -> None:
    """What the meter says after tonight changes nothing."""
    inputs = inputs_of("bookbindery")
    now = EVENINGS[0]

    def later_doubled(series: Series) -> Series:
        kw = series.kw.copy()
        kw[np.asarray(series.start >= f"{now}+02:00")] *= 2
        return replace(series, kw=kw)

    assert inputs.solar is not None
    changed = replace(inputs, load=later_doubled(inputs.load), solar=later_doubled(inputs.solar))
    found, again = looked_ahead(inputs, now).stored_energy, looked_ahead(changed, now).stored_energy
    np.testing.assert_array_equal(found.price_per_kwh, again.price_per_kwh)
    np.testing.assert_array_equal(found.width_kwh, again.width_kwh)


def test_a_long_trip_in_two_days_makes_what_is_left_worth_more() -> None:
    """A trip given for the day after the plan counts, though the plan itself ends before it."""
    inputs = inputs_of("bookbindery")
    home = looked_ahead(inputs, EVENINGS[0], "07:30-16:00 20km").stored_energy
    long = "2026-02-11T19:00-2026-02-12T02:00 240km"
    away = looked_ahead(inputs, EVENINGS[0], "07:30-16:00 20km", long).stored_energy
    top = inputs.site.car.ceiling_kwh
    assert away.mean_price(0.8 * top, top) > home.mean_price(0.8 * top, top) + 0.05


def test_without_days_that_can_be_forecast_the_usual_price_stays(tmp_path: Path) -> None:
    """A recorded series that ends with the night leaves a little more than what a refill costs, or typical days."""
    inputs = inputs_of("bookbindery")
    evening = parse_request(RequestOptions(60.0, now=EVENINGS[0], forecast="recorded"), inputs)
    night, _ = build_night(inputs, evening)
    end = night.boundaries[-1].to_pydatetime()
    typical = with_look_ahead(inputs, evening, night, until=end + timedelta(hours=1))
    assert len(typical.stored_energy.price_per_kwh) > 1
    series = Series(inputs.load.start[:20], inputs.load.kw[:20], inputs.load.step_minutes)
    short = with_look_ahead(replace(inputs, load=series), evening, night, until=end + timedelta(hours=1))
    assert short.stored_energy is night.stored_energy


def test_a_value_that_is_not_concave_is_refused() -> None:
    """Prices that rise, or pieces without width, are an error."""
    with pytest.raises(ValueError, match="concave"):
        StoredEnergyValue(np.array([10.0, 10.0]), np.array([0.1, 0.2]))
    with pytest.raises(ValueError, match="wider than 0"):
        StoredEnergyValue(np.array([10.0, 0.0]), np.array([0.2, 0.1]))
    assert one_price(0.2, 30.0).worth(40.0) == pytest.approx(6.0)
