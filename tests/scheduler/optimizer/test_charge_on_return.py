"""The alternative of charging on return: a charger left to itself, within every law of the night."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from models.base.arrays import BoolArray
from models.site.connection import Connection
from scheduler.nights.night import Night
from scheduler.optimizer.charge_on_return import charge_on_return
from scheduler.optimizer.setpoints import Setpoints
from scheduler.plans.replay import replay, verify_constraints
from tests.builders.nights import Drive, flat_night, plain_charger
from tests.builders.random_nights import random_night, small_night


def charged(night: Night) -> list[float]:
    """Mean charging power of each interval, of a plan that never discharges and breaks no law."""
    setpoints = charge_on_return(night)
    verify_constraints(night, setpoints)
    assert not setpoints.discharging.any()
    return [round(float(kw), 9) for kw in setpoints.charge_kw]


def test_it_charges_at_once_until_the_ceiling() -> None:
    """From 25 to 40 kWh at 7 kW: two full hours, and the third at 1 kW, the mean power that just fills."""
    assert charged(flat_night()) == [7, 7, 1, 0, 0, 0, 0, 0]


def test_prices_do_not_matter() -> None:
    """The dearest hour comes first and is used all the same."""
    assert charged(flat_night(import_price=[0.9, 0.8] + [0.1] * 6)) == charged(flat_night())


def test_losses_lengthen_the_charge() -> None:
    """7 kW at 90 % less 0.3 kW are 6 kW: 15 kWh are two hours and 3 kWh, for which (3 + 0.3) / 0.9 kW are drawn."""
    night = flat_night(charger=plain_charger(charge_efficiency_percent=90, fixed_loss_kw=0.3))
    assert charged(night) == pytest.approx([7, 7, 3.3 / 0.9, 0, 0, 0, 0, 0])


def test_the_import_limit_slows_it() -> None:
    """Under 6 kW at the meter a building of 1 and 3 kW leaves 5 and 3 kW for the car."""
    night = flat_night(load_kw=[1, 3, 3, 1, 1, 1, 1, 1], connection=Connection(6.0, 5.0))
    # 5 + 3 + 3 = 11, then the 4 kWh that are left
    assert charged(night) == [5, 3, 3, 4, 0, 0, 0, 0]


def test_solar_makes_room_under_the_import_limit() -> None:
    """2 kW of solar and 1 kW of load under a limit of 4 kW leave 5 kW for the car."""
    assert charged(flat_night(solar_kw=2.0, connection=Connection(4.0, 5.0)))[:4] == [5, 5, 5, 0]


def test_nothing_is_charged_below_the_charger_s_least() -> None:
    """Where the limit leaves 0.5 kW of a least of 1 kW, the hour stays idle; where it leaves 1 kW, it is used."""
    night = flat_night(load_kw=[13.5, 13.0, 13.5, 1, 1, 1, 1, 1])
    assert charged(night) == [0, 1, 0, 7, 7, 0, 0, 0]


def test_a_building_over_its_limit_leaves_nothing() -> None:
    """A building that draws 20 kW under a limit of 14 kW is not made to draw more."""
    assert charged(flat_night(load_kw=[20, 1, 1, 1, 1, 1, 1, 1]))[:2] == [0, 7]


def test_a_small_rest_takes_the_least_power_for_a_part_of_the_interval() -> None:
    """0.25 kWh under the ceiling at a least power of 1 kW: a quarter of an hour, so 0.25 kW in the mean."""
    setpoints = charge_on_return(flat_night(soc_percent=79.5))
    assert setpoints.charge_kw.tolist() == pytest.approx([0.25] + [0] * 7)
    assert setpoints.charge_share.tolist() == pytest.approx([0.25] + [0] * 7)


def test_the_fixed_loss_lasts_as_long_as_the_part() -> None:
    """At 90 % less 0.3 kW, 1 kW stores 0.6 kW: 0.15 kWh take a quarter of the hour and not more."""
    charger = plain_charger(charge_efficiency_percent=90, fixed_loss_kw=0.3)
    night = flat_night(soc_percent=79.7, charger=charger)
    setpoints = charge_on_return(night)
    assert setpoints.charge_share[0] == pytest.approx(0.25)
    assert replay(night, setpoints).stored_kwh[1] == pytest.approx(40.0)


@pytest.mark.parametrize("soc_percent", [80, 90, 100])
def test_a_car_at_or_over_its_ceiling_stays_idle(soc_percent: float) -> None:
    """There is nothing to fill, and a start would cost for nothing."""
    night = flat_night(soc_percent=soc_percent)
    assert charged(night) == [0] * 8
    assert replay(night, charge_on_return(night)).start_count == 0


def test_before_a_long_trip_it_charges_to_the_target() -> None:
    """170 km want 34 + 10 = 44 kWh, over the ceiling of 40: it fills to 44 at once and departs with that.

    From 25 kWh: 7 + 7 + 5. Home with 10 kWh, it fills to the ceiling again.
    """
    night = flat_night(trips=[Drive(4, 5, 170)])
    assert charged(night) == [7, 7, 5, 0, 0, 7, 7, 7]
    assert replay(night, charge_on_return(night)).stored_kwh[[4, 5]] == pytest.approx([44, 10])


def test_a_target_under_the_ceiling_does_not_keep_it_from_the_ceiling() -> None:
    """A short trip wants 20 kWh; charged on return, the car fills to 40 all the same."""
    assert charged(flat_night(trips=[Drive(4, 5, 50)]))[:5] == [7, 7, 1, 0, 0]


def test_it_waits_for_the_car() -> None:
    """Home at 20:00 and away again from 22:00 to midnight: it charges in between and on return."""
    night = flat_night(home_from=2, trips=[Drive(4, 6, 50)])
    # 25 + 14 = 39 at departure, 29 on return, 11 to the ceiling
    assert charged(night) == [0, 0, 7, 7, 0, 0, 7, 4]


def test_charging_on_the_way_is_on_board_at_the_return() -> None:
    """A trip of 200 km right now from 25 kWh comes home with the reserve of 10 kWh: then 30 kWh to the ceiling."""
    night = flat_night(trips=[Drive(0, 2, 200)])
    assert charged(night) == [0, 0, 7, 7, 7, 7, 2, 0]
    assert replay(night, charge_on_return(night)).on_the_way_kwh == pytest.approx([25])


def test_a_charger_that_stores_nothing_at_low_power_stays_idle() -> None:
    """With room for 1 kW and a fixed loss of 1.2 kW charging would only drain: it waits for more room."""
    charger = plain_charger(charge_min_kw=0.0, fixed_loss_kw=1.2)
    night = flat_night(load_kw=[13.0, 1, 1, 1, 1, 1, 1, 1], charger=charger)
    # 7 - 1.2 = 5.8 kW: 25 + 2 × 5.8 = 36.6, then 3.4 + 1.2
    assert charged(night) == pytest.approx([0, 7, 7, 4.6, 0, 0, 0, 0])


def could_charge_more(night: Night, setpoints: Setpoints) -> BoolArray:
    """Intervals at home in which the charger could store something, with less power than it and the limit allow."""
    room = night.connection.import_limit_kw - (night.load_kw - night.solar_kw)
    most = np.minimum(night.charger.charge_max_kw, room)
    useful = (most >= night.charger.charge_min_kw) & (
        most * night.charger.charge_efficiency > night.charger.fixed_loss_kw
    )
    return night.at_home & useful & (setpoints.charge_kw < most - 1e-6)


@pytest.mark.parametrize(("make", "seeds"), [(random_night, 300), (small_night, 40)])
def test_no_random_night_breaks_a_law(make: Callable[[int], Night], seeds: int) -> None:
    """Replay accepts it on every night, and where it charges less than it could the car is at its mark."""
    for seed in range(seeds):
        night = make(seed)
        setpoints = charge_on_return(night)
        stored = verify_constraints(night, setpoints).stored_kwh
        short = stored[1:] < night.ceiling_kwh[1:] - 1e-6
        assert not (could_charge_more(night, setpoints) & short).any(), seed
