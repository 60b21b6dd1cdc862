"""What numbers are accepted: the bounds of every number in a file or an option, and the slips they catch.

A bound is wide enough for odd but real sites, from a light car at a cabin to a bus depot, and for currencies of small
units; what lies outside can only be a slip, most often one of units.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from pydantic import GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from scheduler.textio.parse_number import has_unit, parse_number


@dataclass(frozen=True, slots=True)
class Slip:
    """A slip that can be guessed: the number meant is the number found times `factor`, and `what` says why."""

    factor: float
    what: str


SHARE = Slip(100, "percent, not a share")
WATTS = Slip(1 / 1000, "kW, not W")
WATT_HOURS = Slip(1 / 1000, "kWh, not Wh")
METRES = Slip(1 / 1000, "km, not m")
MINUTES = Slip(1 / 60, "hours, not minutes")
PER_KM = Slip(100, "per 100 km, not per km")
PER_MWH = Slip(1 / 1000, "per kWh, not per MWh")
KILOVOLTS = Slip(1000, "V, not kV")


@dataclass(frozen=True, slots=True)
class Bound:
    """What a number may be.

    Attributes
    ----------
    least, most : both accepted, but for `least` where `over` is true.
    unit : of the number, "" for none.
    over : whether the number must be over `least`.
    zero : whether 0 is accepted besides, where it lies under `least`.
    slip : what a number outside may have meant.
    money : whether a currency may stand with it.

    Examples
    --------
    >>> Bound(1, 1000, "kW", slip=WATTS).problem(7400)
    '7400 is over 1000; expected 1 to 1000 kW; did you mean 7.4 (kW, not W)?'
    """

    least: float
    most: float
    unit: str = ""
    over: bool = False
    zero: bool = False
    slip: Slip | None = None
    money: bool = False

    @property
    def text(self) -> str:
        """What is expected, such as `over 0, up to 1000 kW`."""
        unit = f" {self.unit}" if self.unit else ""
        if self.over:
            return f"over {plain(self.least)}, up to {plain(self.most)}{unit}"
        return f"{'0, or ' if self.zero else ''}{plain(self.least)} to {plain(self.most)}{unit}"

    def accepts(self, value: float) -> bool:
        """Whether the number is one that can be meant."""
        if self.zero and value == 0:
            return True
        return self.least <= value <= self.most and not (self.over and value == self.least)

    def problem(self, value: float, found: str | None = None) -> str | None:
        """What is wrong with a number, and what it may have meant; None if nothing is.

        Parameters
        ----------
        found : the number as it was written, in words; else the number.
        """
        if self.accepts(value):
            return None
        found = plain(value) if found is None else found
        if not math.isfinite(value):
            return f"{found} is not finite; expected {self.text}"
        if value > self.most:
            where = f"over {plain(self.most)}"
        else:
            least = 0.0 if self.zero and value < 0 else self.least
            where = f"{'not over' if self.over and value == least else 'under'} {plain(least)}"
        return f"{found} is {where}; expected {self.text}{self._meant(value)}"

    def _meant(self, value: float) -> str:
        """`; did you mean …?` where the slip can be guessed, or nothing."""
        if self.slip is None or value == 0:
            return ""
        meant = float(f"{value * self.slip.factor:.6g}")
        return f"; did you mean {plain(meant)} ({self.slip.what})?" if self.accepts(meant) else ""

    def meant_by(self, found: object) -> str:
        """`; did you mean …?` where a number was put between quotes or brackets, or nothing."""
        inside, what = found, ""
        if isinstance(inside, list) and len(inside) == 1:
            inside, what = inside[0], "brackets"
        if isinstance(inside, str):
            try:
                inside, what = parse_number(inside, self.unit, self.money), "quotes"
            except ValueError as error:
                return str(error)
        if not what or isinstance(inside, bool) or not isinstance(inside, int | float) or not self.accepts(inside):
            return ""
        return f"; did you mean {plain(inside)}, without {what}?"

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """Read a text that names its unit, such as "58 kWh", as a number; check the number after its type."""
        checked = core_schema.no_info_after_validator_function(self._checked, handler(source))
        return core_schema.no_info_before_validator_function(self._without_unit, checked)

    def _without_unit(self, value: object) -> object:
        """Return the number in a text that names its unit; anything else as it is."""
        if not isinstance(value, str) or not has_unit(value):
            return value
        try:
            return parse_number(value, self.unit, self.money)
        except ValueError:
            return value

    def _checked(self, value: float) -> float:
        if not self.accepts(value):
            raise ValueError(self.problem(value))
        return value


def plain(value: float) -> str:
    """A bound as a person writes it, with an exponent only where it has many digits: `1000000`, `0.1`."""
    return f"{value:.12g}"


POWER_KW = Bound(0, 1000, "kW", slip=WATTS)
POWER_OVER_0_KW = Bound(0.1, 1000, "kW", slip=WATTS)
FIXED_LOSS_KW = Bound(0, 10, "kW", slip=WATTS)
CONNECTION_KW = Bound(0.5, 2000, "kW", slip=WATTS)
EXPORT_KW = Bound(0, 2000, "kW", slip=WATTS)
METERED_KW = Bound(0, 10_000, "kW", slip=WATTS)
BATTERY_KWH = Bound(1, 2000, "kWh", slip=WATT_HOURS)
NIGHT_KWH = Bound(0, 10_000, "kWh", slip=WATT_HOURS)
TIER_KWH = Bound(0.1, 1_000_000, "kWh")
SO_FAR_KWH = Bound(0, 1_000_000, "kWh")
SO_FAR_KW = Bound(0, 10_000, "kW", slip=WATTS)
START_KWH = Bound(0, 10, "kWh", slip=WATT_HOURS)
SETTING_MONEY = Bound(0, 100_000, money=True)
CONSUMPTION = Bound(2, 500, "kWh per 100 km", slip=PER_KM)
DISTANCE_KM = Bound(0, 5000, "km", slip=METRES)
SOC_PERCENT = Bound(1, 100, "%", zero=True, slip=SHARE)
MARGIN_PERCENT = Bound(1, 200, "%", zero=True, slip=SHARE)
EFFICIENCY_PERCENT = Bound(50, 100, "%", slip=SHARE)
TAX_PERCENT = Bound(1, 100, "%", zero=True, slip=SHARE)
WINDOW_FACTOR = Bound(0, 100, "per hour")
VOLTS = Bound(80, 1000, "V", slip=KILOVOLTS)
PRICE_PER_KWH = Bound(-1_000_000, 1_000_000, "per kWh", slip=PER_MWH, money=True)
COST_PER_KWH = Bound(0, 1_000_000, "per kWh", slip=PER_MWH, money=True)
PRICE_PER_MWH = Bound(-1_000_000_000, 1_000_000_000, "per MWh")
PRICE_PER_TONNE = Bound(0, 1_000_000_000, "per tonne")
G_PER_KWH = Bound(0, 5000, "g per kWh")
PRICE_PER_KW = Bound(0, 100_000_000, "per kW and month")
MONTHLY_FEE = Bound(0, 100_000_000, "per month", money=True)
FEE = Bound(0, 100_000_000, "per day", money=True)
MONEY = Bound(0, 100_000_000_000, money=True)
SOLAR_SCALE = Bound(0, 100)
MARKET_FACTOR = Bound(-100, 100)
WEAR_WEIGHT = Bound(0, 1000)
DEPTH_COEFFICIENT = Bound(0, 0.1)
DEPTH_EXPONENT = Bound(1, 10)
LIFE_CYCLES = Bound(10, 1_000_000, "full cycles")
AGE_YEARS = Bound(0, 40, "years")
HORIZON_HOURS = Bound(1, 168, "hours", slip=MINUTES)
NOTICE_HOURS = Bound(0, 168, "hours", slip=MINUTES)
SHORT_CHANCE = Bound(0, 50, "%")
BATTERY_DEGC = Bound(-30, 60, "°C")
OUTSIDE_DEGC = Bound(-50, 55, "°C")
USED_PERCENT = Bound(0, 500, "%")
"""What a drive took from the battery: more than 100 % where it was charged on the way."""
TRACE_DEGC = Bound(-60, 100, "°C")
RATE_PERCENT = Bound(-99, 100, "% a year")
LOSS_EFFICIENCY_PERCENT = Bound(1, 100, "%", over=True, slip=SHARE)
MEASURED_KW = Bound(0, 1000, "kW", over=True, slip=WATTS)
TRACE_PERCENT = Bound(0, 100, "%")
TRACE_HOURS = Bound(0, 168, "hours")
TRACE_KWH = Bound(-1, 10_000, "kWh")
JOBS = Bound(1, 1024, "processes")
METERED_READING = Bound(0, 10_000_000)
"""A reading in any unit of energy or power; what a step of the meter comes to is held to less."""
