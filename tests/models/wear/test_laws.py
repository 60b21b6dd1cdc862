"""Each wear law against the figures that its source gives, at its limits, and in segments."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.base.arrays import FloatArray
from models.wear.law import LawSettings, range_warnings
from models.wear.laws import WEAR_LAWS, calendar_law, calendar_law_names, wear_law
from models.wear.nmc import (
    CELL_AH,
    OPEN_CIRCUIT_SOC,
    OPEN_CIRCUIT_VOLTS,
    NmcLaw,
    calendar_rate,
    cycle_rate,
    nmc_law,
    open_circuit_volts,
)
from models.wear.prices import DownFrom, envelope_of_law, wear_segments_of_law
from models.wear.segments import PowerLaw, wear_segments
from models.wear.stress import (
    STRESS_AT_END,
    TIME_STRESS_PER_HOUR,
    capacity_lost,
    depth_stress,
    soc_stress,
    stress_law,
    temperature_stress,
)

EDGES = (5, 10, 20, 30, 45, 60, 80, 100)
HOURS_A_YEAR = 24 * 365.25
NOTHING = np.array([])

every_law = pytest.mark.parametrize("name", WEAR_LAWS)
depths = st.floats(0.001, 1)
shares = st.floats(0, 1)


def life(name: str, depth: float, soc: float = 0.5, temp_degc: float = 25.0) -> float:
    return float(wear_law(name, LawSettings()).life_lost(np.array([depth]), soc, temp_degc)[0])


def test_flat_law_of_kempton_and_tomic() -> None:
    """9890 for 27.4 kWh over a throughput of 43 840 kWh is 0.2256 a kWh (J. Power Sources 144, 2005; from memory)."""
    segments = wear_segments_of_law(wear_law("flat", LawSettings()), 9890, 27.4, EDGES)
    assert segments.price_per_kwh == pytest.approx(np.full(8, 9890 / 43840))
    assert round(9890 / 43840, 4) == 0.2256


def test_stress_factors_as_published() -> None:
    """Xu, Oudalov et al. 2018, constants of the fit; the values worked out from them to five digits."""
    assert depth_stress(np.array([0.5]))[0] == pytest.approx(1.33108e-5, rel=5e-6)
    assert depth_stress(np.array([1.0]))[0] == pytest.approx(1 / 17000)
    assert depth_stress(np.array([0.0]))[0] == 0
    assert temperature_stress(15.0) == pytest.approx(0.48819, abs=5e-6)
    assert temperature_stress(25.0) == 1
    assert soc_stress(0.5) == 1


@pytest.mark.parametrize(("years", "percent"), [(1, 5.790), (10, 17.293)])
def test_stress_calendar_alone(years: int, percent: float) -> None:
    """At 25 degrees and half charge, time alone takes 5.790 % in a year and 17.293 % in ten (from the equations)."""
    assert 100 * capacity_lost(years * HOURS_A_YEAR * TIME_STRESS_PER_HOUR) == pytest.approx(percent, abs=5e-4)


def test_stress_life_ends_at_eighty_percent() -> None:
    """The f that counts as one life leaves 80 % of the capacity, and no f leaves all of it."""
    assert capacity_lost(STRESS_AT_END) == pytest.approx(0.2, abs=1e-8)
    assert capacity_lost(0.0) == pytest.approx(0, abs=1e-15)


def test_stress_of_depth_is_concave_when_shallow() -> None:
    """Its curvature changes sign at a depth of about 0.143, so the law alone cannot be a convex price."""
    depth = np.linspace(0.01, 1, 991)
    curvature = np.diff(depth_stress(depth), 2)
    turn = depth[1:-1][np.flatnonzero(curvature > 0)[0]]
    assert turn == pytest.approx(0.143, abs=2e-3)
    assert (curvature[depth[1:-1] < 0.14] < 0).all()


def test_nmc_calendar_as_published() -> None:
    """Schmalstieg et al. 2014: 365 days at 3.7 V and 298.15 K take 2.3948 % (worked out from the equation)."""
    assert 100 * float(calendar_rate(3.7, 25.0)) * 365**0.75 == pytest.approx(2.3948, abs=5e-5)


def test_nmc_cycles_as_published() -> None:
    """Schmalstieg et al. 2014: 1000 Ah at 3.7 V in cycles of half depth take 8.8813 %."""
    assert 100 * float(cycle_rate(3.7, 0.5)) * np.sqrt(1000) == pytest.approx(8.8813, abs=5e-5)


def test_nmc_marginal_is_the_slope_of_the_law() -> None:
    """A cycle's price is what one more cycle takes by the law itself, and an hour's what one more hour takes."""
    law = nmc_law(LawSettings(age_years=4.0, full_cycles_a_year=60.0))
    so_far, one_more = law.throughput_so_far_ah, 2 * 0.4 * CELL_AH
    rate = float(cycle_rate(open_circuit_volts(0.6), 0.4))
    step = rate * (np.sqrt(so_far + one_more) - np.sqrt(so_far)) / 0.2
    assert law.life_lost(np.array([0.4]), 0.6, 25.0)[0] == pytest.approx(step, rel=1e-3)
    days = 4 * 365.25
    alpha = float(calendar_rate(open_circuit_volts(0.6), 15.0))
    hour = alpha * ((days + 1 / 24) ** 0.75 - days**0.75) / 0.2
    assert law.life_lost_per_hour(np.array([0.6]), 15.0, 4.0)[0] == pytest.approx(hour, rel=1e-4)


def test_nmc_by_ampere_hours_and_by_kilowatt_hours() -> None:
    """A 40 kWh battery of cells of 2.15 Ah at 3.7 V: a cycle's wear by the kWh through it is that by a cell's Ah."""
    cells = 40_000 / (2.15 * 3.7)
    through_kwh = 2 * 0.5 * 40
    ampere_hours = through_kwh * 1000 / 3.7 / cells
    law = NmcLaw(3.0, 500.0, 500.0)
    per_ah = float(cycle_rate(open_circuit_volts(0.5), 0.5)) / (2 * np.sqrt(500.0))
    assert law.life_lost(np.array([0.5]), 0.5, 25.0)[0] == pytest.approx(ampere_hours * per_ah / 0.2)


def test_nmc_voltage_rises_with_charge() -> None:
    """The open-circuit voltage rises all the way, from 2.8 to 4.2 V, the limits of the cell of Mohtat et al. 2020."""
    volts = open_circuit_volts(np.linspace(0, 1, 101))
    assert (np.diff(volts) > 0).all()
    assert (float(volts[0]), float(volts[-1])) == (2.8, 4.2)
    assert calendar_rate(3.1, 25.0) == 0


def _mohtat_2020_volts(soc: FloatArray) -> FloatArray:
    """The voltage at rest from half-cell potentials by lithium content, and from the contents at 2.8 and 4.2 V.

    Source: P. Mohtat et al., J. Electrochem. Soc. 167, 110561, 2020, as the parameter set "Mohtat2020" of the library
    PyBaMM gives it: coefficients of the fits, and of the electrodes thickness, share of active material and most
    lithium, from which the contents follow by the limits of the voltage.
    """
    graphite = 0.00150 + (0.83340 - 0.00150) * soc
    nmc = 0.89091 + (0.03352 - 0.89091) * soc
    steps = ((0.0120, 0.127, 0.016), (0.0118, 0.155, 0.016), (0.0035, 0.220, 0.020))
    more_steps = ((0.0095, 0.190, 0.013), (0.0145, 0.490, 0.020), (0.0800, 1.030, 0.055))
    negative = 0.063 + 0.8 * np.exp(-75 * (graphite + 0.001))
    for height, middle, width in (*steps, *more_steps):
        negative = negative - height * np.tanh((graphite - middle) / width)
    positive = np.polynomial.polynomial.polyval(nmc, [4.3452, -1.6518, 1.6225, -2.0843, 3.5146, -2.2166])
    return np.asarray(positive - 0.5623e-4 * np.exp(109.451 * nmc - 100.006) - negative)


def test_nmc_voltage_table_is_the_published_curve() -> None:
    """The table holds the curve of Mohtat et al. 2020 to its last digit, and lines between its points to 11 mV."""
    np.testing.assert_allclose(_mohtat_2020_volts(OPEN_CIRCUIT_SOC), OPEN_CIRCUIT_VOLTS, atol=2e-3)
    fine = np.linspace(0.05, 1, 951)
    np.testing.assert_allclose(_mohtat_2020_volts(fine), open_circuit_volts(fine), atol=0.0115)


def test_an_older_nmc_battery_wears_less() -> None:
    """Its roots flatten: the same cycle and the same hour cost less with age, and at age 0 still something finite."""
    ages = (0.0, 0.25, 2.0, 8.0)
    cycles = [float(nmc_law(LawSettings(age)).life_lost(np.array([0.5]), 0.5, 25.0)[0]) for age in ages]
    law = nmc_law(LawSettings())
    hours = [float(law.life_lost_per_hour(np.array([0.5]), 25.0, age)[0]) for age in ages]
    for costs in (cycles, hours):
        assert costs[0] == costs[1] > costs[2] > costs[3] > 0
    assert np.isfinite(nmc_law(LawSettings(0.0, 0.0)).life_lost(np.array([1.0]), 0.5, 25.0)).all()


@every_law
@given(depth=depths, soc=shares, temp_degc=st.floats(-10, 50))
def test_deeper_never_uses_less(name: str, depth: float, soc: float, temp_degc: float) -> None:
    """No depth, no wear; a deeper cycle uses at least as much life, and never a negative share."""
    assert life(name, 0.0, soc, temp_degc) == 0
    assert 0 < life(name, depth / 2, soc, temp_degc) <= life(name, depth, soc, temp_degc)


def test_full_depth_at_the_reference() -> None:
    """A full cycle at half charge and 25 degrees uses each law's own share of life, worked by hand."""
    assert life("flat", 1.0) == pytest.approx(1 / (2000 * 0.8))
    assert life("depth", 1.0) == 5.24e-4
    assert life("stress", 1.0) == pytest.approx(1 / 17000 / np.log(0.9425 / 0.8))
    through = 3 * 50 * 2 * 2.15
    per_ah = (7.348e-3 * 0.049**2 + 7.60e-4 + 4.081e-3) / (2 * np.sqrt(through))
    assert life("nmc", 1.0) == pytest.approx(2 * 2.15 * per_ah / 0.2)


@every_law
def test_laws_take_arrays(name: str) -> None:
    """Each cycle may have its own state of charge and temperature; the answer is that of each alone."""
    depth, soc, temp = np.array([0.1, 0.5, 0.9]), np.array([0.3, 0.5, 0.55]), np.array([10.0, 25.0, 35.0])
    together = wear_law(name, LawSettings()).life_lost(depth, soc, temp)
    alone = [life(name, *(float(value) for value in row)) for row in zip(depth, soc, temp, strict=True)]
    assert together == pytest.approx(alone)


@every_law
@given(soc=shares, temp_degc=st.floats(-10, 50), price=st.floats(1, 1e5), kwh=st.floats(1, 200))
def test_segment_prices_never_fall_with_depth(
    name: str, soc: float, temp_degc: float, price: float, kwh: float
) -> None:
    """Deeper energy costs at least as much, which a linear program relies on; a full cycle costs what the law says."""
    law = wear_law(name, LawSettings())
    segments = wear_segments_of_law(law, price, kwh, EDGES, soc, temp_degc)
    assert (np.diff(segments.price_per_kwh) >= 0).all()
    full = price * float(law.life_lost(np.array([1.0]), soc, temp_degc)[0])
    assert float(segments.size_kwh @ segments.price_per_kwh) == pytest.approx(full)


@every_law
@given(highest=shares, temp_degc=st.floats(-10, 50))
def test_segments_down_from_a_state(name: str, highest: float, temp_degc: float) -> None:
    """A cycle down from a state is priced at its own middle, on an edge exactly where the law is convex up to there."""
    law, states = wear_law(name, LawSettings()), DownFrom(highest)
    segments = wear_segments_of_law(law, 6000.0, 40.0, EDGES, states, temp_degc)
    assert (np.diff(segments.price_per_kwh) >= 0).all()
    depth = np.array(EDGES) / 100
    charged = np.cumsum(segments.size_kwh * segments.price_per_kwh)
    by_law = 6000.0 * law.life_lost(depth, np.maximum(highest, depth) - depth / 2, temp_degc)
    assert (charged <= by_law * (1 + 1e-9)).all()
    assert charged[-1] == pytest.approx(by_law[-1])
    if name in ("flat", "depth"):
        assert charged == pytest.approx(by_law)


@pytest.mark.parametrize("exponent", [1.0, 1.4, 2.03, 3.0])
def test_depth_law_prices_are_the_existing_ones(exponent: float) -> None:
    """For a power of depth the envelope is the law itself, and the segments are those of `wear_segments`."""
    power = PowerLaw(5.24e-4, exponent)
    law = wear_law("depth", LawSettings(depth_law=power))
    expected = wear_segments(power, 6000, 40, EDGES)
    found = wear_segments_of_law(law, 6000, 40, EDGES)
    assert found.price_per_kwh == pytest.approx(expected.price_per_kwh, rel=1e-12)
    assert found.size_kwh == pytest.approx(expected.size_kwh, rel=1e-12)


def test_envelope_of_the_stress_law() -> None:
    """The bridge over the concave part touches the curve where its slope from zero is least, and not before."""
    law = stress_law(LawSettings())
    depth = np.linspace(0, 1, 1001)
    curve, envelope = law.life_lost(depth, 0.5, 25.0), envelope_of_law(law, depth)
    touch = int(np.argmin(curve[1:] / depth[1:])) + 1
    assert 0.143 < depth[touch] < 0.5
    assert envelope[: touch + 1] == pytest.approx(depth[: touch + 1] * curve[touch] / depth[touch])
    assert envelope[touch:] == pytest.approx(curve[touch:], rel=1e-12)


def test_coarse_edges_still_cut_the_envelope() -> None:
    """Prices come from the hull over fine depths, not from a hull over the edges alone."""
    law = stress_law(LawSettings())
    coarse = wear_segments_of_law(law, 1.0, 1.0, [10, 100])
    assert coarse.price_per_kwh[0] == pytest.approx(envelope_of_law(law, np.array([0.1]))[0] / 0.1)


@pytest.mark.parametrize("edges", [[50, 40, 100], [50, 90]])
def test_edges_must_rise_to_the_whole_battery(edges: list[float]) -> None:
    """Edges that fall or stop short of the whole battery are refused."""
    with pytest.raises(ValueError, match="rise to 100"):
        wear_segments_of_law(wear_law("flat", LawSettings()), 6000, 40, edges)


def test_names() -> None:
    """Each law has the name it is listed under; two of them include calendar ageing; other names are errors."""
    assert [wear_law(name, LawSettings()).name for name in WEAR_LAWS] == list(WEAR_LAWS)
    assert calendar_law_names() == ("stress", "nmc")
    with pytest.raises(ValueError, match="is not a wear law; expected one of flat, depth"):
        wear_law("steep", LawSettings())
    with pytest.raises(ValueError, match="no calendar ageing"):
        calendar_law("flat", LawSettings())
    with pytest.raises(ValueError, match="0 or more"):
        LawSettings(age_years=-1)


@pytest.mark.parametrize(
    ("name", "depth", "soc", "temp", "said"),
    [
        ("stress", [0.02, 0.5], [], [], ["depths of 2 % lie outside 10 to 100 %"]),
        ("stress", [], [], [5.0, 25.0, 60.0], ["temperatures from 5 to 60 °C lie outside 15 to 55 °C"]),
        ("nmc", [0.5], [0.5], [25.0], ["temperatures of 25 °C lie outside 35 to 50 °C"]),
        ("nmc", [0.05, 1.0], [0.0, 1.0], [35.0, 50.0], []),
        ("flat", [0.001], [0.0], [-40.0], []),
    ],
)
def test_values_outside_the_range_of_a_law_are_warned_about(
    name: str, depth: list[float], soc: list[float], temp: list[float], said: list[str]
) -> None:
    """What lies outside the measured range is named with both ranges; the range's own ends lie inside."""
    arrays: list[FloatArray] = [np.array(values, dtype=float) for values in (depth, soc, temp)]
    warnings = range_warnings(wear_law(name, LawSettings()), *arrays)
    assert len(warnings) == len(said)
    assert all(words in sentence for words, sentence in zip(said, warnings, strict=True))
