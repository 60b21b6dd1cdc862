"""Frontiers of a sweep, from its tidy runs alone: the cash that each weight saves, and the capacity that it costs.

A group is one offer, one law and one value of each of the site's keys; its points are its wear weights. The knee
depends on how the two axes are scaled, here each to the group's own range: it says where a curve bends, not what is
best. Weight 1 does not depend on that. For one night the program minimises cash + weight · wear, so along the frontier
one more coin of wear saves as many coins of cash as the weight. Above weight 1, the next coin of wear would save more
than a coin; below it, the last coin of wear saved less than one. At weight 1 the total, wear included, is therefore
least. For nights one after another, each planned on a forecast, that holds only approximately.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np
import pandas as pd

from models.wear.law import DAYS_A_YEAR
from models.wear.laws import WEAR_LAWS
from scheduler.textio.errors import Fault, InputFaults, shown, single_fault

CAPACITY_LOST = "capacity_lost_percent_a_year"
POLICIES = ("plan", "charge-only", "charge-on-return")
TEXT_COLUMNS = ("policy", "offer", "law")
NUMBER_COLUMNS = (
    "run",
    "days",
    CAPACITY_LOST,
    "cash_saved_a_year",
    "saving_a_year",
    "discharged_kwh",
    "equivalent_full_cycles",
    *(f"{CAPACITY_LOST}_{law}" for law in WEAR_LAWS),
)
"""Columns of numbers that are read of every run; `weight` is read of planned ones only."""
LEAST_BEND = 0.01
"""Least height of a knee above the chord [share of an axis]."""
SAME_DIGITS = 9
"""Numbers that agree to so many decimals count as the same."""
NOTHING_KWH = 1e-6
"""Discharged energy up to this counts as none [kWh]."""


@dataclass(frozen=True, slots=True)
class FrontierPoint:
    """One run, as a frontier shows it.

    Attributes
    ----------
    run : its number. weight : factor on wear [-]; NaN for a reference.
    capacity_lost : by the law that priced the plans [% a year]. cash_saved : against charging on return, without
        wear [money a year]. saving : the same with wear [money a year].
    discharged_kwh : over all its days [kWh]. full_cycles : equivalent full cycles, driving included [a year].
    lost_by_law : capacity lost by every law [% a year].
    efficient : no other point of the group saves as much for less, or more for as much.
    """

    run: int
    weight: float
    capacity_lost: float
    cash_saved: float
    saving: float
    discharged_kwh: float
    full_cycles: float
    lost_by_law: Mapping[str, float]
    efficient: bool = False


@dataclass(frozen=True, slots=True)
class DischargeStop:
    """The weights between which discharging stops.

    Attributes
    ----------
    last_giving : highest weight at which anything is discharged; None if there is none.
    first_none : next weight, from which on nothing is; None if the highest weight still discharges.
    """

    last_giving: float | None
    first_none: float | None


@dataclass(frozen=True, slots=True)
class Frontier:
    """One group of a sweep.

    Attributes
    ----------
    offer, law : names. settings : keys of the site and their values, as text.
    days : of each run. points : by rising weight.
    knee : the bend; None if there is none. one : at weight 1; None if the sweep does not have it.
    stop : where discharging stops.
    charge_only, charge_on_return : the references; None where the runs have none.
    """

    offer: str
    law: str
    settings: tuple[tuple[str, str], ...]
    days: int
    points: tuple[FrontierPoint, ...]
    knee: FrontierPoint | None
    one: FrontierPoint | None
    stop: DischargeStop
    charge_only: FrontierPoint | None
    charge_on_return: FrontierPoint | None

    @property
    def efficient(self) -> tuple[FrontierPoint, ...]:
        """Return the efficient points, by rising capacity lost."""
        return tuple(sorted((each for each in self.points if each.efficient), key=lambda each: each.capacity_lost))


def frontiers_of(runs: pd.DataFrame, named: str = "runs") -> tuple[Frontier, ...]:
    """Return the frontiers, in the order of their first runs; the order of the rows does not matter.

    Parameters
    ----------
    runs : one row per run, as runs.csv or runs.parquet has them. named : how a message calls the table.

    Raises
    ------
    InputFaults : a column is missing or holds something other than numbers; a group has a weight twice; no run is
        planned.
    """
    _check(runs, named)
    ordered = runs.sort_values("run", kind="stable")
    keys = [*TEXT_COLUMNS[1:], *setting_columns(runs)]
    groups: dict[tuple[str, ...], dict[str, list[FrontierPoint]]] = {}
    days: dict[tuple[str, ...], int] = {}
    for row in ordered.to_dict("records"):
        group = tuple(value_text(row[key]) for key in keys)
        days.setdefault(group, int(row["days"]))
        groups.setdefault(group, {policy: [] for policy in POLICIES})[row["policy"]].append(_point(row))
    found = []
    for group, by_policy in groups.items():
        if by_policy["plan"]:
            settings = tuple(zip(keys[2:], group[2:], strict=True))
            found.append(_frontier(group[0], group[1], settings, days[group], by_policy, named))
    if not found:
        raise single_fault(named, 'no run is a plan; expected rows with policy "plan"')
    return tuple(found)


def setting_columns(runs: pd.DataFrame) -> list[str]:
    """Return the columns of the keys that a sweep set: those named with a dot, as every site key is, that vary."""
    named = [str(name) for name in runs.columns if "." in str(name)]
    return [name for name in named if runs[name].nunique(dropna=False) > 1]


def value_text(value: object) -> str:
    """Return a value as files and screens show it, the same whether it was read as a whole number or not.

    >>> value_text(2.0), value_text(2), value_text(True), value_text("blocks")
    ('2', '2', 'true', 'blocks')
    """
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if isinstance(value, int | float | np.number):
        return f"{float(value):.12g}"
    return str(value)


def efficient_points(capacity_lost: Sequence[float], cash_saved: Sequence[float]) -> list[bool]:
    """Return which points are efficient: no other one saves as much for less lost, or more for as much.

    Parameters
    ----------
    capacity_lost, cash_saved : of each point, shape (n,). Points that are the same do not beat each other.

    Returns
    -------
    Whether each point is efficient, shape (n,).

    Examples
    --------
    The second point saves less than the first and loses more:

    >>> efficient_points([1.0, 2.0, 3.0], [50.0, 40.0, 60.0])
    [True, False, True]
    """
    lost = np.round(np.asarray(capacity_lost, dtype=np.float64), SAME_DIGITS).tolist()
    saved = np.round(np.asarray(cash_saved, dtype=np.float64), SAME_DIGITS).tolist()
    found = [False] * len(lost)
    best = -np.inf
    for _, at_this in groupby(sorted(range(len(lost)), key=lost.__getitem__), key=lost.__getitem__):
        members = list(at_this)
        most = max(saved[member] for member in members)
        if most > best:
            best = most
            for member in members:
                found[member] = saved[member] == most
    return found


def knee_of(capacity_lost: Sequence[float], cash_saved: Sequence[float]) -> int | None:
    """Return the number of the point farthest above the chord from the first to the last, both axes scaled to 0..1.

    The geometric definition of Satopää, Albrecht, Irwin and Raghavan, "Finding a 'Kneedle' in a Haystack", ICDCSW 2011,
    section III, without its smoothing: a sweep's points are not measured ones.

    Parameters
    ----------
    capacity_lost, cash_saved : of efficient points, by rising capacity lost, shape (n,).

    Returns
    -------
    The first such point; None with fewer than three different points, or no point LEAST_BEND above the chord.

    Examples
    --------
    >>> knee_of([0.0, 1.0, 2.0, 4.0], [0.0, 30.0, 35.0, 40.0])
    1
    """
    lost = np.round(np.asarray(capacity_lost, dtype=np.float64), SAME_DIGITS)
    saved = np.round(np.asarray(cash_saved, dtype=np.float64), SAME_DIGITS)
    if len(set(zip(lost.tolist(), saved.tolist(), strict=True))) < 3:
        return None
    above = (saved - saved[0]) / (saved[-1] - saved[0]) - (lost - lost[0]) / (lost[-1] - lost[0])
    farthest = int(np.argmax(above))
    return farthest if above[farthest] >= LEAST_BEND else None


def discharge_stop(weights: Sequence[float], discharged_kwh: Sequence[float]) -> DischargeStop:
    """Return the weights between which discharging stops for good.

    Parameters
    ----------
    weights : rising [-], shape (n,). discharged_kwh : at each [kWh], shape (n,).

    Examples
    --------
    >>> discharge_stop([0.0, 1.0, 2.0, 3.0], [400.0, 0.0, 20.0, 0.0])
    DischargeStop(last_giving=2.0, first_none=3.0)
    """
    giving = [number for number, kwh in enumerate(discharged_kwh) if kwh > NOTHING_KWH]
    after = giving[-1] + 1 if giving else 0
    return DischargeStop(weights[giving[-1]] if giving else None, weights[after] if after < len(weights) else None)


def _frontier(
    offer: str,
    law: str,
    settings: tuple[tuple[str, str], ...],
    days: int,
    by_policy: Mapping[str, list[FrontierPoint]],
    named: str,
) -> Frontier:
    found = sorted(by_policy["plan"], key=lambda each: each.weight)
    weights = [each.weight for each in found]
    if len(set(weights)) < len(weights):
        twice = next(weight for weight in weights if weights.count(weight) > 1)
        message = f"weight {twice:g} is given twice for {shown(offer)} and law {law}; expected the runs of one sweep"
        raise single_fault(named, message, key="weight")
    marks = efficient_points([each.capacity_lost for each in found], [each.cash_saved for each in found])
    points = tuple(replace(each, efficient=mark) for each, mark in zip(found, marks, strict=True))
    curve = sorted((each for each in points if each.efficient), key=lambda each: (each.capacity_lost, each.weight))
    knee = knee_of([each.capacity_lost for each in curve], [each.cash_saved for each in curve])
    return Frontier(
        offer,
        law,
        settings,
        days,
        points,
        None if knee is None else curve[knee],
        next((each for each in points if each.weight == 1), None),
        discharge_stop(weights, [each.discharged_kwh for each in points]),
        next(iter(by_policy["charge-only"]), None),
        next(iter(by_policy["charge-on-return"]), None),
    )


def _point(row: Mapping[Hashable, object]) -> FrontierPoint:
    number = {name: float(row[name]) for name in NUMBER_COLUMNS}  # type: ignore[arg-type]
    return FrontierPoint(
        int(number["run"]),
        float(row["weight"]) if row["policy"] == "plan" else np.nan,  # type: ignore[arg-type]
        number[CAPACITY_LOST],
        number["cash_saved_a_year"],
        number["saving_a_year"],
        number["discharged_kwh"],
        number["equivalent_full_cycles"] * DAYS_A_YEAR / number["days"],
        {law: number[f"{CAPACITY_LOST}_{law}"] for law in WEAR_LAWS},
    )


def _check(runs: pd.DataFrame, named: str) -> None:
    """Refuse a table that is not one of a sweep's runs."""
    wanted = (*TEXT_COLUMNS, "weight", *NUMBER_COLUMNS)
    missing = [name for name in wanted if name not in runs.columns]
    if missing:
        raise single_fault(named, f"missing: {', '.join(missing)}; expected the columns of a sweep's runs.csv")
    faults = list(_number_faults(runs, named))
    other = [policy for policy in runs["policy"].unique() if policy not in POLICIES]
    if other:
        faults.append(Fault(named, None, "policy", f"found {shown(other[0])}; expected {', '.join(POLICIES)}"))
    if faults:
        raise InputFaults(faults)


def _number_faults(runs: pd.DataFrame, named: str) -> Iterator[Fault]:
    planned = runs[runs["policy"] == "plan"]
    for name in (*NUMBER_COLUMNS, "weight"):
        table = planned if name == "weight" else runs
        values = pd.to_numeric(table[name], errors="coerce").to_numpy(dtype=np.float64)
        wrong = np.flatnonzero(~np.isfinite(values) | ((name == "days") & ~(values > 0)))
        if wrong.size:
            row, allowed = int(wrong[0]), "a number of 1 or more" if name == "days" else "a finite number"
            run = shown(table["run"].iloc[row])
            yield Fault(named, None, name, f"found {shown(table[name].iloc[row])} in run {run}; expected {allowed}")
