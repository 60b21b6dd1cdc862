"""Read a file of sizes, in TOML or CSV: values of car battery, charger, roof and battery price to go through."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import prod
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, Field

from scheduler.inputs.site_file import SiteChanges
from scheduler.textio.bounds import BATTERY_KWH, MONEY, POWER_OVER_0_KW, SOLAR_SCALE, Bound
from scheduler.textio.csv_rows import number_problem, read_rows
from scheduler.textio.errors import Fault, InputFaults, in_line_order, shown, single_fault
from scheduler.textio.toml_tables import Table, check_table, read_toml
from scheduler.textio.toml_values import FormatOne

MOST_SIZES = 60
"""Most combinations of a file: each is rolled under every offer."""
SIZE_BEGINS = "size"
"""Begins the names of sizes, before an underline, which no offer's name in file names has."""
_LIST_TEXT = "a list of numbers, each once: "
BOUNDS: Mapping[str, Bound] = {
    "battery_kwh": BATTERY_KWH,
    "charger_kw": POWER_OVER_0_KW,
    "solar_scale": SOLAR_SCALE,
    "battery_price": MONEY,
}
"""The keys, which are a CSV file's columns too."""


@dataclass(frozen=True, slots=True)
class Size:
    """One combination; None leaves what the site has.

    Attributes
    ----------
    battery_kwh : usable capacity of the car's battery [kWh]. charger_kw : most power of the charger both ways [kW].
    solar_scale : factor on the solar series [-]. battery_price : of a replacement battery [money].
    """

    battery_kwh: float | None = None
    charger_kw: float | None = None
    solar_scale: float | None = None
    battery_price: float | None = None

    @property
    def name(self) -> str:
        """Return a name for files, the same for the same values.

        >>> Size(battery_kwh=58.0, solar_scale=1.5).name
        'size_battery58_solar1.5'
        """
        given = (self.battery_kwh, self.charger_kw, self.solar_scale, self.battery_price)
        named = zip(("battery", "charger", "solar", "price"), given, strict=True)
        return "_".join([SIZE_BEGINS, *(f"{key}{value:.12g}" for key, value in named if value is not None)])

    @property
    def changes(self) -> SiteChanges:
        """Return the values of site.toml that it stands for, by table and key."""
        found = {
            ("car", "battery_kwh"): self.battery_kwh,
            ("charger", "charge_max_kw"): self.charger_kw,
            ("charger", "discharge_max_kw"): self.charger_kw,
            ("data", "solar_scale"): self.solar_scale,
            ("wear", "battery_price"): self.battery_price,
        }
        return {key: value for key, value in found.items() if value is not None}


def _each_once(numbers: list[float]) -> list[float]:
    if not numbers or len(set(numbers)) < len(numbers):
        raise ValueError(f"found {shown(numbers)}")
    return numbers


class SizesTable(Table):
    """The whole file in TOML."""

    format: FormatOne
    battery_kwh: Annotated[list[Annotated[float, BATTERY_KWH]], AfterValidator(_each_once)] | None = Field(
        default=None, description=f"{_LIST_TEXT}{BATTERY_KWH.text}"
    )
    charger_kw: Annotated[list[Annotated[float, POWER_OVER_0_KW]], AfterValidator(_each_once)] | None = Field(
        default=None, description=f"{_LIST_TEXT}{POWER_OVER_0_KW.text}"
    )
    solar_scale: Annotated[list[Annotated[float, SOLAR_SCALE]], AfterValidator(_each_once)] | None = Field(
        default=None, description=f"{_LIST_TEXT}{SOLAR_SCALE.text}"
    )
    battery_price: Annotated[list[Annotated[float, MONEY]], AfterValidator(_each_once)] | None = Field(
        default=None, description=f"{_LIST_TEXT}{MONEY.text}"
    )


def read_sizes(path: Path) -> tuple[Size, ...]:
    """Return every combination of a file's values, the last key changing fastest.

    A file whose name ends in .csv has a column per key, with its values below each other; columns may be of unequal
    length. Any other is read as TOML, with a list per key.

    Raises
    ------
    InputFaults : every fault of the file; no values, or too many combinations.
    """
    values = _from_csv(path) if path.suffix.lower() == ".csv" else _from_toml(path)
    if not values:
        raise single_fault(path, f"it has no values; expected some of {', '.join(BOUNDS)}")
    count = prod(len(each) for each in values.values())
    if count > MOST_SIZES:
        raise single_fault(path, f"its values make {count} combinations; expected up to {MOST_SIZES}")
    return tuple(Size(**dict(zip(values, each, strict=True))) for each in itertools.product(*values.values()))


def _from_toml(path: Path) -> dict[str, Sequence[float]]:
    document = read_toml(path)
    faults: list[Fault] = []
    table = check_table(document, (), SizesTable, faults)
    if faults or table is None:
        raise InputFaults(in_line_order(faults))
    return {key: values for key in BOUNDS if (values := getattr(table, key)) is not None}


def _from_csv(path: Path) -> dict[str, Sequence[float]]:
    faults: list[Fault] = []
    found: dict[str, list[float]] = {}
    for line, cells in read_rows(path, (), faults, tuple(BOUNDS)):
        for key, cell in zip(BOUNDS, cells, strict=True):
            if cell:
                faults += _cell_faults(path, line, key, cell, found.setdefault(key, []))
    if faults:
        raise InputFaults(in_line_order(faults))
    return {key: found[key] for key in BOUNDS if key in found}


def _cell_faults(path: Path, line: int, key: str, cell: str, values: list[float]) -> Iterator[Fault]:
    """Add a cell's number to the values of its column, or yield what is wrong with it."""
    problem = number_problem(cell, BOUNDS[key])
    if problem is None and float(cell) in values:
        problem = f"{shown(cell)} stands there already; expected each value once"
    if problem is not None:
        yield Fault(str(path), line, key, problem)
        return
    values.append(float(cell))
