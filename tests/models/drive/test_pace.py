"""Road load against published drives at steady speeds, and against road loads of the EPA's own fleet model."""

from __future__ import annotations

import pytest

from models.drive.pace import CARS, NEWTON_PER_LBF, pace_factor

HORSEPOWER_KW = 0.745699872
FIFTY_MPH = 80.4672


@pytest.mark.parametrize(
    ("car", "least", "most"),
    [("compact hatchback", 11.0, 13.0), ("small crossover", 9.9, 12.1), ("long-range saloon", 9.0, 10.5)],
)
def test_road_load_at_50_mph(car: str, least: float, most: float) -> None:
    """Coefficients from memory give about the horsepower that the EPA's model has for electric cars of 2019.

    Compact 12.1, small crossover 9.9 and 11.5, midsize 10.4: USEPA/EPA_OMEGA_Model,
    omega_model/demo_inputs/analysis_contexts/context_b/vehicles.csv, column tot_road_load_hp.
    """
    horsepower = CARS[car].force_n(FIFTY_MPH) * FIFTY_MPH / 3600 / HORSEPOWER_KW
    assert least <= horsepower <= most


@pytest.mark.parametrize(
    ("car", "kmh", "published"),
    [
        # 2018, 40 kWh, EPA 243 km: 261 km at 90 to 100 km/h and 187 km at 120 km/h, both by the car's own speedometer,
        # taken to show 4 % too much (avtotachki.com, after elektrowoz.pl)
        ("compact hatchback", 95 / 1.04, 243 / 261),
        ("compact hatchback", 120 / 1.04, 243 / 187),
        # 190 miles at 75 mph, EPA 238 (L. D. Roper 2018, after a published test)
        ("small crossover", 120.7, 238 / 190),
        # 289.1 miles at 70 mph, EPA 310 (InsideEVs, as pistonudos.com told it)
        ("long-range saloon", 112.7, 310 / 289.1),
    ],
)
def test_steady_speeds(car: str, kmh: float, published: float) -> None:
    """Consumption at a steady speed, as a share of the label's, is within 9 % of drives that others published."""
    found = CARS[car].steady_kwh_per_100km(kmh) / CARS[car].label_kwh_per_100km
    assert found == pytest.approx(published, rel=0.09)


def test_fast_drives_lie_in_the_spread() -> None:
    """The published motorway drives above, those at 70 to 75 mph, lie between low and high."""
    fast = pace_factor("fast")
    assert all(fast.low <= published <= fast.high for published in (243 / 187, 238 / 190, 310 / 289.1))


def test_slow_takes_less_but_no_less_than_a_steady_80() -> None:
    """A slow drive lies between a steady 80 km/h and the usual."""
    slow = pace_factor("slow")
    steady = [car.steady_kwh_per_100km(80) / car.label_kwh_per_100km for car in CARS.values()]
    assert slow.low == min(steady)
    assert max(steady) < slow.middle < slow.high == 1


def test_force_by_hand() -> None:
    """At 50 mph 33.78 + 0.0618 × 50 + 0.02282 × 2500 = 93.92 lbf, 417.8 N."""
    assert CARS["compact hatchback"].force_n(FIFTY_MPH) == pytest.approx(93.92 * NEWTON_PER_LBF)
    assert pytest.approx(417.8, abs=0.05) == 93.92 * NEWTON_PER_LBF
