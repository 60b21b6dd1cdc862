"""Blocks: intervals as the few things a person sets, and no energy lost on the way."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.base.arrays import BoolArray
from scheduler.optimizer.block import Block
from scheduler.optimizer.find_blocks import SAME_POWER_KW, find_blocks
from scheduler.optimizer.solve import solve
from tests.builders.nights import flat_night, plain_charger, powers
from tests.builders.random_nights import small_night

BUILDING = plain_charger(discharge_to="building")
Short = tuple[int, int, str, float]


def short(blocks: tuple[Block, ...]) -> list[Short]:
    return [(block.first, block.last, block.action, round(block.kw, 6)) for block in blocks]


def test_an_idle_night_has_no_blocks() -> None:
    """Nothing to set, nothing to show."""
    night = flat_night()
    assert find_blocks(night, powers(night)) == ()


def test_a_constant_run_is_one_block() -> None:
    """Three hours at 3 kW beyond the building's 1 kW are one discharge, five idle hours are none."""
    night = flat_night()
    assert short(find_blocks(night, powers(night, 0, -3, -3, -3))) == [(1, 4, "discharge", 3.0)]


def test_runs_of_different_power_are_blocks_of_their_own() -> None:
    """Charging at 3 kW and then at 7 kW is set twice; the order is that of the clock."""
    night = flat_night()
    found = find_blocks(night, powers(night, -3, -3, 0, 3, 7, 7, 0, 2))
    assert short(found) == [
        (0, 2, "discharge", 3.0),
        (3, 4, "charge", 3.0),
        (4, 6, "charge", 7.0),
        (7, 8, "charge", 2.0),
    ]


def test_charging_right_after_discharging_is_another_block() -> None:
    """A change of direction without a pause cuts."""
    night = flat_night()
    assert short(find_blocks(night, powers(night, -3, 3))) == [(0, 1, "discharge", 3.0), (1, 2, "charge", 3.0)]


def test_a_run_that_is_the_buildings_draw_covers_it() -> None:
    """Powers of 1.4, 3.2 and 2.1 kW that are the draw of the building need no three settings."""
    draw = [1.4, 3.2, 2.1, 1.0]
    night = flat_night(4, load_kw=draw)
    assert short(find_blocks(night, powers(night, *(-kw for kw in draw[:3])))) == [(0, 3, "cover", 3.2)]


def test_solar_lessens_the_draw_that_is_covered() -> None:
    """Covering follows what the building still draws after its solar: 3 − 1 and 3 − 2 kW."""
    night = flat_night(3, load_kw=3.0, solar_kw=[1.0, 2.0, 0.0])
    assert short(find_blocks(night, powers(night, -2.0, -1.0))) == [(0, 2, "cover", 2.0)]


def test_a_run_that_follows_up_to_a_power_covers_up_to_it() -> None:
    """A draw of 1.5, 4 and 1.2 kW, followed up to 2.5 kW and no more, is covered up to 2.5 kW."""
    night = flat_night(4, load_kw=[1.5, 4.0, 1.2, 1.0])
    assert short(find_blocks(night, powers(night, -1.5, -2.5, -1.2))) == [(0, 3, "cover", 2.5)]


def test_a_constant_power_under_the_draw_is_a_discharge() -> None:
    """2 kW where the building draws 3 to 5 kW follows nothing: it is set as a power."""
    night = flat_night(3, load_kw=[3.0, 5.0, 4.0])
    assert short(find_blocks(night, powers(night, -2, -2, -2))) == [(0, 3, "discharge", 2.0)]


def test_the_least_power_over_the_draw_is_no_covering() -> None:
    """Where 0.93 kW are drawn, a charger that covers stands idle below its least 1 kW: that is set as a power."""
    night = flat_night(3, load_kw=[6.0, 0.93, 1.0])
    found = short(find_blocks(night, powers(night, -6.0, -1.0)))
    assert found == [(0, 1, "cover", 6.0), (1, 2, "discharge", 1.0)]


def test_a_mixed_run_is_cut_where_following_ends() -> None:
    """Two hours at the draw, two at 5 kW to the grid, two at the draw again: cover, discharge, cover."""
    night = flat_night(6, load_kw=[1.5, 2.5, 1.0, 1.0, 2.0, 1.2])
    found = find_blocks(night, powers(night, -1.5, -2.5, -5, -5, -2.0, -1.2))
    assert short(found) == [(0, 2, "cover", 2.5), (2, 4, "discharge", 5.0), (4, 6, "cover", 2.0)]


@pytest.mark.parametrize("kw", [1.2, 2.0])
def test_a_charger_that_follows_the_building_always_covers(kw: float) -> None:
    """A charger for the building only cannot hold a power: even a constant one under the draw covers up to it."""
    night = flat_night(4, load_kw=[3.0, 5.0, 4.0, 3.0], charger=BUILDING)
    assert short(find_blocks(night, powers(night, -kw, -kw, -kw))) == [(0, 3, "cover", kw)]


def test_a_charger_that_follows_the_building_is_capped_anew_where_the_cap_changes() -> None:
    """Up to 3 kW, then up to 1.5 kW, where the building draws 4 kW all along."""
    night = flat_night(4, load_kw=4.0, charger=BUILDING)
    assert short(find_blocks(night, powers(night, -3, -3, -1.5))) == [(0, 2, "cover", 3.0), (2, 3, "cover", 1.5)]


def test_powers_that_differ_by_next_to_nothing_are_one_setting() -> None:
    """3.00, 3.04 and 3.02 kW are set once, at their mean over time; 3.2 kW is another setting."""
    night = flat_night(4)
    assert short(find_blocks(night, powers(night, 3.00, 3.04, 3.02, 3.2))) == [
        (0, 3, "charge", 3.02),
        (3, 4, "charge", 3.2),
    ]


def test_the_mean_of_a_block_is_over_time_and_not_over_intervals() -> None:
    """An hour at 3.00 kW and a quarter at 3.05 kW are 3.7625 kWh in 1.25 hours: 3.01 kW."""
    night = flat_night(2, hours=[1.0, 0.25])
    (block,) = find_blocks(night, powers(night, -3.0, -3.05))
    assert block.kw == pytest.approx(3.01)


def test_small_steps_do_not_creep_into_one_setting() -> None:
    """Every power is near the one before, but the last is 0.12 kW from the first: more than one block."""
    night = flat_night(4)
    assert [block.last - block.first for block in find_blocks(night, powers(night, 3.0, 3.04, 3.08, 3.12))] == [2, 2]


@pytest.mark.parametrize(("phases", "volts", "amps"), [(1, 230, 16.0), (3, 230, 16 / 3), (1, 240, 3680 / 240)])
def test_amps_are_the_current_of_one_phase(phases: int, volts: float, amps: float) -> None:
    """3.68 kW at 230 V on one phase are 16 A, on three phases a third of it; discharging has no sign either.

    Source: power is voltage times current (common practice); 16 A at 230 V is the usual 3.68 kW.
    """
    night = flat_night(charger=plain_charger(phases=phases, volts=volts))
    found = find_blocks(night, powers(night, -3.68, 0, 3.68))
    assert [block.action for block in found] == ["discharge", "charge"]
    assert [block.amps for block in found] == pytest.approx([amps, amps])


def test_a_covers_amps_are_those_of_its_cap() -> None:
    """Covering up to 2.3 kW is 10 A at 230 V."""
    night = flat_night(3, load_kw=[1.0, 2.3, 1.5])
    (block,) = find_blocks(night, powers(night, -1.0, -2.3, -1.5))
    assert (block.action, block.amps) == ("cover", pytest.approx(10.0))


def test_a_block_indexes_its_intervals() -> None:
    """`intervals` picks the block's part of any array of the night."""
    night = flat_night(import_price=[0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8])
    (block,) = find_blocks(night, powers(night, 0, 0, 5, 5))
    assert night.import_price[block.intervals].tolist() == [0.3, 0.4]


POWER = st.one_of(st.just(0.0), st.floats(1.0, 7.0), st.floats(-7.0, -1.0), st.sampled_from([2.0, 2.04, -3.0, -3.03]))


@settings(max_examples=80, deadline=None)
@given(
    signed=st.lists(POWER, min_size=6, max_size=6),
    load=st.lists(st.floats(0.0, 8.0), min_size=6, max_size=6),
    follows=st.lists(st.booleans(), min_size=6, max_size=6),
    minutes=st.lists(st.sampled_from([5, 13, 30, 60]), min_size=6, max_size=6),
)
def test_blocks_are_the_plan_and_nothing_else(
    signed: list[float], load: list[float], follows: list[bool], minutes: list[int]
) -> None:
    """Any powers: blocks fill the running intervals once each, in order, with the energy of the intervals.

    A set power gives exactly the intervals' energy; following the building gives it to about 0.02 kWh a block.
    """
    draw = np.array(load)
    night = flat_night(6, load_kw=load, hours=[minute / 60 for minute in minutes])
    # where asked, a discharge is the building's draw
    asked = [
        -kw if follow and power < 0 and kw >= 1 else power
        for power, kw, follow in zip(signed, draw, follows, strict=True)
    ]
    setpoints = powers(night, *asked)
    blocks = find_blocks(night, setpoints)
    covered = [interval for block in blocks for interval in range(block.first, block.last)]
    assert covered == np.flatnonzero(setpoints.charging | setpoints.discharging).tolist()
    for block in blocks:
        at = block.intervals
        hours, running = night.hours[at], setpoints.charge_kw[at] + setpoints.discharge_kw[at]
        assert bool(setpoints.charging[at].all()) == (block.action == "charge")
        if block.action == "cover":
            assert (
                abs(hours @ np.minimum(draw[at], block.kw) - hours @ running)
                <= 0.02 + 0.02 * float(hours @ running) + 1e-9
            )
        else:
            assert hours.sum() * block.kw == pytest.approx(hours @ running)
            assert np.abs(running - block.kw).max() <= SAME_POWER_KW + 1e-9


def test_blocks_do_not_depend_on_the_clock() -> None:
    """In the night of the doubled hour a run over both is one block."""
    night = flat_night(4, start=datetime(2026, 10, 24, 23, 0, tzinfo=UTC))
    assert short(find_blocks(night, powers(night, 3, 3, 3, 3))) == [(0, 4, "charge", 3.0)]


def test_a_plan_that_does_nothing_has_no_blocks() -> None:
    """Without least powers, losses or a price on starts, an idle night is idle and not a discharge at no power."""
    charger = plain_charger(charge_min_kw=0.0, discharge_min_kw=0.0, start_worth_kwh=0.0)
    night = flat_night(soc_percent=80, stored_energy_price=0.3, charger=charger)
    setpoints = solve(night).setpoints
    assert find_blocks(night, setpoints) == ()
    assert not setpoints.gives_energy
    assert not setpoints.charging.any()


def run_ends(running: BoolArray) -> list[int]:
    """The first and the last interval of each run."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], running, [False]]).astype(int)))
    return [interval for first, end in edges.reshape(-1, 2).tolist() for interval in (first, end - 1)]


@pytest.mark.parametrize("seed", [19, 95])
def test_no_power_is_below_zero_and_no_block_at_none(seed: int) -> None:
    """A charger without least powers: rounding errors of the solver become neither powers nor blocks left unset."""
    night = small_night(seed)
    setpoints = solve(night).setpoints
    assert min(setpoints.charge_kw.min(), setpoints.discharge_kw.min()) >= 0
    blocks = find_blocks(night, setpoints)
    # find_blocks leaves out what is under 0.001 kW, so a run at no power would be missing here
    set_in = [interval for block in blocks for interval in range(block.first, block.last)]
    assert set_in == np.flatnonzero(setpoints.charging | setpoints.discharging).tolist()


def test_without_a_fixed_loss_every_run_begins_and_ends_with_power() -> None:
    """Where standing by costs nothing, intervals at no power at the edges of a run are idle."""
    seen = 0
    for seed in range(20):
        night = small_night(seed)
        if night.charger.fixed_loss_kw > 0:
            continue
        setpoints = solve(night).setpoints
        for power_kw, running in (
            (setpoints.charge_kw, setpoints.charging),
            (setpoints.discharge_kw, setpoints.discharging),
        ):
            ends = run_ends(running)
            assert (power_kw[ends] > 0).all(), seed
            assert not power_kw[~running].any(), seed
            seen += len(ends)
    assert seen > 0


def test_a_charger_for_the_building_covers_at_nearly_the_same_power() -> None:
    """3.0 and 2.96 kW under a draw of 4: one cap, for such a charger always follows the building."""
    night = flat_night(4, load_kw=4.0, charger=plain_charger(discharge_to="building"))
    assert [(block.action, block.kw) for block in find_blocks(night, powers(night, -3.0, -2.96))] == [("cover", 3.0)]
