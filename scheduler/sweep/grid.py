"""The grid of a sweep: wear weights × wear laws × offers × values of site keys, read and checked whole."""

from __future__ import annotations

import itertools
import json
import math
import tomllib
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal, InvalidOperation
from pathlib import Path

import numpy as np

from models.wear.laws import WEAR_LAWS
from scheduler.inputs.site import Site
from scheduler.inputs.site_file import read_site
from scheduler.inputs.site_inputs import Inputs
from scheduler.inputs.site_schema import (
    CarTable,
    ChargerTable,
    ConnectionTable,
    PlanTable,
    SolarTable,
    WearTable,
)
from scheduler.inputs.site_values import site_values
from scheduler.rolling.simulate import Policy
from scheduler.textio.bounds import WEAR_WEIGHT
from scheduler.textio.errors import Fault, InputFaults, did_you_mean, shown, single_fault
from scheduler.textio.toml_tables import Table

WEIGHTS_OPTION, LAWS_OPTION, SET_OPTION = "--weights", "--laws", "--set"
LEAST_STEP = Decimal("0.000001")
"""Least step of a range of weights [-]."""
MOST_VALUES = 10_000
"""Most values of one range or list."""
TABLES: Mapping[str, type[Table]] = {
    "connection": ConnectionTable,
    "car": CarTable,
    "charger": ChargerTable,
    "solar": SolarTable,
    "wear": WearTable,
    "plan": PlanTable,
}
"""Tables of site.toml whose keys a sweep may set."""
SOLAR_SCALE = "data.solar_scale"
"""The one key of `[data]` that a sweep may set."""
REFERENCES: tuple[Policy, ...] = ("charge-only", "charge-on-return")
REFERENCE_WEIGHT = 1.0
OWN_OPTIONS = {"wear.weight": WEIGHTS_OPTION, "wear.law": LAWS_OPTION}

Key = tuple[str, str]
Changes = tuple[tuple[Key, object], ...]
KeyValues = str | tuple[str, Sequence[object]]
"""A site key and its values: "charger.discharge_min_kw=0,1.2", or ("charger.discharge_min_kw", [0, 1.2])."""


@dataclass(frozen=True, slots=True)
class GridPoint:
    """One run of the grid.

    Attributes
    ----------
    offer : its name for files. weight : factor on wear [-]. law : wear law.
    changes : values of site keys, by table and key, in the order in which they were given.
    policy : how the car is used.
    """

    offer: str
    weight: float
    law: str
    changes: Changes = ()
    policy: Policy = "plan"

    @property
    def group(self) -> tuple[str, str, Changes]:
        """Return what the runs of one frontier have in common: offer, law and values of site keys."""
        return self.offer, self.law, self.changes


def parse_weights(given: str | Sequence[float]) -> tuple[float, ...]:
    """Return the weights of a range, both ends included, or of a list, rising.

    Parameters
    ----------
    given : a range such as "0:3:0.1", a list such as "0,0.5,1", or numbers [-].

    Raises
    ------
    InputFaults : an empty or falling range, a weight below 0, or one twice.

    Examples
    --------
    >>> parse_weights("0:1:0.25")
    (0.0, 0.25, 0.5, 0.75, 1.0)
    """
    allowed = f"expected FIRST:LAST:STEP such as 0:3:0.1, or a list such as 0,0.5,1, of {WEAR_WEIGHT.text}"
    text = weights_text(given)
    parts = given.split(":") if isinstance(given, str) else []
    listed = given.split(",") if isinstance(given, str) else [str(weight) for weight in given]
    try:
        numbers = [Decimal(part.strip()) for part in (parts if len(parts) == 3 else listed)]
    except InvalidOperation:
        raise single_fault(WEIGHTS_OPTION, f"found {shown(text)}; {allowed}") from None
    bounds = numbers[:2] if len(parts) == 3 else numbers
    if (
        not numbers
        or not all(number.is_finite() for number in numbers)
        or not all(WEAR_WEIGHT.accepts(float(each)) for each in bounds)
    ):
        raise single_fault(WEIGHTS_OPTION, f"found {shown(text)}; {allowed}")
    if len(parts) == 3:
        first, last, step = numbers
        if 0 < step < LEAST_STEP:
            raise single_fault(WEIGHTS_OPTION, f"found the step {shown(parts[2])}; expected {LEAST_STEP} or more")
        if step <= 0 or last < first:
            raise single_fault(WEIGHTS_OPTION, f"found {shown(text)}, which is empty; {allowed}")
        steps = (last - first) / step
        if steps >= MOST_VALUES:
            raise single_fault(WEIGHTS_OPTION, f"{shown(text)} has {steps:.0f} weights; expected up to {MOST_VALUES}")
        if steps != int(steps):
            met = first + int(steps) * step
            raise single_fault(
                WEIGHTS_OPTION,
                f"{shown(text)} goes from {met} past {last}; expected a last weight that the steps meet",
            )
        numbers = [first + step * number for number in range(int(steps) + 1)]
    weights = sorted(float(number) + 0.0 for number in numbers)
    if len(set(weights)) < len(weights):
        raise single_fault(WEIGHTS_OPTION, f"{shown(text)} has a weight twice; expected each once")
    return tuple(weights)


def weights_text(given: str | Sequence[float]) -> str:
    """Return weights as text that `parse_weights` reads: text as it is, numbers with commas between."""
    return given if isinstance(given, str) else ",".join(str(weight) for weight in given)


def parse_laws(given: str | Sequence[str]) -> tuple[str, ...]:
    """Return the wear laws of a list, which is text such as "depth,stress" or names.

    Raises
    ------
    InputFaults : an unknown law, or one twice.
    """
    names = [name.strip() for name in given.split(",")] if isinstance(given, str) else list(given)
    faults = [
        Fault(LAWS_OPTION, None, None, f"found {shown(name)}{did_you_mean(name, WEAR_LAWS)}; expected {_laws()}")
        for name in names
        if name not in WEAR_LAWS
    ]
    if faults:
        raise InputFaults(faults)
    _refuse_twice(LAWS_OPTION, names)
    return tuple(names)


def parse_key_values(given: KeyValues) -> tuple[Key, tuple[object, ...]]:
    """Return a site key and its values from text such as "charger.discharge_min_kw=0,1.2,2", or from values.

    Raises
    ------
    InputFaults : an unknown key, one that has an option of its own, no value, or a kind of value that no key has.

    Examples
    --------
    >>> parse_key_values("car.floor_percent=10,20")
    (('car', 'floor_percent'), (10, 20))
    """
    text = key_values_text(given)
    name, equals, listed = text.partition("=")
    name = name if isinstance(given, str) else given[0]
    known = [*(f"{table}.{key}" for table, schema in TABLES.items() for key in schema.model_fields), SOLAR_SCALE]
    if not equals or not listed.strip():
        raise single_fault(
            SET_OPTION, f"found {shown(text)}; expected TABLE.KEY=VALUE,VALUE such as car.floor_percent=10,20"
        )
    if name in OWN_OPTIONS:
        raise single_fault(SET_OPTION, f"{name} has an option of its own; expected {OWN_OPTIONS[name]}")
    if name not in known:
        raise single_fault(
            SET_OPTION,
            f"found {shown(name)}{did_you_mean(name, known)}; expected a key of {', '.join(TABLES)}, with its table, "
            f"or {SOLAR_SCALE}",
        )
    values = _values(listed) if isinstance(given, str) else [_site_value(name, value) for value in given[1]]
    if "" in values or listed.strip(" ,") != listed.strip():
        raise single_fault(SET_OPTION, f"found {shown(text)}, with nothing between commas; expected a value there")
    _refuse_twice(SET_OPTION, [str(value) for value in values])
    table, _, key = name.partition(".")
    return (table, key), tuple(values)


def key_values_text(given: KeyValues) -> str:
    """Return a key and its values as text that `parse_key_values` reads: text as it is, values as TOML."""
    if isinstance(given, str):
        return given
    name, values = given
    return f"{name}={','.join(_toml_text(_site_value(name, value)) for value in values)}"


def grid(
    offers: Sequence[str],
    weights: Sequence[float],
    laws: Sequence[str],
    settings: Sequence[tuple[Key, Sequence[object]]],
) -> tuple[GridPoint, ...]:
    """Return a point for every combination; weights change fastest, then laws, offers and the settings in order.

    Raises
    ------
    InputFaults : a key set twice.
    """
    _refuse_twice(SET_OPTION, [".".join(key) for key, _ in settings])
    keys = [key for key, _ in settings]
    return tuple(
        GridPoint(offer, weight, law, tuple(zip(keys, values, strict=True)))
        for values in itertools.product(*(values for _, values in settings))
        for offer in offers
        for law in laws
        for weight in weights
    )


def references(points: Sequence[GridPoint]) -> tuple[GridPoint, ...]:
    """Return two references for every group of the grid: the car only charged, and the car charged on its return."""
    groups = dict.fromkeys(point.group for point in points)
    return tuple(
        GridPoint(offer, REFERENCE_WEIGHT, law, changes, policy)
        for offer, law, changes in groups
        for policy in REFERENCES
    )


def inputs_of_points(base: Mapping[str, Inputs], points: Sequence[GridPoint], folder: Path) -> list[Inputs]:
    """Return the inputs of each point: the site as changed, checked as strictly as its file.

    Parameters
    ----------
    base : the site as it is, by offer. points : of the grid. folder : the site's folder.

    Raises
    ------
    InputFaults : every value that the site's file would refuse.
    """
    sites: dict[tuple[str, Changes], Site] = {}
    faults: dict[Fault, None] = {}
    refused: set[tuple[str, Changes]] = set()
    for point in points:
        at = (point.law, point.changes)
        if at in sites or at in refused:
            continue
        try:
            changes = {key: list(value) if isinstance(value, tuple) else value for key, value in point.changes}
            sites[at] = read_site(folder, {("wear", "law"): point.law, **changes})
        except InputFaults as error:
            faults.update(dict.fromkeys(_as_set(fault, point) for fault in error.faults))
            refused.add(at)
    faults.update(dict.fromkeys(_the_same([point for point in points if (point.law, point.changes) in sites], sites)))
    if faults:
        raise InputFaults(faults)
    found = []
    for point in points:
        site = sites[point.law, point.changes]
        wear = replace(site.wear, weight=point.weight)
        inputs = base[point.offer]
        found.append(inputs.with_site(replace(site, wear=wear, offer_file=inputs.site.offer_file)))
    return found


def _as_set(fault: Fault, point: GridPoint) -> Fault:
    """Return a fault of the changed file, as one of the option if its key is among the changes."""
    changed = {".".join(key) for key, _ in point.changes}
    if fault.key in changed:
        return Fault(SET_OPTION, None, fault.key, fault.message)
    hint = f"; {SET_OPTION} {fault.key}=... gives it" if fault.key is not None else ""
    return Fault(f"{fault.file} with the wear law {point.law}", None, fault.key, f"{fault.message}{hint}")


def _the_same(points: Sequence[GridPoint], sites: Mapping[tuple[str, Changes], Site]) -> Iterator[Fault]:
    """Yield a fault for values that make the same site: their runs would be the same."""
    firsts: dict[tuple[str, str], Changes] = {}
    for law, changes in {(point.law, repr(point.changes)): (point.law, point.changes) for point in points}.values():
        first = firsts.setdefault((law, repr(site_values(sites[law, changes]))), changes)
        for (key, one), (_, other) in zip(first, changes, strict=True):
            if repr(one) != repr(other):
                message = f"{shown(one)} and {shown(other)} make the same site; expected values that differ there"
                yield Fault(SET_OPTION, None, ".".join(key), message)
                break


def _values(listed: str) -> list[object]:
    """Return values as TOML reads them, a list as a tuple; a word without quotes is text."""
    try:
        found = tomllib.loads(f"values = [{listed}]")["values"]
    except tomllib.TOMLDecodeError:
        found = [_value(part.strip()) for part in listed.split(",")]
    return [tuple(value) if isinstance(value, list) else value for value in found]


def _site_value(key: str, value: object) -> object:
    """Return a value as a kind that the site's file can hold, a list as a tuple."""
    plain = value.item() if isinstance(value, np.generic) else value
    if isinstance(plain, float) and not math.isfinite(plain):
        raise single_fault(key, f"found {plain}; expected a finite number")
    if isinstance(plain, bool | int | float | str):
        return plain
    if isinstance(plain, Iterable):
        return tuple(_site_value(key, each) for each in plain)
    raise single_fault(key, f"found {shown(value)}; expected a number, true or false, text, or a list of these")


def _toml_text(value: object) -> str:
    return f"[{', '.join(map(_toml_text, value))}]" if isinstance(value, tuple) else json.dumps(value)


def _value(text: str) -> object:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def _refuse_twice(option: str, names: Collection[str]) -> None:
    twice = next((name for name in names if list(names).count(name) > 1), None)
    if twice is not None:
        raise single_fault(option, f"{shown(twice)} is given twice; expected each once")


def _laws() -> str:
    return ", ".join(WEAR_LAWS)
