"""The clauses on tiers, demand charges and bans: said where they limit the plan, and nowhere else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.tariff.demand import DemandMonth
from models.tariff.tiers import PriceTier
from scheduler.nights.night import Night
from scheduler.optimizer.find_blocks import find_blocks
from scheduler.optimizer.solve import solve
from scheduler.plans.departures import outcome_warnings, trip_outcomes
from scheduler.plans.reasons import block_reason
from scheduler.plans.replay import verify
from tests.builders.nights import Drive, flat_night, plain_car, plain_charger


def reasons(night: Night) -> list[tuple[str, str]]:
    """Action and reason of each block of the night's plan."""
    answer = solve(night)
    replayed = verify(night, answer)
    return [
        (block.action, block_reason(night, answer.setpoints, replayed, block))
        for block in find_blocks(night, answer.setpoints)
    ]


def with_tier(night: Night, side: str, left_kwh: float, difference: float) -> Night:
    everywhere = np.ones(night.intervals, dtype=np.bool_)
    return replace(
        night,
        tiers=(PriceTier(side, 0, everywhere, left_kwh, np.full(night.intervals, difference)),),  # type: ignore[arg-type]
    )


def test_a_premium_that_is_used_up() -> None:
    """8 kWh at a premium are sent, and the reason says that it covers no more and what they earn."""
    night = with_tier(flat_night(load_kw=0.0, export_price=0.05), "export", 8.0, 0.45)
    [(action, reason)] = reasons(night)
    assert action == "discharge"
    assert "sells 8.0 kWh at 0.50" in reason[0].lower() + reason[1:]
    assert reason.endswith("; the better price covers only 8.0 kWh of what is sold.")


def test_cheap_first_kwh_that_are_used_up() -> None:
    """20 cheap kWh, 8 of them for the building: the block says that they cover no more."""
    night = with_tier(flat_night(soc_percent=30.0, stored_energy_price=0.20), "import", 20.0, -0.20)
    charging = [reason for action, reason in reasons(night) if action == "charge"]
    assert any("the cheaper price covers only 20.0 kWh of what is bought" in reason for reason in charging)


@pytest.mark.parametrize(("so_far", "said"), [(3.0, True), (6.0, False)])
def test_a_peak_that_is_held_down(so_far: float, said: bool) -> None:
    """A draw of 5 kW is held at the 3 kW that the month has seen; where it has seen 6 kW nobody speaks of it."""
    night = flat_night(load_kw=[1.0] * 3 + [5.0] + [1.0] * 4, import_price=0.15, stored_energy_price=0.20)
    demand = DemandMonth(np.arange(night.intervals), 6.0, so_far)
    found = " ".join(reason for _, reason in reasons(replace(night, demand=(demand,))))
    text = "it holds the month's highest demand, which the offer charges for, at 3.0 kW"
    assert (text in found) is said
    assert ("it holds the month's highest demand" in found) is said


def test_no_charging_from_the_grid() -> None:
    """Charging held to the solar surplus by the offer is said to be; without the ban it is not."""
    night = flat_night(solar_kw=3.0, import_price=0.05, export_price=0.0, soc_percent=30.0, stored_energy_price=0.15)
    text = "the offer allows no charging from the grid at this time"
    banned = replace(night, no_grid_charging=np.ones(night.intervals, dtype=np.bool_))
    assert all(text in reason for _, reason in reasons(banned))
    assert not any(text in reason for _, reason in reasons(night))


def test_what_discharging_saves_is_the_price_beyond_a_tier_that_is_used_up() -> None:
    """4 kWh at 0.20, then 0.60: the building buys more than that, so a kWh given saves 0.60 and not the mean price."""
    night = with_tier(
        flat_night(import_price=0.60, charger=plain_charger(discharge_to="building")), "import", 4.0, -0.40
    )
    night = replace(night, car=plain_car(discharge_limit_kwh=2.0))
    found = [reason for action, reason in reasons(night) if action != "charge"]
    assert any("bought at 0.60;" in reason for reason in found)


def test_prices_of_a_block_are_those_of_the_tiers_it_uses() -> None:
    """Charging across the edge of a tier names both prices, never a mean that no band has."""
    night = with_tier(
        flat_night(1, soc_percent=30.0, import_price=0.12, stored_energy_price=0.20), "import", 4.0, -0.02
    )
    [(_, reason)] = reasons(night)
    assert "at 0.10 to 0.12" in reason


def test_charging_that_stops_before_a_ban() -> None:
    """A ban from the fifth hour on is named with its time."""
    night = flat_night(import_price=0.05, soc_percent=30.0, stored_energy_price=0.15, trips=[Drive(6, 8, 150.0)])
    ban = np.arange(night.intervals) >= 3
    [(action, reason)] = reasons(replace(night, no_grid_charging=ban))
    assert action == "charge"
    assert "; from Mon 21:00 on the offer allows no charging from the grid." in reason


def test_charging_and_the_demand_charge() -> None:
    """Charging outside the hours that count says so; inside them it is held to the peak, and says that."""
    night = flat_night(soc_percent=30.0, import_price=0.10, stored_energy_price=0.20)
    late = np.where(np.arange(night.intervals) < 4, np.arange(night.intervals), -1)
    [(_, reason)] = reasons(replace(night, demand=(DemandMonth(late, 6.0, 1.0),)))
    assert reason.endswith("; charging at this time does not count towards the demand charge.")
    [(_, reason)] = reasons(replace(night, demand=(DemandMonth(np.arange(night.intervals), 6.0, 3.0),)))
    assert reason.endswith("; more would raise the month's highest demand above 3.0 kW.")


def test_a_trip_that_a_ban_makes_late_is_told_so() -> None:
    """A missed departure says that the offer keeps the car from being charged, and what to do if the trip matters."""
    night = flat_night(soc_percent=30.0, trips=[Drive(4, 6, 150.0)])
    banned = replace(night, no_grid_charging=np.ones(night.intervals, dtype=np.bool_))
    for asked, said in ((banned, True), (replace(night, charger=plain_charger(charge_max_kw=2.0)), False)):
        replayed = verify(asked, solve(asked))
        [warning, *_] = outcome_warnings(asked, trip_outcomes(asked, replayed), "EUR")
        assert ("The offer forbids charging from the grid" in warning) is said
