"""The meter, tiered prices and the demand charge in the compact formulation (scheduler.optimizer.compact)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray
from models.site.connection import import_cap_kw
from scheduler.nights.night import Night
from scheduler.optimizer.compact_charger import Powers
from scheduler.optimizer.matrix_builder import INFINITE, MONEY, MatrixBuilder, Term
from scheduler.optimizer.objectives import favours_energy_within, most_energy_kwh, tier_ends


def _odd_intervals(night: Night) -> BoolArray:
    """Return where import, export and curtailment stay variables, shape (n,).

    There energy could gain by passing the meter in two directions.
    """
    limited = (night.solar_kw > 0) & night.solar_can_be_limited
    return _tempting(night) | limited | _worth_curtailing(night)


def _tempting(night: Night) -> BoolArray:
    """Return where importing and exporting at once could pay, shape (n,)."""
    gains = night.possible_prices("export").max(axis=0) > night.possible_prices("import").min(axis=0)
    return np.asarray(gains | night.amounts_now_change_prices_later)


def _worth_curtailing(night: Night) -> BoolArray:
    """Return where solar that cannot be limited is in part lost and losing more could pay, shape (n,)."""
    spare = night.solar_kw - night.load_kw > night.export_limit_kw
    lowest = np.minimum(night.possible_prices("import").min(axis=0), night.possible_prices("export").min(axis=0))
    pays = (lowest < 0) | night.amounts_now_change_prices_later
    return np.asarray(spare & pays & (not night.solar_can_be_limited))


def meter(writer: MatrixBuilder, night: Night, powers: Powers) -> None:
    """Add money at the meter, tiered prices and demand charge, over plain and odd intervals."""
    hours, n = night.hours, night.intervals
    odd = _odd_intervals(night)
    draw = np.maximum(0.0, night.load_kw - night.solar_kw)
    surplus = np.maximum(0.0, night.solar_kw - night.load_kw)
    flows = _Flows.start(n)
    plain_draw, plain_surplus = np.flatnonzero(~odd & (surplus == 0)), np.flatnonzero(~odd & (surplus > 0))
    _plain_draw(writer, night, powers, flows, plain_draw, draw)
    _plain_surplus(writer, night, powers, flows, plain_surplus, surplus)
    _odd(writer, night, powers, flows, np.flatnonzero(odd), draw, surplus)
    for terms, constant, price in (
        (flows.imported, flows.import_constant, night.import_price),
        (flows.exported, flows.export_constant, -night.export_price),
    ):
        for rows, columns, factor in terms:
            writer.cost(MONEY, columns, factor * hours[rows] * price[rows])
        writer.offset[MONEY] += float(constant @ (hours * price))
    _tiers(writer, night, flows)
    _demand(writer, night, flows)


@dataclass(slots=True, eq=False)
class _Flows:
    """Import and export of each interval as sums: terms of intervals, their columns and a factor, and constants."""

    imported: list[tuple[IntArray, IntArray, float]]
    exported: list[tuple[IntArray, IntArray, float]]
    import_constant: FloatArray
    export_constant: FloatArray

    @staticmethod
    def start(intervals: int) -> _Flows:
        """Return sums without terms for n intervals."""
        return _Flows([], [], np.zeros(intervals), np.zeros(intervals))


def _plain_draw(
    writer: MatrixBuilder, night: Night, powers: Powers, flows: _Flows, at: IntArray, draw: FloatArray
) -> None:
    """Add intervals in which the building draws: export is what is discharged beyond the draw."""
    flows.import_constant[at] = draw[at]
    flows.imported += [(at, powers.charge[at], 1.0), (at, powers.discharge[at], -1.0)]
    beyond = at[powers.most_discharge_kw[at] > draw[at]]
    spilled = writer.add_columns("spilled_kw", len(beyond), 0.0, INFINITE)
    writer.add_rows(
        [(spilled, 1.0), (powers.discharge[beyond], -1.0), (powers.discharging[beyond], draw[beyond])], lower=0.0
    )
    flows.imported.append((beyond, spilled, 1.0))
    flows.exported.append((beyond, spilled, 1.0))


def _plain_surplus(
    writer: MatrixBuilder, night: Night, powers: Powers, flows: _Flows, at: IntArray, surplus: FloatArray
) -> None:
    """Add intervals with a surplus: import is what is charged beyond it; charging first uses what could not be sent."""
    limit = np.minimum(surplus, night.export_limit_kw)
    flows.export_constant[at] = limit[at]
    flows.exported += [(at, powers.charge[at], -1.0), (at, powers.discharge[at], 1.0)]
    beyond = at[powers.most_charge_kw[at] > surplus[at]]
    drawn = writer.add_columns("drawn_kw", len(beyond), 0.0, INFINITE)
    writer.add_rows(
        [(drawn, 1.0), (powers.charge[beyond], -1.0), (powers.charging[beyond], surplus[beyond])], lower=0.0
    )
    flows.imported.append((beyond, drawn, 1.0))
    flows.exported.append((beyond, drawn, 1.0))
    spare = at[(surplus > night.export_limit_kw)[at] & (powers.most_charge_kw[at] > 0)]
    saved = writer.add_columns("saved_kw", len(spare), 0.0, INFINITE)
    unsent = (surplus - night.export_limit_kw)[spare]
    writer.add_rows([(saved, 1.0), (powers.charging[spare], -unsent)], upper=0.0)
    writer.add_rows([(saved, 1.0), (powers.charge[spare], -1.0)], upper=0.0)
    flows.exported.append((spare, saved, 1.0))


def _odd(
    writer: MatrixBuilder,
    night: Night,
    powers: Powers,
    flows: _Flows,
    at: IntArray,
    draw: FloatArray,
    surplus: FloatArray,
) -> None:
    """Add import, export and curtailment as in the reference formulation, with its constraints where they matter."""
    cap = import_cap_kw(night.connection, night.load_kw, night.solar_kw)[at]
    limit = night.export_limit_kw[at]
    spare = np.maximum(0.0, surplus[at] - limit)
    most_curtailed = night.solar_kw[at] if night.solar_can_be_limited else spare
    count = len(at)
    imported = writer.add_columns("import_kw", count, 0.0, cap)
    exported = writer.add_columns("export_kw", count, 0.0, limit)
    every = writer.add_columns("curtailed_kw", night.intervals, 0.0, _only(night.intervals, at, most_curtailed))
    curtailed = every[at]
    charge, discharge = powers.charge[at], powers.discharge[at]
    net = night.load_kw[at] - night.solar_kw[at]
    balance: list[Term] = [(imported, 1.0), (exported, -1.0), (charge, -1.0), (discharge, 1.0), (curtailed, -1.0)]
    writer.add_rows(balance, lower=net, upper=net)
    writer.add_rows(
        [(exported, 1.0), (curtailed, 1.0), (discharge, -1.0), (powers.discharging[at], draw[at])], lower=0.0
    )
    writer.add_rows([(imported, 1.0), (charge, -1.0), (powers.charging[at], surplus[at])], lower=0.0)
    both = np.flatnonzero(_tempting(night)[at])
    importing = writer.add_columns("importing", len(both), 0.0, 1.0, whole=True)
    writer.add_rows([(imported[both], 1.0), (importing, -cap[both])], upper=0.0)
    writer.add_rows([(exported[both], 1.0), (importing, limit[both])], upper=limit[both])
    if night.solar_can_be_limited:
        banned = np.flatnonzero(night.only_solar[at] & (surplus[at] > 0))
        load, room = night.load_kw[at][banned], surplus[at][banned]
        terms: list[Term] = [(charge[banned], 1.0), (curtailed[banned], 1.0), (powers.charging[at][banned], load)]
        writer.add_rows(terms, upper=room + load)
    else:
        forced = np.flatnonzero(_worth_curtailing(night)[at])
        most = night.charger.charge_max_kw
        curtailing = writer.add_columns("curtailing", len(forced), 0.0, 1.0, whole=True)
        writer.add_rows([(curtailed[forced], 1.0), (curtailing, -spare[forced])], upper=0.0)
        writer.add_rows(
            [(curtailed[forced], 1.0), (charge[forced], 1.0), (curtailing, most)], upper=spare[forced] + most
        )
    flows.imported.append((at, imported, 1.0))
    flows.exported.append((at, exported, 1.0))


def _only(count: int, at: IntArray, values: FloatArray) -> FloatArray:
    """Return zeros of shape (count,) with values at some places."""
    found = np.zeros(count)
    found[at] = values
    return found


def _tiers(writer: MatrixBuilder, night: Night, flows: _Flows) -> None:
    """Add tiered prices, as scheduler.optimizer.formulation_offers states them."""
    hours = night.hours
    names: list[IntArray] = []
    for tier in night.tiers:
        ends = tier_ends(tier)
        if not ends:
            continue
        sign = 1.0 if tier.side == "import" else -1.0
        terms = flows.imported if tier.side == "import" else flows.exported
        constant = flows.import_constant if tier.side == "import" else flows.export_constant
        within = writer.add_columns(f"within {len(names)}", len(ends), 0.0, max(0.0, tier.left_kwh))
        names.append(within)
        hard = not favours_energy_within(tier)
        used = writer.add_columns(f"used up {len(names)}", len(ends) if hard else 0, 0.0, 1.0, whole=True)
        most = most_energy_kwh(night, tier)
        differences = np.array([tier.difference[end] for end in ends])
        writer.cost(MONEY, within, sign * differences)
        writer.cost(MONEY, within[:-1], -sign * differences[1:])
        for number, end in enumerate(ends):
            counted = tier.holds & (np.arange(night.intervals) <= end)
            parts = [(columns[counted[rows]], factor * hours[rows][counted[rows]]) for rows, columns, factor in terms]
            columns = np.concatenate([part[0] for part in parts])
            values = np.concatenate([part[1] for part in parts])
            fixed = float((constant * hours)[counted].sum())
            one = within[number : number + 1]
            writer.add_row(np.append(columns, one), np.append(-values, 1.0), upper=fixed)
            if hard:
                over = used[number : number + 1]
                both = np.concatenate([columns, one, over])
                writer.add_row(both, np.concatenate([-values, [1.0], [float(most[end])]]), lower=fixed)
                writer.add_rows([(one, 1.0), (over, -max(0.0, tier.left_kwh))], lower=0.0)
        if hard:
            writer.add_rows([(used[1:], 1.0), (used[:-1], -1.0)], lower=0.0)


def _demand(writer: MatrixBuilder, night: Night, flows: _Flows) -> None:
    """Add the highest mean import of each month and its price."""
    for number, month in enumerate(night.demand):
        peak = writer.add_columns(f"peak {number}", 1, month.so_far_kw, INFINITE)
        writer.cost(MONEY, peak, month.price_per_kw)
        writer.offset[MONEY] -= month.price_per_kw * month.so_far_kw
        for mean in np.unique(month.mean_of[month.mean_of >= 0]):
            inside = month.mean_of == mean
            share = np.where(inside, night.hours, 0.0) / float(night.hours[inside].sum())
            parts = [
                (columns[inside[rows]], factor * share[rows][inside[rows]]) for rows, columns, factor in flows.imported
            ]
            columns = np.concatenate([peak, *(part[0] for part in parts)])
            values = np.concatenate([[1.0], *(-part[1] for part in parts)])
            writer.add_row(columns, values, lower=float(share @ flows.import_constant))
