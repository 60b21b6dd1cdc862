"""A comparison of offers over a period: what each costs, how the car was used, how certain the ranking is.

For every way of using the car, an offer has one stored-energy price, the mean of the plan's nights. The weeks behind
the ranges are differences of bills from the first day on, so that they sum to the whole whatever tiered prices and
demand charges do.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray
from models.base.bootstrap import bootstrap_range, is_tie, week_edges
from models.tariff.bill import Bill
from models.tariff.investment import HardwareWorth, hardware_worth
from models.wear.law import DAYS_A_YEAR
from models.wear.laws import WEAR_LAWS
from models.wear.segments import initial_fill_kwh, taken_from_segments_kwh
from scheduler.inputs.site_inputs import Inputs
from scheduler.inputs.sizes_file import Size
from scheduler.nights.planning_times import midnight
from scheduler.nights.wear_prices import segments_of
from scheduler.rolling.counted_wear import counted_wear_cost
from scheduler.rolling.emissions import Emissions, rolled_emissions
from scheduler.rolling.flows import RolledFlows, building_bill, rolled_bill
from scheduler.rolling.full_horizon import FullHorizon
from scheduler.rolling.period import SIZE_RUNS, ComparisonRequest

RECOUNTED = ("plan", "charge-only")
"""The ways of using the car whose wear is also counted by other laws and battery prices."""
LEAST_SHARE = 0.01
"""A saving below this share of the cost counts as none [-]."""


@dataclass(frozen=True, slots=True)
class Money:
    """What a period costs with the car used in one way [money].

    Attributes
    ----------
    bill : from the meter. on_the_way : charging away from home. wear : of the battery, unweighted, driving included.
    stored_energy : value of the energy that the battery gained, at the stored-energy price.
    """

    bill: float
    on_the_way: float
    wear: float
    stored_energy: float

    @property
    def total(self) -> float:
        """Return bill, on the way and wear less stored energy [money]; this is what is compared."""
        return self.bill + self.on_the_way + self.wear - self.stored_energy


@dataclass(frozen=True, eq=False)
class ComparedOffer:
    """One offer over the period.

    Attributes
    ----------
    name : the offer's name in file names. inputs : the site with the offer.
    flows : of each way of using the car, by name: "plan", "hindsight" (perfect foresight), "charge-only",
        "charge-on-return".
    first, last : local days, both included.
    full_horizon : the optimum of all days at once and its bound; None if it is not asked for.
    """

    name: str
    inputs: Inputs
    flows: Mapping[str, RolledFlows]
    first: date
    last: date
    full_horizon: FullHorizon | None = None

    @cached_property
    def bills(self) -> dict[str, Bill]:
        """Return the bill of each way of using the car."""
        return {kind: rolled_bill(flows, self.inputs, self.first, self.last) for kind, flows in self.flows.items()}

    @cached_property
    def money(self) -> dict[str, Money]:
        """Return what each way of using the car costs."""
        return {kind: self._money(flows, self.bills[kind].total) for kind, flows in self.flows.items()}

    @cached_property
    def weekly(self) -> dict[str, FloatArray]:
        """Return the total of each way by week [money], shape (weeks,); the weeks sum to the whole."""
        return {kind: self._weekly(flows) for kind, flows in self.flows.items()}

    @cached_property
    def emissions(self) -> dict[str, Emissions]:
        """Return what the grid emits for each way of using the car; {} for a site without a series of that."""
        found = {kind: rolled_emissions(self.inputs, flows) for kind, flows in self.flows.items()}
        return {kind: each for kind, each in found.items() if each is not None}

    @property
    def saving(self) -> float:
        """Return what planning saves against charging on return [money]."""
        return self.money["charge-on-return"].total - self.money["plan"].total

    @property
    def discharge_value(self) -> float:
        """Return what discharging is worth: only charging less the plan, wear included [money]."""
        return self.money["charge-only"].total - self.money["plan"].total

    @property
    def perfect_foresight_share(self) -> float | None:
        """Return the share of perfect foresight's saving against charging on return that the plan achieved [-].

        None where that saving is less than one percent of what charging on return costs: a share of it would mean
        nothing.
        """
        on_return = self.money["charge-on-return"].total
        possible = on_return - self.money["hindsight"].total
        return self.saving / possible if possible > LEAST_SHARE * abs(on_return) else None

    @property
    def night_by_night_share(self) -> float | None:
        """Return the share of discharging's worth with perfect foresight, night by night, that the plan keeps [-].

        None where that is less than one percent of what only charging costs.
        """
        only = self.money["charge-only"].total
        possible = only - self.money["hindsight"].total
        return self.discharge_value / possible if possible > LEAST_SHARE * abs(only) else None

    @cached_property
    def program_totals(self) -> dict[str, float]:
        """Return the total of each way as the full-horizon bound counts it [money]; {} without a bound.

        It counts starts and time outside the window besides, as each night's program does, and energy left by what the
        days after the period make of it.
        """
        whole = self.full_horizon
        if whole is None:
            return {}
        ways = {**self.flows, "full-horizon": whole.flows}
        return {kind: whole.total(flows, self.inputs, self.first, self.last) for kind, flows in ways.items()}

    @property
    def full_horizon_gap(self) -> float | None:
        """Return by how much the best plan known exceeds the bound [money]; None without a bound."""
        whole = self.full_horizon
        return None if whole is None else max(0.0, min(self.program_totals.values()) - whole.bound)

    @property
    def full_horizon_value(self) -> float | None:
        """Return the most that discharging can be worth: only charging less the bound [money]; None without a bound."""
        whole = self.full_horizon
        return None if whole is None else self.program_totals["charge-only"] - whole.bound

    def full_horizon_share(self, kind: str) -> float | None:
        """Return the share of the most that discharging can be worth that a way of using the car keeps [-].

        It is (only charging - this way) / (only charging - bound). None without a bound, or where that is less than
        one percent of what only charging costs.
        """
        value = self.full_horizon_value
        if value is None or value <= LEAST_SHARE * abs(self.program_totals["charge-only"]):
            return None
        return (self.program_totals["charge-only"] - self.program_totals[kind]) / value

    @cached_property
    def counted_wear(self) -> dict[str, float]:
        """Return the unweighted wear of each way, counted after the fact by the site's law [money]."""
        return {kind: counted_wear_cost(self.inputs, flows) for kind, flows in self.flows.items()}

    def counted_total(self, kind: str) -> float:
        """Return the total of a way with counted wear in place of charged wear [money]."""
        money = self.money[kind]
        return money.total - money.wear + self.counted_wear[kind]

    @property
    def equivalent_full_cycles(self) -> float:
        """Return the energy out of the battery, driving included, over its capacity [-]."""
        return float(self.flows["plan"].out_of_battery_kwh.sum()) / self.inputs.site.car.battery_kwh

    @property
    def cycle_wear_by_law(self) -> dict[str, float]:
        """Return the unweighted wear of the plan's cycles at every law's segment prices [money]."""
        return {law: float(wear.sum()) for law, wear in self.cycle_wear["plan"].items()}

    @cached_property
    def cycle_wear(self) -> dict[str, dict[str, FloatArray]]:
        """Return the wear of the cycles in each interval at every law's prices [money], by way of RECOUNTED and law."""
        return {kind: self._cycle_wear(self.flows[kind]) for kind in RECOUNTED}

    def recounted_total(self, kind: str, law: str, price_factor: float = 1.0) -> float:
        """Return the total of a way of RECOUNTED with its wear counted by another law or battery price [money].

        The way itself stays as the site's own law and battery price made it. Calendar ageing, where plans count it,
        stays by its own law.

        Parameters
        ----------
        kind : of RECOUNTED. law : that prices the cycles. price_factor : battery price over the site's own [-].
        """
        return float(self.recounted_weekly(kind, law, price_factor).sum())

    def recounted_weekly(self, kind: str, law: str, price_factor: float = 1.0) -> FloatArray:
        """Return the weeks of recounted_total [money], shape (weeks,)."""
        flows, cycles = self.flows[kind], self.cycle_wear[kind]
        wear = flows.wear_cost + (cycles[law] - cycles[self.inputs.site.wear.law])
        return self.weekly[kind] + np.add.reduceat(price_factor * wear - flows.wear_cost, self._week_rows(flows)[:-1])

    def _cycle_wear(self, flows: RolledFlows) -> dict[str, FloatArray]:
        """Return the wear of each interval's cycles by law [money], each of shape (n,)."""
        site = self.inputs.site
        gained = np.diff(np.concatenate(([flows.stored_before_kwh], flows.stored_kwh)))
        out = flows.out_of_battery_kwh
        month = np.asarray(flows.start.tz_convert(site.timezone).month)
        firsts = {int(number): flows.start[int(np.argmax(month == number))] for number in np.unique(month)}
        sizes = segments_of(site, site.wear.law, flows.start[0].to_pydatetime())
        fill = initial_fill_kwh(sizes, flows.stored_before_kwh)
        taken = taken_from_segments_kwh(sizes, fill, gained + out, out)  # all laws' segments have the same edges
        found = {law: np.zeros(len(out)) for law in WEAR_LAWS}
        for law, wear in found.items():
            for number, first in firsts.items():
                prices = segments_of(site, law, first.to_pydatetime()).price_per_kwh
                wear[month == number] = taken[month == number] @ prices
        return found

    def _money(self, flows: RolledFlows, bill: float) -> Money:
        gained = float(flows.stored_kwh[-1]) - flows.stored_before_kwh
        return Money(
            bill,
            float(flows.on_the_way_cost.sum()),
            float(flows.wear_cost.sum()),
            gained * self.stored_energy_price,
        )

    @property
    def stored_energy_price(self) -> float:
        """Return the value of a kWh more in the battery at the end: the plan's mean over its nights [money per kWh]."""
        return self.flows["plan"].stored_energy_price

    def _weekly(self, flows: RolledFlows) -> FloatArray:
        last_days = [edge - timedelta(days=1) for edge in week_edges(self.first, self.last)[1:]]
        billed = [0.0, *(rolled_bill(flows, self.inputs, self.first, last).total for last in last_days)]
        at = self._week_rows(flows)
        stored = np.concatenate(([flows.stored_before_kwh], flows.stored_kwh))[at]
        others = np.add.reduceat(flows.wear_cost + flows.on_the_way_cost, at[:-1])
        return np.diff(billed) + others - self.stored_energy_price * np.diff(stored)

    def _week_rows(self, flows: RolledFlows) -> list[int]:
        """Return the number of the interval with which each week begins, and the number of intervals."""
        return [_row(flows, midnight_of(edge, self.inputs)) for edge in week_edges(self.first, self.last)]


def midnight_of(day: date, inputs: Inputs) -> pd.Timestamp:
    """Return the instant at which a local day of the site begins."""
    return pd.Timestamp(midnight(day, inputs.site.timezone))


def _row(flows: RolledFlows, instant: pd.Timestamp) -> int:
    """Return the number of the interval that begins at an instant; at the end, the number of intervals."""
    return int(flows.start.searchsorted(instant))


@dataclass(frozen=True, eq=False)
class Comparison:
    """Offers over the same period, the one that costs least first.

    Attributes
    ----------
    request : what was compared. offers : ranked by the total of the plan.
    sizes : the same in other sizes, where they are asked for.
    """

    request: ComparisonRequest
    offers: tuple[ComparedOffer, ...]
    sizes: tuple[SizedComparison, ...] = ()

    @property
    def best(self) -> ComparedOffer:
        """Return the offer that costs least."""
        return self.offers[0]

    @property
    def today(self) -> ComparedOffer | None:
        """Return today's offer; None where it is not named."""
        return next((each for each in self.offers if each.name == self.request.today), None)

    @cached_property
    def building_bill(self) -> float | None:
        """Return the bill of the building as metered, without the car, under today's offer; None without one [money].

        Load less solar in each interval of the finer of the two series, as the meter counts them.
        """
        return None if self.today is None else building_bill(self.today.inputs, self.request.first, self.request.last)

    @property
    def hashes(self) -> dict[Path, str]:
        """Return the SHA-256 of every file, as it was when read."""
        return {file: sha256 for each in self.offers for file, sha256 in each.inputs.hashes.items()}

    @property
    def currency(self) -> str:
        """Return the currency of every amount."""
        return self.best.inputs.offer.currency

    @cached_property
    def ties(self) -> dict[str, bool | None]:
        """Return whether each offer's distance from the best is within its uncertainty; None with too few weeks."""
        return {offer.name: is_tie(self.weekly_distance(offer)) for offer in self.offers[1:]}

    @cached_property
    def ranges(self) -> dict[str, tuple[float, float] | None]:
        """Return the range of each offer's total when whole weeks are resampled [money]; None with too few weeks."""
        return {offer.name: bootstrap_range(offer.weekly["plan"]) for offer in self.offers}

    @cached_property
    def distances(self) -> dict[str, tuple[float, float] | None]:
        """Return the range of each offer's distance from the best, likewise [money]."""
        return {offer.name: bootstrap_range(self.weekly_distance(offer)) for offer in self.offers}

    def weekly_distance(self, offer: ComparedOffer) -> FloatArray:
        """Return how much more an offer costs than the best in each week [money], shape (weeks,)."""
        return offer.weekly["plan"] - self.best.weekly["plan"]

    @cached_property
    def by_counted_wear(self) -> tuple[ComparedOffer, ...]:
        """Return the offers ranked by the total of the plan with wear counted after the fact."""
        return tuple(sorted(self.offers, key=lambda offer: offer.counted_total("plan")))

    @property
    def best_without(self) -> ComparedOffer:
        """Return the offer that costs least if the car is charged at the best times and never discharged."""
        return min(self.offers, key=lambda offer: offer.money["charge-only"].total)

    @property
    def yearly_saving(self) -> float:
        """Return what the bidirectional charger saves a year beyond a plain one [money a year].

        It compares the best offer with discharging with the best offer for a car that is charged at the best times and
        never discharged; a period other than a year is scaled to one.
        """
        saving = self.best_without.money["charge-only"].total - self.best.money["plan"].total
        return saving * DAYS_A_YEAR / self.request.days if self.scaled else saving

    @property
    def scaled(self) -> bool:
        """Return whether the period is not a year, so that yearly amounts are scaled."""
        return not 365 <= self.request.days <= 366


@dataclass(frozen=True, eq=False)
class SizedComparison:
    """The offers with the site in another size: only the plan, and the car only charged.

    Attributes
    ----------
    size : what differs. compared : the offers with it.
    """

    size: Size
    compared: Comparison

    @cached_property
    def worth(self) -> HardwareWorth | None:
        """Return the hardware's case; None without its costs."""
        hardware = self.compared.request.hardware
        return None if hardware is None else hardware_worth(hardware.case, self.compared.yearly_saving)


def comparison_of(
    request: ComparisonRequest,
    results: Mapping[str, RolledFlows],
    bounds: Mapping[str, FullHorizon] | None = None,
) -> Comparison:
    """Return the comparison from the results of all runs.

    Parameters
    ----------
    results : by the names of `request.runs()`.
    bounds : the full horizon of each offer by its name in file names; None: not asked for.

    Returns
    -------
    The comparison, its offers ranked by the total of the plan.
    """
    offers = []
    for name, inputs in request.offers.items():
        flows = {run.removeprefix(f"{name}."): found for run, found in results.items() if run.startswith(f"{name}.")}
        flows.setdefault("hindsight", flows["plan"])
        whole = (bounds or {}).get(name)
        offers.append(ComparedOffer(name, inputs, flows, request.first, request.last, whole))
    return Comparison(request, _ranked(offers), tuple(_sized(request, results)))


def _ranked(offers: Iterable[ComparedOffer]) -> tuple[ComparedOffer, ...]:
    return tuple(sorted(offers, key=lambda offer: offer.money["plan"].total))


def _sized(request: ComparisonRequest, results: Mapping[str, RolledFlows]) -> Iterator[SizedComparison]:
    for size, inputs_of in request.sizes.items():
        offers = []
        for name, inputs in inputs_of.items():
            flows = {kind: results[request.size_run_name(size, name, kind)] for kind in SIZE_RUNS}
            offers.append(ComparedOffer(name, inputs, flows, request.first, request.last))
        yield SizedComparison(size, Comparison(request, _ranked(offers)))


@dataclass(frozen=True, slots=True)
class Month:
    """One calendar month, or the part of it that was compared, with the car used in one way under an offer.

    Attributes
    ----------
    month : its first day. money : what it costs. energy : by name of COLUMNS [kWh].
    """

    month: date
    money: Money
    energy: Mapping[str, float]


def months(offer: ComparedOffer, kind: str) -> Iterator[Month]:
    """Yield the months of the period in order; they sum to the whole."""
    flows, lines = offer.flows[kind], offer.bills[kind].lines
    firsts = [offer.first.replace(day=1)]
    while (following := (firsts[-1] + timedelta(days=32)).replace(day=1)) <= offer.last:
        firsts.append(following)
    edges = [offer.first, *firsts[1:], offer.last + timedelta(days=1)]
    stored = np.concatenate(([flows.stored_before_kwh], flows.stored_kwh))
    for month, (begin, end) in zip(firsts, pairwise(edges), strict=True):
        first, last = (_row(flows, midnight_of(day, offer.inputs)) for day in (begin, end))
        within = slice(first, last)
        yield Month(
            month,
            Money(
                sum(line.amount for line in lines if line.month == month),
                float(flows.on_the_way_cost[within].sum()),
                float(flows.wear_cost[within].sum()),
                float(stored[last] - stored[first]) * offer.stored_energy_price,
            ),
            {name: float(column[within].sum()) for name, column in flows.energy.items()},
        )
