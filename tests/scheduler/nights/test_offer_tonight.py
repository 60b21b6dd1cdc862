"""Steps and demand charges of an offer as one night sees them: what is left, what is not known, and what is said."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from models.base.time_window import TimeWindow
from models.site.connection import ExportWindow
from models.tariff.offer import Band, DemandCharge, Offer, Tax
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.request import Request
from tests.builders.sites import write_site

# a Monday in winter time: local time is UTC
NOW = datetime(2026, 3, 2, 18, 20, tzinfo=UTC)
BASE = Band(0.30)


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Inputs:
    return read_inputs(write_site(tmp_path_factory.mktemp("site")))


def offer(*imports: Band, exports: tuple[Band, ...] = (), **changes: object) -> Offer:
    return replace(Offer("invented", "EUR", 0.5, imports or (BASE,), exports), **changes)  # type: ignore[arg-type]


def night(inputs: Inputs, tariff: Offer, **asked: object) -> tuple[Night, tuple[str, ...]]:
    """The night of the offer from now."""
    evening = replace(Request(NOW, 50.0), **asked)  # type: ignore[arg-type]
    return build_night(replace(inputs, offer=tariff), evening)


def test_a_daily_step_is_one_for_each_local_day(inputs: Inputs) -> None:
    """From 18:20 to 18:20: a step until midnight with what is left of today, and a whole one from midnight."""
    found, warnings = night(inputs, offer(BASE, Band(0.20, up_to_kwh=10.0)), imported_so_far_kwh={1: 7.0})
    assert warnings == ()
    today, tomorrow = found.tiers
    assert (today.left_kwh, tomorrow.left_kwh) == (3.0, 10.0)
    midnight = found.boundaries.get_loc("2026-03-03T00:00Z")
    assert today.holds.tolist() == [at < midnight for at in range(found.intervals)]
    assert tomorrow.holds.tolist() == [at >= midnight for at in range(found.intervals)]
    assert today.difference[0] == pytest.approx(-0.10)


def test_a_step_of_unknown_use_is_said(inputs: Inputs) -> None:
    """Without a word on what was counted before, all of it is left and a warning asks for it."""
    found, warnings = night(inputs, offer(BASE, Band(0.20, up_to_kwh=10.0)))
    assert found.tiers[0].left_kwh == 10.0
    assert warnings == (
        "The first kWh imported each day have another price. How many are used is not known, so this plan assumes "
        "none; give --imported-so-far if you know it.",
    )


def test_a_step_whose_time_has_not_begun_needs_no_word(inputs: Inputs) -> None:
    """An evening premium from 18:20 on has counted nothing before now."""
    premium = Band(0.40, 18 * 60 + 20, 21 * 60, up_to_kwh=8.0)
    found, warnings = night(inputs, offer(exports=(Band(0.05), premium)))
    assert warnings == ()
    # 18:20 to 21:00 tonight, and 40 minutes of tomorrow's... none: the night ends where tomorrow's begins
    assert [step.left_kwh for step in found.tiers] == [8.0]
    assert found.tiers[0].difference.max() == pytest.approx(0.35)


def test_a_monthly_step_over_the_end_of_a_month(inputs: Inputs) -> None:
    """On 31 March: what is left of March until midnight, all of April's from then on."""
    late = datetime(2026, 3, 31, 17, 0, tzinfo=UTC)
    found, _ = night(
        inputs, offer(BASE, Band(0.20, up_to_kwh=300.0, per="month")), now=late, imported_so_far_kwh={1: 290.0}
    )
    assert [step.left_kwh for step in found.tiers] == [10.0, 300.0]


def test_tax_is_in_prices_steps_and_demand(inputs: Inputs) -> None:
    """A quarter on import and on the demand charge, none on export."""
    tariff = offer(
        BASE,
        Band(0.20, up_to_kwh=10.0),
        exports=(Band(0.05),),
        taxes=(Tax(25.0, frozenset({"import", "demand_charge"})),),
        demand_charges=(DemandCharge(6.0, 60),),
    )
    found, _ = night(inputs, tariff, peak_so_far_kw=2.0, imported_so_far_kwh={1: 0.0})
    assert found.import_price.max() == pytest.approx(0.375)
    assert found.export_price.max() == pytest.approx(0.05)
    assert found.tiers[0].difference[0] == pytest.approx(-0.125)
    assert found.demand[0].price_per_kw == pytest.approx(7.5)


def test_demand_means_of_half_hours_in_quarters(inputs: Inputs) -> None:
    """With quarter-hour steps two intervals make a mean of half an hour, by the clock; the window ends at 21:00."""
    quarters = replace(inputs, site=replace(inputs.site, plan=replace(inputs.site.plan, step_minutes=15)))
    charge = DemandCharge(6.0, 30, TimeWindow(15 * 60, 21 * 60))
    found, _ = night(quarters, offer(demand_charges=(charge,)), peak_so_far_kw=2.0)
    # 18:20-18:30, then halves of two quarters until 21:00
    assert found.demand[0].mean_of[:12].tolist() == [0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 5, -1]
    assert found.demand[0].so_far_kw == 2.0


def test_an_unknown_peak_is_the_buildings_own(inputs: Inputs) -> None:
    """sites.py: the building alone draws at most 1.6 kW; that is taken as the month's highest, and said."""
    found, warnings = night(inputs, offer(demand_charges=(DemandCharge(6.0, 60),)))
    assert found.demand[0].so_far_kw == pytest.approx(1.6)
    assert warnings == (
        "The month's highest demand so far is not known; this plan assumes the most that the building alone should "
        "draw tonight, 1.6 kW. Give --peak-so-far if you know it.",
    )


def test_on_the_first_of_a_month_hours_have_passed(inputs: Inputs) -> None:
    """At 18:20 on 1 March the month has seen 18 hours: its peak is not nothing, and that is said."""
    first = datetime(2026, 3, 1, 18, 20, tzinfo=UTC)
    found, warnings = night(inputs, offer(demand_charges=(DemandCharge(6.0, 60),)), now=first)
    assert found.demand[0].so_far_kw > 0
    assert any("Give --peak-so-far" in warning for warning in warnings)


def test_a_window_past_midnight_belongs_to_the_month_it_began_in(inputs: Inputs) -> None:
    """From 22:00 on 31 March to 06:00 on 1 April is March's."""
    late = datetime(2026, 3, 31, 17, 0, tzinfo=UTC)
    charge = DemandCharge(6.0, 60, TimeWindow(22 * 60, 6 * 60, months=frozenset({3})))
    found, _ = night(inputs, offer(demand_charges=(charge,)), now=late, peak_so_far_kw=4.0)
    assert [month.so_far_kw for month in found.demand] == [4.0]


def test_a_new_month_begins_at_nothing(inputs: Inputs) -> None:
    """On 31 March the month so far is given, and April's first means count from 0."""
    late = datetime(2026, 3, 31, 17, 0, tzinfo=UTC)
    found, warnings = night(inputs, offer(demand_charges=(DemandCharge(6.0, 60),)), now=late, peak_so_far_kw=4.0)
    assert [month.so_far_kw for month in found.demand] == [4.0, 0.0]
    assert not any("demand" in warning for warning in warnings)


def test_each_demand_charge_counts_from_its_own_highest(inputs: Inputs) -> None:
    """Two charges, one with a least; what is told of one charge goes before what is told of all."""
    evening = DemandCharge(6.0, 60, TimeWindow(17 * 60, 21 * 60))
    charges = (evening, DemandCharge(1.0, 60, least_kw=5.0), DemandCharge(1.0, 60, TimeWindow(months=frozenset({7}))))
    found, _ = night(inputs, offer(demand_charges=charges), peak_of_charge_kw={0: 3.0, 1: 2.0})
    assert [(month.charge, month.so_far_kw, month.price_per_kw) for month in found.demand] == [
        (0, 3.0, 6.0),
        (1, 5.0, 1.0),
    ]
    assert (found.demand[0].mean_of >= 0).sum() < (found.demand[1].mean_of >= 0).sum() == found.intervals
    found, _ = night(inputs, offer(demand_charges=charges), peak_so_far_kw=4.0)
    assert [month.so_far_kw for month in found.demand] == [4.0, 5.0]


def test_a_demand_that_is_billed_for_a_year_costs_a_year(inputs: Inputs) -> None:
    """1.5 a month for twelve months and 20 % tax: 21.60 for each kW more; over the end of a month it stays the same."""
    late = datetime(2026, 3, 31, 17, 0, tzinfo=UTC)
    charge = DemandCharge(1.5, 60, look_back_months=12)
    taxes = (Tax(20.0, frozenset({"demand_charge"})),)
    found, warnings = night(inputs, offer(demand_charges=(charge,), taxes=taxes), now=late, peak_so_far_kw=4.0)
    assert [month.so_far_kw for month in found.demand] == [4.0, 4.0]
    assert [month.price_per_kw for month in found.demand] == pytest.approx([21.6, 21.6])
    assert any("would be billed for 12 months" in warning for warning in warnings)


def test_prices_of_parts_are_added_with_their_taxes(inputs: Inputs) -> None:
    """0.30 x 1.1 by day and, from 22:00 on, 0.05 x 1.6 more; a tier of the network has its own factor."""
    tariff = offer(
        BASE,
        Band(0.05, 22 * 60, 24 * 60, part="network"),
        Band(-0.02, up_to_kwh=4.0, part="network"),
        taxes=(Tax(10.0, frozenset({"import"})), Tax(50.0, frozenset({"import"}), "network")),
    )
    found, _ = night(inputs, tariff, imported_so_far_kwh={2: 0.0})
    at_ten = found.boundaries.get_loc("2026-03-02T22:00Z")
    assert found.import_price[at_ten - 1 : at_ten + 1] == pytest.approx([0.33, 0.33 + 0.08])
    assert [tier.band for tier in found.tiers] == [2, 2]
    assert found.tiers[0].difference[at_ten - 1 : at_ten + 1] == pytest.approx([-0.02 * 1.6, -0.07 * 1.6])


def test_amounts_that_the_offer_has_no_use_for_are_said(inputs: Inputs) -> None:
    """Each option that does nothing is named."""
    _, warnings = night(inputs, offer(), peak_so_far_kw=4.0, imported_so_far_kwh={}, exported_so_far_kwh={})
    assert warnings == (
        "--peak-so-far is not used: the offer has no demand charge.",
        "--imported-so-far is not used: the offer has no other price for the first kWh.",
        "--exported-so-far is not used: the offer has no other price for the first kWh.",
    )


def test_the_stored_energy_price_is_what_a_refill_costs_on_top_of_the_building(inputs: Inputs) -> None:
    """Cheap first kWh that the building uses up itself do not make a refill cheap.

    It draws over 2 kWh before midnight and after it: with 2 cheap kWh a day a refill costs 0.30, with 40 it costs 0.20.
    """
    factor = 1.05 * 7.4 / inputs.site.charger.max_into_battery_kw
    for upper, price in ((2.0, 0.30), (40.0, 0.20)):
        found, _ = night(inputs, offer(BASE, Band(0.20, up_to_kwh=upper)), imported_so_far_kwh={1: 0.0})
        assert found.stored_energy_price == pytest.approx(factor * price)


def test_no_refill_where_the_offer_forbids_it(inputs: Inputs) -> None:
    """The cheapest import price counts only where the car may be charged at it."""
    cheap = Band(0.10, 0, 4 * 60)
    ban = Band(0.05, 0, 4 * 60, no_grid_charging=True)
    found, _ = night(inputs, offer(BASE, cheap, exports=(ban,)))
    assert found.only_solar.any()
    factor = 1.05 * 7.4 / inputs.site.charger.max_into_battery_kw
    assert found.stored_energy_price == pytest.approx(factor * 0.30)


def test_an_export_window_of_the_connection(inputs: Inputs) -> None:
    """Between 19:30 and 21:00 only 1 kW may be sent: boundaries there, and that limit inside."""
    window = ExportWindow(TimeWindow(19 * 60 + 30, 21 * 60), 1.0)
    connection = replace(inputs.site.connection, export_windows=(window,))
    limited = replace(inputs, site=replace(inputs.site, connection=connection))
    found, _ = night(limited, offer())
    # 18:20, 19:00, 19:30, 20:00, 21:00
    assert found.export_limit_kw[:5].tolist() == [5.0, 5.0, 1.0, 1.0, 5.0]
    assert np.ptp(found.export_limit_kw[4:20]) == 0


def test_an_export_window_in_the_site_file(tmp_path: Path) -> None:
    """`[[connection.export_window]]` is read with its clock time, and a bad one is a fault with its line."""
    keys = "export_limit_kw = 5.0\n\n[[connection.export_window]]\n"
    good = keys + 'export_limit_kw = 0\nfrom = "10:00"\nto = "15:00"\nmonths = [6, 7]\n'
    site = read_inputs(write_site(tmp_path, site={"export_limit_kw = 5.0\n": good})).site
    assert site.connection.export_windows == (ExportWindow(TimeWindow(600, 900, None, frozenset({6, 7})), 0.0),)
