"""List a site's values by table and key, for tables of many sites."""

from __future__ import annotations

from dataclasses import fields

from scheduler.inputs.site import Site
from scheduler.textio.toml_values import clock_of_minutes


def site_values(site: Site) -> dict[str, float | int | bool | str | None]:
    """Return every single value of a site that can be swept, by names such as `car.floor_percent`; lists as text.

    Usual trips, export windows and files are left out, as they are not single values; so are the wear weight and law,
    which have columns of their own in a sweep.
    """
    wear, plan, setting = site.wear, site.plan, site.setting
    values: dict[str, float | int | bool | str | None] = {
        "connection.import_limit_kw": site.connection.import_limit_kw,
        "connection.export_limit_kw": site.connection.export_limit_kw,
    }
    values |= {f"car.{field.name}": getattr(site.car, field.name) for field in fields(site.car)}
    values |= {f"charger.{field.name}": getattr(site.charger, field.name) for field in fields(site.charger)}
    by_hand = setting.by_hand
    return values | {
        "charger.set_by": setting.set_by,
        "charger.max_blocks": setting.max_blocks if by_hand else None,
        "charger.min_block_minutes": setting.min_block_minutes if by_hand else None,
        "charger.setting_worth": setting.worth if by_hand else None,
        "charger.settings_between": _hours_text(setting.between) if by_hand else None,
        "charger.timer": setting.timer if by_hand else None,
        "solar.can_be_limited": site.solar_can_be_limited,
        "data.solar_scale": site.solar_scale,
        "wear.battery_price": wear.battery_price,
        "wear.depth_coefficient": None if wear.depth_law is None else wear.depth_law.coefficient,
        "wear.depth_exponent": None if wear.depth_law is None else wear.depth_law.exponent,
        "wear.life_full_cycles": wear.life_full_cycles,
        "wear.segment_edges_percent": _values_text(wear.segment_edges_percent),
        "wear.calendar_law": wear.calendar_law,
        "wear.battery_age_years": wear.battery_age_years,
        "wear.battery_temp_degc": None if wear.battery_temp_degc is None else _values_text(wear.battery_temp_degc),
        "plan.step_minutes": plan.step_minutes,
        "plan.horizon_hours": plan.horizon_hours,
        "plan.stored_energy_price_per_kwh": plan.stored_energy_price_per_kwh,
        "plan.evening": clock_of_minutes(plan.evening_minute),
        "plan.trip_notice_hours": plan.trip_notice_hours,
        "plan.short_chance_percent": plan.short_chance_percent,
        "plan.emissions_price_per_tonne": plan.emissions_price_per_tonne,
    }


def _hours_text(between: tuple[int, int] | None) -> str | None:
    return None if between is None else " ".join(clock_of_minutes(minute) for minute in between)


def _values_text(numbers: tuple[float, ...]) -> str:
    return " ".join(f"{number:g}" for number in numbers)
