"""Replay recomputes a night from its setpoints, and refuses a plan that does not hold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from models.site.connection import Connection
from scheduler.nights.night import Night
from scheduler.optimizer.setpoints import Answer, Setpoints
from scheduler.optimizer.solve import solve
from scheduler.plans.replay import PlanRefused, replay, verify, verify_constraints
from tests.builders.nights import Drive, flat_night, plain_car, plain_charger, powers


def evening(**changes: object) -> Night:
    """Three hours at a high price, the rest at a low one, and a drive that takes 20 kWh."""
    settings: dict[str, object] = {
        "intervals": 10,
        "import_price": [0.40] * 3 + [0.10] * 7,
        "load_kw": 2.0,
        "trips": [Drive(depart=8, comeback=9, distance_km=100)],
    }
    return flat_night(**(settings | changes))  # type: ignore[arg-type]


def tampered(answer: Answer, **changes: Callable[[np.ndarray], np.ndarray]) -> Answer:
    """The answer with some of its setpoints changed and every claim left as it was."""
    values = {name: change(getattr(answer.setpoints, name).copy()) for name, change in changes.items()}
    return replace(answer, setpoints=replace(answer.setpoints, **values))


def at(interval: int, value: float) -> Callable[[np.ndarray], np.ndarray]:
    """Set one interval to a value."""

    def change(values: np.ndarray) -> np.ndarray:
        values[interval] = value
        return values

    return change


def added(interval: int, value: float) -> Callable[[np.ndarray], np.ndarray]:
    """Add to one interval."""

    def change(values: np.ndarray) -> np.ndarray:
        values[interval] += value
        return values

    return change


def refusal(night: Night, answer: Answer) -> str:
    """What replay says against the answer."""
    with pytest.raises(PlanRefused) as refused:
        verify(night, answer)
    return str(refused.value)


def test_energy_and_money_by_hand() -> None:
    """Two hours of 2 kW replace 0.40 power; three hours of charging at 5 kW cost 0.10; losses by hand.

    Out: 2 × (2/0.8 + 0.5) = 6 kWh. In: 3 × (0.9 × 5 - 0.5) = 12 kWh. From 25: 25 - 6 + 12 = 31 kWh.
    Import: 0 + 0 + 2·0.40 + 3·(2 + 5)·0.10 + 4·2·0.10 = 0.8 + 2.1 + 0.8 = 3.7. Wear: 6 · 0.02 = 0.12.
    Starts: 2 · 0.1 kWh · 0.40 = 0.08. Stored: 0.15 · (31 - 25) = 0.9.
    """
    charger = plain_charger(charge_efficiency_percent=90, discharge_efficiency_percent=80, fixed_loss_kw=0.5)
    night = evening(charger=charger, trips=())
    found = replay(night, powers(night, -2, -2, 0, 5, 5, 5))
    np.testing.assert_allclose(found.stored_kwh, [25, 22, 19, 19, 23, 27, 31, 31, 31, 31, 31])
    assert found.costs.import_ == pytest.approx(3.7)
    assert found.costs.wear == pytest.approx(0.12)
    assert found.costs.starts == pytest.approx(0.08)
    assert found.costs.stored_energy == pytest.approx(0.9)
    assert found.costs.total == pytest.approx(3.7 + 0.12 + 0.08 - 0.9)
    assert found.costs.cash == pytest.approx(3.7)


def test_a_trip_takes_its_energy_and_comes_home_with_the_reserve() -> None:
    """250 km take 50 kWh from 40: 20 kWh are charged on the way to come home with the reserve of 10 kWh."""
    night = flat_night(4, soc_percent=80, trips=[Drive(depart=1, comeback=3, distance_km=250)])
    found = replay(night, powers(night))
    np.testing.assert_allclose(found.stored_kwh, [40, 40, 40, 10, 10])
    assert found.on_the_way_kwh == pytest.approx([20.0])
    assert found.costs.on_the_way == pytest.approx(20 * 0.6)
    assert found.missing_kwh == pytest.approx([10.0])


def test_time_outside_the_window_is_paid_by_kwh_and_hour() -> None:
    """10 % of 50 kWh is 5 kWh under the floor: 8 hours · 5 kWh · 0.1 · 0.30 = 1.2."""
    night = flat_night(soc_percent=10)
    assert replay(night, powers(night)).costs.outside_window == pytest.approx(1.2)


def test_rows_sum_to_the_totals() -> None:
    """Per-interval money sums to the costs of the night."""
    night = evening()
    found = verify(night, solve(night))
    assert found.import_cost.sum() == pytest.approx(found.costs.import_, abs=1e-12)
    assert found.export_credit.sum() == pytest.approx(found.costs.export, abs=1e-12)
    assert found.wear_cost.sum() == pytest.approx(found.costs.wear, abs=1e-12)


def test_an_honest_plan_is_accepted() -> None:
    """The plan that the tampering tests start from discharges, charges and passes."""
    answer = solve(evening())
    assert answer.setpoints.discharging.any()
    assert answer.setpoints.charging.any()
    verify(evening(), answer)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"discharge_kw": added(0, -0.01)}, "charged above the ceiling"),
        ({"discharge_kw": added(0, 2e-6)}, "stored energy"),
        ({"charge_kw": added(4, -0.01)}, "the night's total"),
        ({"charge_kw": at(7, 9.0), "charge_share": at(7, 1)}, "above the maximum charging power"),
        ({"discharge_kw": at(0, 8.0)}, "above the maximum discharging power"),
        ({"discharge_kw": at(0, 0.5)}, "below the minimum discharging power"),
        ({"charge_kw": at(0, 3.0), "charge_share": at(0, 1)}, "both directions at once"),
        ({"discharge_share": at(0, 0.0)}, "above the maximum discharging power"),
        ({"discharge_kw": at(8, 2.0), "discharge_share": at(8, 1)}, "power while the car is away"),
        ({"discharge_kw": at(0, np.nan)}, "not all are numbers"),
        ({"charge_kw": at(7, -2.0)}, "a power below zero"),
        ({"discharge_share": at(0, 1.5)}, "a share of running outside 0 to 1"),
        ({"curtailed_kw": at(0, 1.0)}, "more curtailed than there is"),
    ],
)
def test_a_changed_setpoint_is_refused(changes: dict[str, Callable[[np.ndarray], np.ndarray]], said: str) -> None:
    """Any setpoint changed, a limit crossed, both directions at once or a minimum undercut: refused, and said."""
    night = evening()
    assert said in refusal(night, tampered(solve(night), **changes))


def test_a_departure_left_short_is_refused() -> None:
    """Without the charging before the trip the departure is short of its target, which the plan did not claim."""
    night = evening(soc_percent=30)
    answer = solve(night)
    assert answer.missing_kwh == pytest.approx([0.0], abs=1e-9)
    nothing = np.zeros(night.intervals)
    idle = replace(answer, setpoints=Setpoints(nothing, nothing, nothing, nothing, nothing))
    text = refusal(night, idle)
    assert "energy missing at a departure [kWh]: claimed 0.000000, found 15.000000" in text


def test_claimed_money_must_be_found_again() -> None:
    """A total that is a thousandth off is refused; a hundred-thousandth is within what rounding may do."""
    night = evening()
    answer = solve(night)
    assert "the night's total" in refusal(night, replace(answer, money=answer.money - 1e-3))
    verify(night, replace(answer, money=answer.money - 1e-5))


def test_limits_of_the_connection_hold() -> None:
    """Export over the approval and import over the limit are refused, each in its own words."""
    night = flat_night(4, load_kw=1.0, connection=Connection(import_limit_kw=5.0, export_limit_kw=2.0))
    with pytest.raises(PlanRefused, match=r"over the export limit, by 1\.0"):
        verify_constraints(night, powers(night, -4))
    with pytest.raises(PlanRefused, match=r"over the import limit, by 2\.0"):
        verify_constraints(night, powers(night, 6))


def test_the_window_holds() -> None:
    """Discharging that ends under the floor, charging that ends over the ceiling, and more than the battery holds."""
    low, high = flat_night(4, soc_percent=25), flat_night(4, soc_percent=78)
    with pytest.raises(PlanRefused, match="discharged below the floor"):
        verify_constraints(low, powers(low, -4))
    with pytest.raises(PlanRefused, match="charged above the ceiling"):
        verify_constraints(high, powers(high, 4))
    with pytest.raises(PlanRefused, match="more put in than the battery holds"):
        verify_constraints(high, powers(high, 7, 7, 7))
    with pytest.raises(PlanRefused, match="more taken out than stored"):
        verify_constraints(low, powers(low, -6, -6, -6))


def test_building_only_and_the_warranty_limit_hold() -> None:
    """A charger that serves the building alone may not exceed its draw; nor a night its discharge limit."""
    building = flat_night(4, load_kw=2.0, charger=plain_charger(discharge_to="building"))
    with pytest.raises(PlanRefused, match=r"discharged beyond the building's draw, by 1\.0"):
        verify_constraints(building, powers(building, -3))
    limited = flat_night(4, car=plain_car(discharge_limit_kwh=5.0))
    with pytest.raises(PlanRefused, match=r"over the night's discharge limit, by 1\.0"):
        verify_constraints(limited, powers(limited, -3, -3))


def test_curtailment_is_what_must_be_and_no_more() -> None:
    """Solar beyond load and export limit must be curtailed, and only that where the inverter cannot be told."""
    night = flat_night(2, solar_kw=9.0, connection=Connection(14.0, 5.0))
    good = powers(night)
    assert good.curtailed_kw == pytest.approx([3.0, 3.0])
    verify_constraints(night, good)
    with pytest.raises(PlanRefused, match="less curtailed than needed"):
        verify_constraints(night, replace(good, curtailed_kw=np.array([2.0, 3.0])))
    with pytest.raises(PlanRefused, match="more curtailed than needed"):
        verify_constraints(night, replace(good, curtailed_kw=np.array([4.0, 3.0])))
    verify_constraints(
        flat_night(2, solar_kw=9.0, solar_can_be_limited=True), replace(good, curtailed_kw=np.array([4.0, 3.0]))
    )
