"""Every site inside the bounds is planned, or refused before anything is solved."""

from __future__ import annotations

import re
from pathlib import Path
from random import Random

import numpy as np
import pytest

from scheduler.nights.parse_request import RequestOptions
from scheduler.plans.plan_tonight import plan_tonight
from scheduler.textio.errors import InputFaults
from tests.builders.sites import write_site

NOW = "2026-03-12T18:00"
SITE_CORNERS: dict[str, tuple[object, ...]] = {
    "import_limit_kw": (0.5, 3, 2000),
    "export_limit_kw": (0, 0.01, 2000),
    "battery_kwh": (1, 1.7, 300, 2000),
    "floor_percent": (0, 1, 79.9),
    "ceiling_percent": (20.1, 99.9, 100),
    "consumption_kwh_per_100km": (2, 100, 500),
    "on_the_way_price_per_kwh": (0, 0.0001, 1e6),
    "charge_min_kw": (0, 0.01, 7.4),
    "charge_max_kw": (1.4, 22, 1000),
    "discharge_min_kw": (0, 0.01, 7.4),
    "discharge_max_kw": (1.2, 22, 1000),
    "charge_efficiency_percent": (50, 99.99, 100),
    "discharge_efficiency_percent": (50, 99.99, 100),
    "fixed_loss_kw": (0.001, 1, 7),
    "battery_price": (0, 0.01, 1e9, 1e11),
    "depth_coefficient": (0, 1e-9, 0.1),
    "depth_exponent": (1, 1.001, 10),
    "weight": (0, 0.001, 1000),
    "horizon_hours": (1, 1.01, 7.37, 36),
    "volts": (80, 1000),
    "distance_km": (0, 0.001, 500, 5000),
}
ADDED_CORNERS: dict[tuple[str, str], tuple[object, ...]] = {
    ("[car]", "trip_margin_percent"): (0, 200),
    ("[car]", "return_reserve_percent"): (0, 1, 100),
    ("[car]", "ready_minutes_before"): (0, 720, 1440),
    ("[car]", "outside_window_factor"): (0, 0.001, 100),
    ("[car]", "discharge_limit_kwh"): (0, 0.001, 10_000),
    ("[charger]", "start_worth_kwh"): (0.001, 10),
    ("[plan]", "stored_energy_price_per_kwh"): (0, 1e-6, 1e6),
}
OFFER_CORNERS: dict[str, tuple[object, ...]] = {
    "price_per_kwh = 0.34": (-1e6, 0, 1e-6, 1e6),
    "price_per_kwh = 0.12": (-1e6, 0, 1e-6, 1e6),
    "price_per_kwh = 0.05": (-1e6, -1, 0, 30, 1e6),
    "price_per_kwh = 0.45": (-1e6, 0, 1e-6, 1e6),
}


def write_corner(folder: Path, random: Random) -> Path:
    """A site with one to three numbers at a corner of their bounds, or an odd value between."""
    write_site(folder)
    site, offer = folder / "site.toml", folder / "offers" / "evening.toml"
    picked = random.sample([*SITE_CORNERS, *ADDED_CORNERS, *OFFER_CORNERS], random.randint(1, 3))
    for key in picked:
        file = offer if key in OFFER_CORNERS else site
        text = file.read_text(encoding="utf-8")
        if isinstance(key, tuple):
            changed = text.replace(f"{key[0]}\n", f"{key[0]}\n{key[1]} = {random.choice(ADDED_CORNERS[key])!r}\n")
        elif key in OFFER_CORNERS:
            changed = text.replace(key, f"price_per_kwh = {random.choice(OFFER_CORNERS[key])!r}")
        else:
            changed = re.sub(rf"(?m)^{key} = .*$", f"{key} = {random.choice(SITE_CORNERS[key])!r}", text)
        assert changed != text
        file.write_text(changed, encoding="utf-8")
    return folder


@pytest.mark.parametrize("seed", range(16))
def test_a_corner_of_the_bounds_is_planned_or_refused(tmp_path: Path, seed: int) -> None:
    """The plan keeps the meter's balance and the battery's limits; a refusal names one of the site's own files."""
    folder = write_corner(tmp_path / "site", Random(seed))
    plan, refused_by = None, set()
    try:
        plan = plan_tonight(folder, RequestOptions(71, NOW, forecast="samples" if seed % 4 == 0 else "typical"))
    except InputFaults as error:
        refused_by = {fault.file for fault in error.faults}
    assert refused_by <= {str(folder / "site.toml"), str(folder / "offers" / "evening.toml")}
    if plan is None:
        return
    night, powers, found = plan.night, plan.answer.setpoints, plan.replayed
    net_kw = night.load_kw - night.solar_kw + powers.curtailed_kw + powers.charge_kw - powers.discharge_kw
    np.testing.assert_allclose(found.import_kw - found.export_kw, net_kw, atol=1e-6)
    assert found.stored_kwh.min() >= -1e-6
    assert found.stored_kwh.max() <= night.car.battery_kwh + 1e-6


def test_a_battery_whose_wear_outweighs_every_price_is_planned(tmp_path: Path) -> None:
    """At a price of 1e9 a kWh from the battery is worth more than any evening: it is not discharged."""
    folder = write_site(tmp_path / "site", site={"battery_price = 6800": "battery_price = 1e9"})
    plan = plan_tonight(folder, RequestOptions(71, NOW, forecast="typical"))
    assert not plan.answer.setpoints.gives_energy
