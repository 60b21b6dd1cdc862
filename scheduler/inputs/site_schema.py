"""The tables of `site.toml`: keys, defaults, what is expected, and contradictions inside a table."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator
from datetime import date
from math import ceil, floor
from typing import Annotated, Any

from pydantic import AfterValidator, Field

from models.base.calendars import public_holidays
from models.drive.pace import Pace
from models.site.charger import DischargeTo
from models.wear.law import LawSettings
from models.wear.laws import WEAR_LAWS, calendar_law_names, wear_law
from models.wear.segments import PowerLaw
from scheduler.inputs.control_mode import WAKING_HOURS, SetBy
from scheduler.inputs.find_place import find_calendar, find_zone
from scheduler.inputs.site import EVENING_MINUTE, SHORT_CHANCE_PERCENT, TRIP_NOTICE_HOURS
from scheduler.inputs.time_window_schema import TimeWindowTable
from scheduler.textio.bounds import (
    AGE_YEARS,
    BATTERY_DEGC,
    BATTERY_KWH,
    CONNECTION_KW,
    CONSUMPTION,
    COST_PER_KWH,
    DEPTH_COEFFICIENT,
    DEPTH_EXPONENT,
    DISTANCE_KM,
    EFFICIENCY_PERCENT,
    EXPORT_KW,
    FIXED_LOSS_KW,
    HORIZON_HOURS,
    LIFE_CYCLES,
    MARGIN_PERCENT,
    MONEY,
    NIGHT_KWH,
    NOTICE_HOURS,
    POWER_KW,
    POWER_OVER_0_KW,
    PRICE_PER_TONNE,
    SETTING_MONEY,
    SHORT_CHANCE,
    SOC_PERCENT,
    SOLAR_SCALE,
    START_KWH,
    VOLTS,
    WEAR_WEIGHT,
    WINDOW_FACTOR,
)
from scheduler.textio.errors import did_you_mean, shown
from scheduler.textio.toml_tables import Table, expected_text
from scheduler.textio.toml_values import (
    BlockMinutes,
    Clock,
    Days,
    EdgesPercent,
    FilePath,
    FormatOne,
    Hours,
    MaxBlocks,
    Name,
    Phases,
    ReadyMinutes,
    Step,
    YesOrNo,
    clock_of_minutes,
)

MONTHS = 12
MOST_LEAST_SHARE = 0.5
"""A lowest power over this share of the highest is refused unless it is said to be meant: chargers start at 6 A of 16 A
or 32 A (IEC 61851-1)."""
MOST_USUAL_TRIPS, MOST_EXPORT_WINDOWS = 100, 50
LAWS_IN_WORDS = ", ".join(f'"{name}"' for name in WEAR_LAWS)
_CALENDAR_LAWS_IN_WORDS = " or ".join(f'"{name}"' for name in calendar_law_names())


def _known(names: Collection[str]) -> Callable[[str], str]:
    """Return a check that refuses a name that is not among these."""

    def check(name: str) -> str:
        if name not in names:
            raise ValueError(f"found {shown(name)}{did_you_mean(name, names)}")
        return name

    return check


def _twelve_temps(value: object) -> tuple[float, ...]:
    """Return the temperature of each month [°C], shape (12,), from one for all or a list of twelve."""
    temps: list[Any] = value if isinstance(value, list) else [value] * MONTHS
    if len(temps) != MONTHS:
        raise ValueError(f"found {len(temps)} temperatures")
    for temp in temps:
        if isinstance(temp, bool) or not isinstance(temp, int | float) or not BATTERY_DEGC.accepts(temp):
            kelvin = isinstance(temp, int | float) and temp > BATTERY_DEGC.most
            raise ValueError(f"found {shown(temp)}{', perhaps kelvin' if kelvin else ''}")
    return tuple(float(temp) for temp in temps)


def _zone(text: str) -> str:
    """Return the time zone that is meant; the text itself where none or several are, which the table refuses."""
    try:
        return find_zone(text)
    except ValueError:
        return text


LawName = Annotated[str, AfterValidator(_known(tuple(WEAR_LAWS))), Field(description=LAWS_IN_WORDS)]
CalendarLawName = Annotated[str, AfterValidator(_known(calendar_law_names()))]
TempsDegc = Annotated[Any, AfterValidator(_twelve_temps)]
AnyTable = Annotated[dict[str, Any], Field(description="a table")]
Text = Annotated[str, Field(description="text")]


class RootTable(Table):
    """The whole file."""

    format: FormatOne
    site: AnyTable
    connection: AnyTable
    car: AnyTable
    charger: AnyTable
    solar: AnyTable | None = None
    wear: AnyTable
    plan: AnyTable
    data: AnyTable
    usual_trip: list[dict[str, Any]] = Field(
        default=[], max_length=MOST_USUAL_TRIPS, description=f"up to {MOST_USUAL_TRIPS} [[usual_trip]] tables"
    )


class SiteTable(Table):
    """`[site]`."""

    name: Name
    timezone: Annotated[str, AfterValidator(_zone), Field(description="text")]
    holiday_calendar: Annotated[str, AfterValidator(find_calendar), Field(description="text")] | None = None

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Refuse a time zone or a calendar that is not known."""
        try:
            find_zone(self.timezone)
        except ValueError as error:
            yield "timezone", str(error)
        if self.holiday_calendar is not None and not _calendar_is_known(self.holiday_calendar):
            yield (
                "holiday_calendar",
                f"{shown(self.holiday_calendar)} is not known; expected an ISO 3166 country or subdivision "
                'such as "IE" or "DE-BY"',
            )


class ConnectionTable(Table):
    """`[connection]`."""

    import_limit_kw: Annotated[float, CONNECTION_KW]
    export_limit_kw: Annotated[float, EXPORT_KW]
    export_window: list[dict[str, Any]] = Field(
        default=[],
        max_length=MOST_EXPORT_WINDOWS,
        description=f"up to {MOST_EXPORT_WINDOWS} [[connection.export_window]] tables",
    )


class ExportWindowTable(TimeWindowTable):
    """One `[[connection.export_window]]`."""

    export_limit_kw: Annotated[float, EXPORT_KW]


class CarTable(Table):
    """`[car]`."""

    battery_kwh: Annotated[float, BATTERY_KWH]
    floor_percent: Annotated[float, SOC_PERCENT]
    ceiling_percent: Annotated[float, SOC_PERCENT]
    consumption_kwh_per_100km: Annotated[float, CONSUMPTION]
    trip_margin_percent: Annotated[float, MARGIN_PERCENT] = 10.0
    return_reserve_percent: Annotated[float, SOC_PERCENT] | None = None
    ready_minutes_before: ReadyMinutes = 30
    on_the_way_price_per_kwh: Annotated[float, COST_PER_KWH]
    outside_window_factor: Annotated[float, WINDOW_FACTOR] = 0.1
    discharge_limit_kwh: Annotated[float, NIGHT_KWH] | None = None
    heats_cabin: YesOrNo = True

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Refuse an empty window."""
        if self.floor_percent >= self.ceiling_percent:
            yield (
                "floor_percent",
                f"{self.floor_percent:g} is not under ceiling_percent; expected 0 to under {self.ceiling_percent:g}",
            )


class ChargerTable(Table):
    """`[charger]`."""

    charge_min_kw: Annotated[float, POWER_KW]
    charge_max_kw: Annotated[float, POWER_OVER_0_KW]
    discharge_min_kw: Annotated[float, POWER_KW]
    discharge_max_kw: Annotated[float, POWER_OVER_0_KW]
    charge_efficiency_percent: Annotated[float, EFFICIENCY_PERCENT]
    discharge_efficiency_percent: Annotated[float, EFFICIENCY_PERCENT]
    fixed_loss_kw: Annotated[float, FIXED_LOSS_KW] = 0.0
    discharge_to: Annotated[DischargeTo, Field(description='"building-and-grid" or "building"')]
    start_worth_kwh: Annotated[float, START_KWH] = 0.1
    volts: Annotated[float, VOLTS]
    phases: Phases
    set_by: Annotated[SetBy, Field(description='"schedule", "blocks" or "current"')] = "schedule"
    max_blocks: MaxBlocks | None = Field(default=None, description="a whole number from 1 to 48")
    min_block_minutes: BlockMinutes | None = Field(default=None, description="a whole number from 5 to 720")
    setting_worth: Annotated[float, SETTING_MONEY] | None = None
    settings_between: Hours = WAKING_HOURS
    timer: YesOrNo = False
    can_stop_at_percent: YesOrNo = False
    can_follow_surplus: YesOrNo = False
    allow_high_minimum: YesOrNo = False

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Refuse a lowest power over the highest, a fixed loss that uses up all power, and blocks without limits."""
        for least_key, least, most_key, most in (
            ("charge_min_kw", self.charge_min_kw, "charge_max_kw", self.charge_max_kw),
            ("discharge_min_kw", self.discharge_min_kw, "discharge_max_kw", self.discharge_max_kw),
        ):
            problem = least_power_problem(least, most, most_key, self.allow_high_minimum)
            if problem is not None:
                yield least_key, problem
        most_into_battery_kw = self.charge_max_kw * self.charge_efficiency_percent / 100
        if self.fixed_loss_kw >= most_into_battery_kw:
            yield (
                "fixed_loss_kw",
                f"{self.fixed_loss_kw:g} leaves nothing for the battery even at charge_max_kw; "
                f"expected under {most_into_battery_kw:g}",
            )
        yield from self._setting_contradictions()

    def _setting_contradictions(self) -> Iterator[tuple[str, str]]:
        """Refuse blocks without limits, and powers between which there is no whole number of amps."""
        if "set_by" not in self.model_fields_set:
            for key in ("max_blocks", "min_block_minutes"):
                if getattr(self, key) is not None:
                    yield key, 'there is no set_by, so it counts for nothing; did you mean set_by = "blocks" as well?'
        for key in ("max_blocks", "min_block_minutes"):
            if self.set_by != "schedule" and getattr(self, key) is None:
                allowed = expected_text(self.__class__, key)
                yield key, f'missing, and required where set_by is "{self.set_by}": {allowed}'
        if self.set_by != "current":
            return
        kw_per_amp = self.volts * self.phases / 1000
        for direction, least, most in (
            ("charge", self.charge_min_kw, self.charge_max_kw),
            ("discharge", self.discharge_min_kw, self.discharge_max_kw),
        ):
            least_amps, most_amps = ceil(least / kw_per_amp - 1e-9), floor(most / kw_per_amp + 1e-9)
            if most_amps < max(1, least_amps):
                enough_kw = max(1, least_amps) * kw_per_amp
                yield (
                    f"{direction}_max_kw",
                    f"{most:g} allows no whole number of amps: at {self.volts:g} V and phases {self.phases} one amp is "
                    f'{kw_per_amp:g} kW; expected {enough_kw:g} or more where set_by is "current"',
                )


def least_power_problem(
    least: float, most: float, most_name: str, allow_high: bool, allowed_by: str = "allow_high_minimum = true"
) -> str | None:
    """Return what is wrong with a lowest power beside the highest [kW], or None.

    Parameters
    ----------
    most_name : what gives the highest power, for the message.
    allow_high : whether a lowest power over half of the highest is meant. allowed_by : what says so.

    Examples
    --------
    >>> least_power_problem(4.0, 7.4, "charge_max_kw", False)
    '4 is over half of charge_max_kw, 7.4; expected 0 to 3.7, or also allow_high_minimum = true; did you mean 0.4?'
    """
    if least > most:
        return f"{least:g} is over {most_name}; expected 0 to {most:g}"
    if allow_high or least <= most * MOST_LEAST_SHARE:
        return None
    meant = f"; did you mean {least / 10:g}?" if least / 10 <= most * MOST_LEAST_SHARE else ""
    return (
        f"{least:g} is over half of {most_name}, {most:g}; expected 0 to {most * MOST_LEAST_SHARE:g}, or also "
        f"{allowed_by}{meant}"
    )


class SolarTable(Table):
    """`[solar]`."""

    can_be_limited: YesOrNo = False


class WearTable(Table):
    """`[wear]`."""

    battery_price: Annotated[float, MONEY]
    law: LawName = "depth"
    depth_coefficient: Annotated[float, DEPTH_COEFFICIENT] | None = None
    depth_exponent: Annotated[float, DEPTH_EXPONENT] | None = None
    life_full_cycles: Annotated[float, LIFE_CYCLES] | None = None
    segment_edges_percent: EdgesPercent = Field(default=[5.0, 10.0, 20.0, 30.0, 45.0, 60.0, 80.0, 100.0])
    weight: Annotated[float, WEAR_WEIGHT]
    calendar_law: CalendarLawName | None = Field(default=None, description=_CALENDAR_LAWS_IN_WORDS)
    battery_age_years: Annotated[float, AGE_YEARS] | None = None
    battery_temp_degc: TempsDegc = Field(
        default=None, description=f"a temperature, {BATTERY_DEGC.text}, or a list of twelve, January first"
    )

    @property
    def depth_law(self) -> PowerLaw | None:
        """Return the depth law if both its keys are given, else None."""
        if self.depth_coefficient is None or self.depth_exponent is None:
            return None
        return PowerLaw(self.depth_coefficient, self.depth_exponent)

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Refuse a law without its parameters."""
        needs = {"depth": ("depth_coefficient", "depth_exponent"), "flat": ("life_full_cycles",)}
        for key in needs.get(self.law, ()):
            if getattr(self, key) is None:
                allowed = expected_text(self.__class__, key)
                yield key, f'missing, and required where law is "{self.law}": {allowed}'
        named = [name for name in (self.law, self.calendar_law) if name is not None]
        laws = {name: wear_law(name, LawSettings()) for name in named}
        warm = [name for name, law in laws.items() if law.valid.temp_degc is not None]
        aged = [name for name, law in laws.items() if hasattr(law, "age_years")]
        for key, wanted in (("battery_temp_degc", warm), ("battery_age_years", aged)):
            if wanted and getattr(self, key) is None:
                allowed = expected_text(self.__class__, key)
                yield key, f'missing, and required by the wear law "{wanted[0]}": {allowed}'


class PlanTable(Table):
    """`[plan]`."""

    step_minutes: Step
    horizon_hours: Annotated[float, HORIZON_HOURS]
    stored_energy_price_per_kwh: Annotated[float, COST_PER_KWH] | None = None
    evening: Clock = EVENING_MINUTE
    trip_notice_hours: Annotated[float, NOTICE_HOURS] = TRIP_NOTICE_HOURS
    short_chance_percent: Annotated[float, SHORT_CHANCE] = SHORT_CHANCE_PERCENT
    emissions_price_per_tonne: Annotated[float, PRICE_PER_TONNE] = 0.0


class DataTable(Table):
    """`[data]`."""

    offer: FilePath
    load: FilePath
    solar: FilePath | None = Field(default=None, description="a file, relative to the site folder")
    solar_scale: Annotated[float, SOLAR_SCALE] = 1.0
    trips: FilePath | None = Field(default=None, description="a file, relative to the site folder")
    emissions: FilePath | None = Field(default=None, description="a file, relative to the site folder")


class UsualTripTable(Table):
    """One `[[usual_trip]]`."""

    days: Days
    depart_minute: Clock = Field(alias="depart")
    return_minute: Clock = Field(alias="return")
    distance_km: Annotated[float, DISTANCE_KM]
    pace: Annotated[Pace, Field(description='"slow", "usual" or "fast"')] = "usual"

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Refuse a trip that takes no time."""
        if self.depart_minute == self.return_minute:
            yield (
                "return",
                f'"{clock_of_minutes(self.return_minute)}" is the departure too; expected any other time '
                "(an earlier one is on the next day)",
            )


def _calendar_is_known(calendar: str) -> bool:
    if not re.fullmatch(r"[A-Z]{2}(-[A-Z0-9]{1,3})?", calendar):
        return False
    try:
        public_holidays(calendar, [date.today().year])
    except ValueError:
        return False
    return True
