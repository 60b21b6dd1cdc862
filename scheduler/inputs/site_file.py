"""Read `site.toml` strictly into a Site."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from models.base.clock import MINUTES_A_DAY
from models.site.car import Car
from models.site.charger import Charger
from models.site.connection import Connection, ExportWindow
from scheduler.inputs.control_mode import Setting
from scheduler.inputs.site import PlanSettings, Site, UsualTrip, WearSettings
from scheduler.inputs.site_schema import (
    MOST_EXPORT_WINDOWS,
    MOST_USUAL_TRIPS,
    CarTable,
    ChargerTable,
    ConnectionTable,
    DataTable,
    ExportWindowTable,
    PlanTable,
    RootTable,
    SiteTable,
    SolarTable,
    UsualTripTable,
    WearTable,
)
from scheduler.textio.errors import Fault, InputFaults, in_line_order, shown, single_fault
from scheduler.textio.read_text import file_problem, folder_problem
from scheduler.textio.toml_tables import TomlDocument, check_table, check_tables, read_toml
from scheduler.textio.toml_values import DAYS, clock_of_minutes

SITE_FILE = "site.toml"
SiteChanges = Mapping[tuple[str, str], object]
"""Values by table and key."""
NO_CHANGES: SiteChanges = MappingProxyType({})
DATA_KEYS = ("offer", "load", "solar", "trips", "emissions")
SETTING_KEYS = {
    "set_by",
    "max_blocks",
    "min_block_minutes",
    "setting_worth",
    "settings_between",
    "timer",
    "allow_high_minimum",
}
MINUTES_A_WEEK = 7 * MINUTES_A_DAY


@dataclass(frozen=True, slots=True)
class SiteReading:
    """What `site.toml` gave, faulty or not.

    Attributes
    ----------
    site : None if anything in the file is at fault.
    faults : everything wrong with the file, in line order.
    data_files : the data files that are named and exist, by key of `[data]`.
    has_calendar : whether a holiday calendar is named; None if `[site]` is faulty.
    """

    site: Site | None
    faults: tuple[Fault, ...]
    data_files: Mapping[str, Path]
    has_calendar: bool | None


@dataclass(frozen=True, slots=True)
class SiteClock:
    """What commands on meter files need from a site: its name, IANA time zone, and holiday calendar or None."""

    name: str
    timezone: str
    holiday_calendar: str | None


def read_site(folder: Path, changes: SiteChanges = NO_CHANGES) -> Site:
    """Read the site that a folder describes.

    Parameters
    ----------
    changes : values to use instead of the file's, by table and key.

    Raises
    ------
    InputFaults : every fault of the folder's `site.toml`, or of it as changed.
    """
    reading = examine_site(folder, changes)
    if reading.site is None:
        raise InputFaults(reading.faults)
    return reading.site


def examine_site(folder: Path, changes: SiteChanges = NO_CHANGES) -> SiteReading:
    """Read as much of a folder's `site.toml` as possible, with changes as in read_site; never raises InputFaults."""
    problem = folder_problem(folder)
    if problem is not None:
        return SiteReading(None, (Fault(str(folder), None, None, problem),), {}, None)
    try:
        document = read_toml(folder / SITE_FILE)
    except InputFaults as error:
        return SiteReading(None, error.faults, {}, None)
    for (table, key), value in changes.items():
        inside = document.values.setdefault(table, {})
        if isinstance(inside, dict):
            inside[key] = value
    faults: list[Fault] = []
    check_table(document, (), RootTable, faults)
    site = check_table(document, ("site",), SiteTable, faults)
    connection = check_table(document, ("connection",), ConnectionTable, faults)
    windows = check_tables(document, "export_window", ExportWindowTable, faults, MOST_EXPORT_WINDOWS, ("connection",))
    car = check_table(document, ("car",), CarTable, faults)
    charger = check_table(document, ("charger",), ChargerTable, faults)
    solar = check_table(document, ("solar",), SolarTable, faults)
    wear = check_table(document, ("wear",), WearTable, faults)
    plan = check_table(document, ("plan",), PlanTable, faults)
    data = check_table(document, ("data",), DataTable, faults)
    usual_trips = check_tables(document, "usual_trip", UsualTripTable, faults, MOST_USUAL_TRIPS)
    faults += overlapping_trips(document, usual_trips)
    faults += _solar_without_series(document)
    faults += _surplus_without_solar(document)
    faults += _price_without_emissions(document)
    data_files = _data_files(document, folder, faults)
    has_calendar = None if site is None else site.holiday_calendar is not None

    whole: Site | None = None
    # every table is there unless a fault was found; the type checker needs each one named
    if not faults and site and connection and car and charger and wear and plan and data:
        whole = Site(
            folder=folder,
            name=site.name,
            timezone=site.timezone,
            holiday_calendar=site.holiday_calendar,
            connection=Connection(
                connection.import_limit_kw,
                connection.export_limit_kw,
                tuple(ExportWindow(window.when, window.export_limit_kw) for window in windows if window),
            ),
            car=_car(car),
            charger=Charger(**charger.model_dump(exclude=SETTING_KEYS)),
            solar_can_be_limited=solar is not None and solar.can_be_limited,
            wear=WearSettings(
                battery_price=wear.battery_price,
                segment_edges_percent=tuple(wear.segment_edges_percent),
                weight=wear.weight,
                law=wear.law,
                depth_law=wear.depth_law,
                life_full_cycles=wear.life_full_cycles,
                calendar_law=wear.calendar_law,
                battery_age_years=wear.battery_age_years,
                battery_temp_degc=wear.battery_temp_degc,
            ),
            plan=PlanSettings(
                plan.step_minutes,
                plan.horizon_hours,
                plan.stored_energy_price_per_kwh,
                plan.evening,
                plan.trip_notice_hours,
                plan.short_chance_percent,
                plan.emissions_price_per_tonne,
            ),
            usual_trips=tuple(UsualTrip(**trip.model_dump()) for trip in usual_trips if trip),
            offer_file=data_files["offer"],
            load_file=data_files["load"],
            solar_file=data_files.get("solar"),
            trips_file=data_files.get("trips"),
            emissions_file=data_files.get("emissions"),
            setting=Setting(
                charger.set_by,
                charger.max_blocks or 0,
                charger.min_block_minutes or 0,
                charger.setting_worth,
                charger.settings_between,
                charger.timer,
            ),
            solar_scale=data.solar_scale,
        )
    return SiteReading(whole, tuple(in_line_order(faults)), data_files, has_calendar)


def read_site_clock(folder: Path) -> SiteClock:
    """Read `[site]` of a folder's `site.toml`.

    Raises
    ------
    InputFaults : the faults of that table.
    """
    problem = folder_problem(folder)
    if problem is not None:
        raise single_fault(folder, problem)
    document = read_toml(folder / SITE_FILE)
    faults: list[Fault] = []
    site = check_table(document, ("site",), SiteTable, faults)
    if site is None:
        raise InputFaults(faults or [document.fault(("site",), "missing, and required: a table [site]")])
    return SiteClock(site.name, site.timezone, site.holiday_calendar)


def _car(table: CarTable) -> Car:
    """Return the car; its return reserve is the floor where none is given."""
    values = table.model_dump()
    if table.return_reserve_percent is None:
        values["return_reserve_percent"] = table.floor_percent
    return Car(**values)


def _data_files(document: TomlDocument, folder: Path, faults: list[Fault]) -> dict[str, Path]:
    """Return the files of `[data]` that exist, by key; add a fault for each that does not."""
    table = document.values.get("data")
    found = {}
    for key in DATA_KEYS:
        name = table.get(key) if isinstance(table, dict) else None
        if not isinstance(name, str):
            continue
        problem = file_problem(folder / name)
        if problem is None:
            found[key] = folder / name
        else:
            faults.append(
                document.fault(("data", key), f"{shown(name)}: {problem}; expected a file, relative to the site folder")
            )
    return found


def _surplus_without_solar(document: TomlDocument) -> Iterator[Fault]:
    """Yield a fault if the charger is to follow the surplus of a site without solar."""
    charger = document.values.get("charger")
    if isinstance(charger, dict) and charger.get("can_follow_surplus") is True and "solar" not in document.values:
        message = "there is no [solar] table, so there is no surplus to follow; expected false, or a [solar] table"
        yield document.fault(("charger", "can_follow_surplus"), message)


def _price_without_emissions(document: TomlDocument) -> Iterator[Fault]:
    """Yield a fault if emissions have a price but there is no series of them."""
    plan, data = document.values.get("plan"), document.values.get("data")
    price = plan.get("emissions_price_per_tonne") if isinstance(plan, dict) else None
    if price and isinstance(data, dict) and "emissions" not in data:
        message = "there is no data.emissions; expected the file of the grid's emissions there"
        yield document.fault(("plan", "emissions_price_per_tonne"), message)


def _solar_without_series(document: TomlDocument) -> Iterator[Fault]:
    """Yield a fault if there is a table [solar], or a scale of the roof, but no solar series."""
    data = document.values.get("data")
    if "solar" in document.values and isinstance(data, dict) and "solar" not in data:
        yield document.fault(("solar",), "there is no data.solar; expected the file of the solar series there")
    if isinstance(data, dict) and "solar_scale" in data and "solar" not in data:
        yield document.fault(("data", "solar_scale"), "there is no data.solar to scale; expected it, or no solar_scale")


def overlapping_trips(document: TomlDocument, trips: list[UsualTripTable | None]) -> Iterator[Fault]:
    """Yield a fault for each usual trip that departs before another is back; the week repeats."""
    away = sorted(
        (
            day * MINUTES_A_DAY + trip.depart_minute,
            (trip.return_minute - trip.depart_minute) % MINUTES_A_DAY,
            index,
        )
        for index, trip in enumerate(trips)
        if trip is not None
        for day in trip.days
    )
    told = set()
    following = [*away[1:], *away[:1]]
    for (departs, minutes, index), (next_departs, _, next_index) in zip(away, following, strict=True):
        until_next = (next_departs - departs) % MINUTES_A_WEEK
        pair = frozenset((index, next_index))
        if index == next_index or until_next >= minutes or pair in told:
            continue
        told.add(pair)
        day, clock = divmod(next_departs, MINUTES_A_DAY)
        yield document.fault(
            ("usual_trip", next_index),
            f"departs {DAYS[day]} {clock_of_minutes(clock)}, before usual_trip[{index + 1}] is back at "
            f"{clock_of_minutes((departs + minutes) % MINUTES_A_DAY)}; expected trips that do not overlap",
        )
