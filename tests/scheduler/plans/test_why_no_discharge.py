"""Why the car does not discharge: the first obstacle, in one clause."""

from __future__ import annotations

import re

import pytest

from models.site.connection import Connection
from models.wear.segments import WearSegments
from scheduler.nights.night import Night
from scheduler.optimizer.solve import solve
from scheduler.plans.replay import replay
from scheduler.plans.why_no_discharge import why_no_discharge
from tests.builders.nights import Drive, flat_night, plain_car, plain_charger, powers
from tests.builders.random_nights import small_night

BUILDING = plain_charger(discharge_to="building")


def why(night: Night, *setpoint_kw: float) -> str:
    """The clause: no capital, no full stop at its end, no line break."""
    clause = why_no_discharge(night, replay(night, powers(night, *setpoint_kw)))
    assert not clause.endswith(".")
    assert ". " not in clause
    assert "\n" not in clause
    assert clause[0].islower()
    return clause


def solved_without_discharge(night: Night) -> str:
    """The clause of a night whose best plan, solved, does not discharge."""
    answer = solve(night)
    assert not answer.setpoints.discharging.any()
    return why_no_discharge(night, replay(night, answer.setpoints))


def test_a_car_that_is_away_does_not_discharge() -> None:
    """Unplugged from now to the end."""
    assert why(flat_night(trips=[Drive(0, 8, 0)])) == "the car is away"


def test_a_warranty_that_allows_nothing_is_named_first() -> None:
    """A discharge limit of 0 kWh forbids what prices would pay for."""
    night = flat_night(import_price=0.90, car=plain_car(discharge_limit_kwh=0.0))
    assert why(night) == "it is not allowed to discharge"


def test_a_charger_for_the_building_has_a_minimum_power() -> None:
    """The building draws 0.6 kW at most while the car is home, the charger's minimum is 1 kW."""
    night = flat_night(
        load_kw=[0.4, 0.6, 0.5, 0.4, 3.0, 3.0, 0.4, 0.4], import_price=0.90, charger=BUILDING, trips=[Drive(4, 6, 0)]
    )
    assert why(night) == "the building draws at most 0.6 kW, below the charger's minimum power of 1.0 kW"
    assert solved_without_discharge(night) == why(night)


def test_solar_lowers_what_the_building_draws() -> None:
    """3 kW of load under 2.5 kW of solar is a draw of 0.5 kW."""
    night = flat_night(load_kw=3.0, solar_kw=2.5, import_price=0.90, charger=BUILDING)
    assert why(night).startswith("the building draws at most 0.5 kW, ")


def test_prices_that_do_not_pay_are_named_against_what_a_kwh_costs() -> None:
    """At best 0.16 from 20:00, when a kWh costs 0.15 and 0.02 in wear: 0.17."""
    night = flat_night(import_price=[0.155, 0.155, 0.16, 0.155, 0.155, 0.155, 0.155, 0.155])
    assert why(night) == (
        "a kWh discharged would at best earn 0.16, from Mon 20:00, but cost 0.17 with losses and wear"
    )
    assert solved_without_discharge(night) == why(night)


def test_a_feed_in_price_that_does_not_pay_is_named_too() -> None:
    """Selling 5 kW at 0.14 beside 1 kW that replaces 0.12 earns 0.82 / 6 = 0.1367 a kWh, and still does not pay."""
    night = flat_night(import_price=0.12, export_price=[0.05] * 3 + [0.14] + [0.05] * 4)
    assert why(night).startswith("a kWh discharged would at best earn 0.1367, from Mon 21:00, ")


def test_a_price_that_cannot_be_had_is_not_named() -> None:
    """Without export, or with a charger for the building only, the feed-in price of 0.90 is none of the car's."""
    for changes in ({"connection": Connection(14.0, 0.0)}, {"charger": BUILDING}):
        night = flat_night(import_price=0.12, export_price=0.90, **changes)  # type: ignore[arg-type]
        assert why(night).startswith("a kWh discharged would at best earn 0.12, from ")


def test_losses_count_in_what_a_kwh_costs() -> None:
    """At 80 % a kWh given takes 1.25 kWh: (0.15 + 0.02) × 1.25 = 0.2125, over a price of 0.20."""
    night = flat_night(import_price=0.20, charger=plain_charger(discharge_efficiency_percent=80))
    assert "but cost 0.2125 with losses and wear" in why(night)


def test_wear_counts_by_its_weight() -> None:
    """At a weight of 20 wear alone costs 0.40 a kWh, and a price of 0.50 does not pay: 0.15 + 0.40 = 0.55."""
    assert "but cost 0.55 with losses and wear" in why(flat_night(import_price=0.50, wear_weight=20.0))


def test_wear_of_a_battery_that_was_driven_today_is_that_of_a_deeper_segment() -> None:
    """Two segments of 25 kWh at 0.02 and 0.30: after driving the first empty a kWh costs 0.15 + 0.30."""
    segments = WearSegments(flat_night().wear.size_kwh.repeat(2) / 2, flat_night().wear.price_per_kwh.repeat(2))
    segments.price_per_kwh[1] = 0.30
    night = flat_night(import_price=0.40, soc_percent=50, highest_soc_percent=100, wear=segments)
    assert "but cost 0.45 with losses and wear" in why(night)


def test_a_minimum_power_that_spills_is_the_reason() -> None:
    """0.30 at home would pay, but of 1 kW the building takes 0.2 and 0.8 go out at 0.05: 0.10 a kWh against 0.17."""
    night = flat_night(load_kw=0.2)
    assert why(night) == (
        "the charger cannot discharge at less than 1.0 kW; when prices are best the building draws only 0.2 kW, and "
        "the rest would be exported at 0.05"
    )
    assert solved_without_discharge(night) == why(night)


def test_a_car_at_its_floor_has_too_little() -> None:
    """At 21 % there are 0.5 kWh over the floor, less than the minimum power takes in an hour."""
    night = flat_night(soc_percent=21, stored_energy_price=0.0, import_price=0.60)
    assert why(night) == "it holds too little above its floor of 20 % while prices are high"


def test_a_trip_that_needs_the_energy_is_the_reason() -> None:
    """60 % now and 60 % needed at midnight; what is given must be bought back at the same price, with wear on top."""
    night = flat_night(soc_percent=60, trips=[Drive(6, 8, 100)])
    assert why(night) == (
        "the trip at Tue 00:00 needs 60 %, and putting the energy back in time would cost more than discharging it "
        "earns"
    )
    assert solved_without_discharge(night) == why(night)


def test_a_gain_smaller_than_a_start_is_the_reason() -> None:
    """1 kWh at 0.175 gains 0.005, a start is worth 0.1 kWh at 0.175: 0.0175."""
    night = flat_night(load_kw=[1.0] + [0.0] * 7, import_price=[0.175] + [0.16] * 7)
    assert why(night) == "the gain is smaller than the cost of another start of the charger"
    assert solved_without_discharge(night) == why(night)


@pytest.mark.parametrize("building_only", [True, False])
def test_the_car_is_away_comes_before_all_else(building_only: bool) -> None:
    """Of several obstacles the first is named."""
    charger = BUILDING if building_only else plain_charger()
    night = flat_night(trips=[Drive(0, 8, 0)], charger=charger, car=plain_car(discharge_limit_kwh=0.0), load_kw=0.1)
    assert why(night) == "the car is away"


PRICES = re.compile(r"would at best earn (−?[\d.]+), from .* but cost (−?[\d.]+) with losses and wear")


def test_the_two_prices_are_those_of_one_power() -> None:
    """The most, 0.1 kW used and 5 sold, is best: (0.1 × 0.20 + 5 × 0.05) / 5.1 against 0.17 × (1 + 0.2 / 5.1)."""
    night = flat_night(load_kw=0.1, import_price=0.20, charger=plain_charger(fixed_loss_kw=0.2))
    assert solved_without_discharge(night) == (
        "a kWh discharged would at best earn 0.0529, from Mon 18:00, but cost 0.1767 with losses and wear"
    )


def test_a_discharge_limit_below_what_the_charger_can_do_is_named() -> None:
    """0.60 would pay, but 1 kW, the minimum power, for an hour is 1 kWh, and 0.5 kWh are allowed."""
    night = flat_night(import_price=[0.6] + [0.15] * 7, car=plain_car(discharge_limit_kwh=0.5))
    assert solved_without_discharge(night) == (
        "the night's discharge limit of 0.5 kWh is less than the charger discharges in one interval at its "
        "minimum power"
    )


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"load_kw": 0.03, "connection": Connection(14.0, 0.0)}, "below the charger's minimum power of 1.0 kW"),
        (
            {"load_kw": 0.3, "connection": Connection(14.0, 0.0)},
            "the building draws at most 0.3 kW, below the charger's minimum power of 1.0 kW",
        ),
        (
            {"load_kw": [0.3] * 4 + [2.0] * 4, "import_price": [0.4] * 4 + [0.15] * 4, "charger": BUILDING},
            "discharge at less than 1.0 kW, which is more than the building draws when prices are high",
        ),
        (
            {"solar_kw": 2.0, "connection": Connection(14.0, 0.0)},
            "the building draws nothing from the grid, and nothing can be exported",
        ),
    ],
)
def test_nothing_goes_to_a_grid_that_takes_nothing(changes: dict[str, object], said: str) -> None:
    """Without export, or with a charger for the building only, the obstacle lies in the building and not in selling."""
    clause = solved_without_discharge(flat_night(**changes))  # type: ignore[arg-type]
    assert clause.endswith(said)
    assert "exported at" not in clause


def test_the_reason_does_not_contradict_itself() -> None:
    """Over short random nights: a price that does not pay is no higher than its cost, and no sale is named without one.

    Prices are shown to four decimals, so two that are nearly equal may read the same.
    """
    priced = without_export = 0
    for seed in range(20):
        night = small_night(seed)
        setpoints = solve(night).setpoints
        if setpoints.gives_energy:
            continue
        clause = why_no_discharge(night, replay(night, setpoints))
        if prices := PRICES.search(clause):
            earns, costs = (float(price.replace("−", "-")) for price in prices.groups())
            assert earns <= costs, (seed, clause)
            priced += 1
        if night.connection.export_limit_kw == 0 or night.charger.discharge_to == "building":
            assert "exported at" not in clause, seed
            without_export += 1
    assert priced > 0
    assert without_export > 0
