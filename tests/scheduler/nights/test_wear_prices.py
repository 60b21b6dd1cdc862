"""The site's wear law in a night: prices, ageing by time, temperatures, ranges, and faults of the file."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from models.wear.calendar_ageing import CalendarPrice
from models.wear.law import PUBLISHED_DEPTH_LAW
from models.wear.laws import wear_law
from models.wear.segments import wear_segments
from models.wear.stress import STRESS_AT_END, TIME_STRESS_PER_HOUR
from scheduler.inputs.site import Site
from scheduler.inputs.site_file import read_site
from scheduler.nights.stored_energy import one_price
from scheduler.nights.wear_prices import battery_temp_degc, segments_of, wear_tonight
from scheduler.optimizer.setpoints import setpoints_from_powers
from scheduler.optimizer.solve import solve
from scheduler.plans.replay import replay, verify
from scheduler.plans.wear_law_sensitivity import OtherLaw, other_laws_text
from scheduler.textio.errors import InputFaults
from tests.builders.nights import flat_night
from tests.builders.sites import write_site

JANUARY, JULY = datetime(2026, 1, 15, 18, tzinfo=UTC), datetime(2026, 7, 15, 18, tzinfo=UTC)
WEAR = "weight = 1.0"
TWELVE = "[0, 1, 4, 8, 12, 16, 19, 18, 14, 9, 4, 1]"


def site_with(folder: Path, keys: str) -> Site:
    return read_site(write_site(folder, site={WEAR: f"{WEAR}\n{keys}"}))


def test_without_a_word_the_law_is_that_of_depth(tmp_path: Path) -> None:
    """The segments are those of the file's coefficient and exponent, and nothing ages by time."""
    site = read_site(write_site(tmp_path))
    found = wear_tonight(site, JULY)
    expected = wear_segments(PUBLISHED_DEPTH_LAW, 6800.0, 52.0, site.wear.segment_edges_percent)
    np.testing.assert_allclose(found.segments.price_per_kwh, expected.price_per_kwh, rtol=1e-12)
    assert found.calendar is None
    assert found.warnings == ()


def test_a_flat_law_is_one_price(tmp_path: Path) -> None:
    """Battery price over the energy of its life, Kempton and Tomić 2005: 6800 / (1600 × 52 kWh)."""
    site = site_with(tmp_path, 'law = "flat"\nlife_full_cycles = 1600')
    np.testing.assert_allclose(wear_tonight(site, JULY).segments.price_per_kwh, 6800 / (1600 * 52.0))


def test_temperature_goes_by_the_month(tmp_path: Path) -> None:
    """Twelve values, January first; one value is every month's; none is the reference of the laws, 25 degrees C."""
    site = site_with(tmp_path, f'calendar_law = "stress"\nbattery_temp_degc = {TWELVE}')
    assert battery_temp_degc(site, JANUARY) == 0
    assert battery_temp_degc(site, JULY) == 19
    assert battery_temp_degc(read_site(write_site(tmp_path / "none")), JULY) == 25
    cold, warm = (wear_tonight(site, when).calendar for when in (JANUARY, JULY))
    assert cold is not None
    assert warm is not None
    assert cold.cost(np.array([26.0]))[0] < warm.cost(np.array([26.0]))[0]


def test_standing_at_half_charge_costs_what_the_law_says(tmp_path: Path) -> None:
    """At 25 degrees C and half charge an hour uses 4.14e-10 × 3600 of f, Xu, Oudalov et al. 2018, over f at 80 %."""
    site = site_with(tmp_path, 'calendar_law = "stress"\nbattery_temp_degc = 25')
    calendar = wear_tonight(site, JULY).calendar
    assert calendar is not None
    expected = 6800 * TIME_STRESS_PER_HOUR / STRESS_AT_END
    assert calendar.cost(np.array([26.0]))[0] == pytest.approx(expected, rel=0.02)


def test_values_outside_the_laws_range_warn(tmp_path: Path) -> None:
    """A cold month for the law "stress", which holds from 15 degrees C; a warm one is inside."""
    site = site_with(tmp_path, f'calendar_law = "stress"\nbattery_temp_degc = {TWELVE}')
    (told,) = wear_tonight(site, JANUARY).warnings
    assert told == 'Wear law "stress": temperatures of 0 °C lie outside 15 to 55 °C, where it was measured.'
    assert wear_tonight(site, JULY).warnings == ()


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ('law = "dept"', 'wear.law: found "dept"; did you mean depth?'),
        ('law = "flat"', 'wear.life_full_cycles: missing, and required where law is "flat": 10 to 1000000'),
        ('law = "stress"', 'wear.battery_temp_degc: missing, and required by the wear law "stress"'),
        ('calendar_law = "nmc"\nbattery_temp_degc = 20', "wear.battery_age_years: missing"),
        ('calendar_law = "depth"', 'wear.calendar_law: found "depth"'),
        ("battery_temp_degc = 298.15", "wear.battery_temp_degc: found 298.15, perhaps kelvin"),
        ("battery_temp_degc = [1, 2, 3]", "wear.battery_temp_degc: found 3 temperatures"),
        ("battery_age_years = -1", "wear.battery_age_years: -1 is under 0; expected 0 to 40"),
    ],
)
def test_wear_keys_that_are_at_fault(tmp_path: Path, keys: str, said: str) -> None:
    """Each names the key and what is allowed."""
    with pytest.raises(InputFaults) as error:
        site_with(tmp_path, keys)
    assert said in str(error.value)


def test_an_evening_discharge_can_spare_the_battery() -> None:
    """Ageing by time dearer than cycling: at a price that pays for nothing the car still gives, and wear is less."""
    steep = CalendarPrice(np.array([0.0, 40.0]), np.array([0.0, 0.4]))
    night = flat_night(12, soc_percent=78.0, wear_price_per_kwh=0.001)
    night = replace(night, calendar=steep, stored_energy=one_price(0.3, night.car.ceiling_kwh))
    plan, kept = solve(night), solve(night, may_discharge=False)
    with_discharge, without = verify(night, plan).costs, verify(night, kept).costs
    assert plan.setpoints.gives_energy
    assert with_discharge.calendar_wear < without.calendar_wear
    assert with_discharge.cycle_wear > without.cycle_wear
    assert with_discharge.wear < without.wear
    free = replace(night, calendar=None)
    assert not solve(free).setpoints.gives_energy


def test_ageing_is_the_mean_of_the_two_ends() -> None:
    """A car left alone: hours × the price at what it holds, whatever the intervals."""
    price = CalendarPrice(np.array([8.0, 24.0, 40.0]), np.array([0.01, 0.02, 0.05]))
    night = replace(flat_night(5, soc_percent=60.0), calendar=price)
    nothing = np.zeros(night.intervals)
    idle = setpoints_from_powers(night, nothing, nothing, nothing, nothing)
    expected = float(night.hours.sum()) * float(price.cost(np.array([night.stored_now_kwh]))[0])
    assert replay(night, idle).costs.calendar_wear == pytest.approx(expected)


def test_words_on_other_laws() -> None:
    """Energies by law, and what this plan gives; nothing of laws by which it is off by less than is worth telling."""
    found = (OtherLaw("flat", 8.61, 14.94, 0.2), OtherLaw("nmc", 0.0, 14.94, 1.0))
    assert other_laws_text(found, 0.1, "EUR") == (
        "By another wear law this plan costs over 0.10 EUR more than need be: the car would discharge "
        '8.6 kWh ("flat") or 0.00 kWh ("nmc") instead of 14.9 kWh.',
    )
    assert other_laws_text((), 0.1, "EUR") == ()
    assert other_laws_text(found, 1.0, "EUR") == ()


def test_cycles_are_priced_down_from_the_ceiling(tmp_path: Path) -> None:
    """60 % of the battery from a ceiling of 80 % lie around half charge, 20 % around 70 %: what "nmc" says of each."""
    site = read_site(write_site(tmp_path))
    assert site.car.ceiling_percent == 80
    segments, law = segments_of(site, "nmc", JULY), wear_law("nmc", site.wear.law_settings)
    charged = dict(
        zip(site.wear.segment_edges_percent, np.cumsum(segments.size_kwh * segments.price_per_kwh), strict=True)
    )
    for depth, middle in ((60, 0.5), (20, 0.7), (5, 0.775)):
        by_law = 6800 * float(law.life_lost(np.array([depth / 100]), middle, 25.0)[0])
        assert charged[depth] == pytest.approx(by_law, rel=2e-3)


def test_segments_of_any_law_have_the_sites_edges(tmp_path: Path) -> None:
    """So a night begins with the same energy in each segment, by whatever law it is priced."""
    site = read_site(write_site(tmp_path))
    for law in ("flat", "depth", "stress", "nmc"):
        segments = segments_of(site, law, JULY)
        np.testing.assert_allclose(segments.size_kwh.cumsum(), np.array(site.wear.segment_edges_percent) * 0.52)
        assert (np.diff(segments.price_per_kwh) >= 0).all()
