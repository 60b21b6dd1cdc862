"""Replay: energy, limits, money and wear of a night, recomputed from the setpoints alone through models/.

It is an independent check of the optimizer. `replay` computes. `verify` refuses setpoints that break a constraint of
the night, and claims of the optimizer that the replay does not confirm.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from models.base.arrays import BoolArray, FloatArray
from models.site.charger import into_battery_kwh, out_of_battery_kwh
from models.site.connection import grid_flows_kw, import_cap_kw, needed_curtailment_kw, net_draw_kw
from models.site.trips import on_the_way_kwh
from models.tariff.bill import export_credit, import_cost
from models.tariff.tiers import paid_prices
from models.wear.calendar_ageing import calendar_cost
from models.wear.segments import through_segments_kwh
from scheduler.nights.night import Night
from scheduler.optimizer.block import Block
from scheduler.optimizer.manual_blocks import broken_setting, settings_made
from scheduler.optimizer.money_scale import money_scale
from scheduler.optimizer.setpoints import Answer, Setpoints

ENERGY_TOLERANCE = 1e-6
"""Largest difference in energy [kWh] or power [kW] that is accepted."""
MONEY_TOLERANCE = 1e-4
"""Most by which money may be off, in units of ordinary size (scheduler.optimizer.money_scale), besides what the energy
that may be off is worth."""


class PlanRefused(Exception):  # noqa: N818 - the plan is refused, the tool is sound
    """A plan does not hold; `broken` names each constraint or claim that fails, with the time and the amount."""

    def __init__(self, broken: tuple[str, ...]) -> None:
        super().__init__("; ".join(broken))
        self.broken = broken


@dataclass(frozen=True, slots=True)
class Costs:
    """Costs and credits of a night [money]; wear is unweighted.

    Attributes
    ----------
    import_, export : cost of import and credit for export.
    on_the_way : charging away from home.
    demand : what the night adds to the month's demand charge.
    cycle_wear, calendar_wear : battery wear by cycling, and by calendar ageing.
    outside_window : for time below the floor or above the ceiling.
    starts : worth of the charger's starts.
    settings : worth of what a person sets; on no bill.
    emissions : price of the grid's emissions for what is bought, less those that what is sold avoids; on no bill.
    bought_kg, avoided_kg : those emissions [kg]; None where they are not known.
    stored_energy : worth of the energy that the night adds to the battery, up to the ceiling.
    wear_weight : factor on wear in the total.
    """

    import_: float
    export: float
    on_the_way: float
    demand: float
    cycle_wear: float
    calendar_wear: float
    outside_window: float
    starts: float
    stored_energy: float
    wear_weight: float
    settings: float = 0.0
    emissions: float = 0.0
    bought_kg: float | None = None
    avoided_kg: float | None = None

    @property
    def wear(self) -> float:
        """Return the wear by cycling and by calendar ageing, unweighted [money]."""
        return self.cycle_wear + self.calendar_wear

    @property
    def cash(self) -> float:
        """Return what the owner pays: import − export + on the way + demand [money]."""
        return self.import_ - self.export + self.on_the_way + self.demand

    @property
    def total(self) -> float:
        """Return what the program minimises [money].

        That is cash + emissions + weight · wear + outside window + starts + settings − stored energy.
        """
        weighed = self.cash + self.emissions + self.wear_weight * self.wear
        return weighed + self.outside_window + self.starts + self.settings - self.stored_energy


@dataclass(frozen=True, slots=True, eq=False)
class Replayed:
    """What the setpoints lead to; shapes are (n,) by interval, (n + 1,) by boundary and (trips,) by trip.

    Attributes
    ----------
    stored_kwh : stored energy at each boundary [kWh].
    import_kw, export_kw : power at the meter [kW].
    import_price, export_price : mean price of each interval's energy; where there is none, the price of the next kWh
        [money per kWh].
    import_cost, export_credit : by interval [money].
    cycle_wear_cost, calendar_wear_cost : by interval, unweighted [money].
    on_the_way_kwh : energy charged away from home, by trip [kWh].
    missing_kwh, missing_when_ready_kwh : energy short of the target at departure, and at most between ready time and
        departure, by trip [kWh].
    start_count : number of starts of the charger.
    costs : sums over the night.
    """

    stored_kwh: FloatArray
    import_kw: FloatArray
    export_kw: FloatArray
    import_price: FloatArray
    export_price: FloatArray
    import_cost: FloatArray
    export_credit: FloatArray
    cycle_wear_cost: FloatArray
    calendar_wear_cost: FloatArray
    on_the_way_kwh: FloatArray
    missing_kwh: FloatArray
    missing_when_ready_kwh: FloatArray
    start_count: int
    costs: Costs

    @property
    def wear_cost(self) -> FloatArray:
        """Return the wear by cycling and by calendar ageing, unweighted [money], shape (n,)."""
        return self.cycle_wear_cost + self.calendar_wear_cost


def replay(night: Night, setpoints: Setpoints, blocks: tuple[Block, ...] = ()) -> Replayed:
    """Recompute a night from its setpoints, without judging them.

    Parameters
    ----------
    night : the night.
    setpoints : powers of the charger and curtailed solar, by interval.
    blocks : what a person sets; none where the charger is left to itself.
    """
    hours, car = night.hours, night.car
    into = into_battery_kwh(night.charger, hours, setpoints.charge_kw, setpoints.charge_share)
    out = out_of_battery_kwh(night.charger, hours, setpoints.discharge_kw, setpoints.discharge_share)
    states = [night.stored_now_kwh]
    on_the_way, missing, unready = (np.zeros(len(night.trips)) for _ in range(3))
    ending = {trip.comeback - 1: number for number, trip in enumerate(night.trips)}
    for interval, (put_in, taken_out) in enumerate(zip(into.tolist(), out.tolist(), strict=True)):
        if interval in ending:
            number = ending[interval]
            trip = night.trips[number]
            at_departure = states[trip.depart]
            on_the_way[number] = on_the_way_kwh(car, trip.trip.distance_km, at_departure, trip.consumption.middle)
            missing[number] = max(0.0, trip.target_kwh - at_departure)
            unready[number] = max(0.0, trip.target_kwh - min(states[trip.ready : trip.depart], default=np.inf))
            put_in = into[interval] = put_in + on_the_way[number]
            taken_out = out[interval] = taken_out + trip.energy_kwh
        states.append(states[-1] + put_in - taken_out)
    stored = np.array(states, dtype=np.float64)
    net_kw = net_draw_kw(night.load_kw, night.solar_kw, setpoints.charge_kw, setpoints.discharge_kw)
    import_kw, export_kw = grid_flows_kw(net_kw, setpoints.curtailed_kw)
    bought = import_cost(hours, import_kw, night.import_price)
    sold = export_credit(hours, export_kw, night.export_price)
    for tier in night.tiers_of("import"):
        bought = bought + tier.money(hours * import_kw)
    for tier in night.tiers_of("export"):
        sold = sold + tier.money(hours * export_kw)
    taken, fill = through_segments_kwh(night.wear, night.initial_fill_kwh, into, out)
    worn = taken @ night.wear.price_per_kwh
    aged = np.zeros(night.intervals) if night.calendar is None else calendar_cost(night.calendar, hours, stored)
    starts = _starts(setpoints.charging) + _starts(setpoints.discharging)
    grid_kg = None if night.grid_g_per_kwh is None else night.grid_g_per_kwh / 1000 * hours
    bought_kg, avoided_kg = (None if grid_kg is None else float(grid_kg @ kw) for kw in (import_kw, export_kw))
    a_kg = 1000 * night.emissions_price
    costs = Costs(
        import_=float(bought.sum()) - a_kg * (bought_kg or 0.0),
        export=float(sold.sum()) - a_kg * (avoided_kg or 0.0),
        emissions=a_kg * ((bought_kg or 0.0) - (avoided_kg or 0.0)),
        bought_kg=bought_kg,
        avoided_kg=avoided_kg,
        on_the_way=car.on_the_way_price_per_kwh * float(on_the_way.sum()),
        demand=sum(month.cost(hours, import_kw) for month in night.demand),
        cycle_wear=float(worn.sum()),
        calendar_wear=float(aged.sum()),
        outside_window=float(_outside_window_cost(night, stored).sum()),
        starts=starts * night.charger.start_worth_kwh * night.highest_price,
        stored_energy=night.worth_gained(float(stored[-1]), fill),
        wear_weight=night.wear_weight,
        settings=len(settings_made(night, blocks, stored)) * night.setting_worth,
    )
    return Replayed(
        stored_kwh=stored,
        import_kw=import_kw,
        export_kw=export_kw,
        import_price=paid_prices(night.import_price, night.tiers_of("import"), hours * import_kw),
        export_price=paid_prices(night.export_price, night.tiers_of("export"), hours * export_kw),
        import_cost=bought,
        export_credit=sold,
        cycle_wear_cost=worn,
        calendar_wear_cost=aged,
        on_the_way_kwh=on_the_way,
        missing_kwh=missing,
        missing_when_ready_kwh=unready,
        start_count=starts,
        costs=costs,
    )


def battery_flows_kwh(night: Night, setpoints: Setpoints, on_the_way: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the energy into and out of the battery in each interval, trips included [kWh], each of shape (n,).

    Parameters
    ----------
    night, setpoints : the night and what the charger does.
    on_the_way : energy charged away from home, by trip [kWh], shape (trips,).
    """
    into = into_battery_kwh(night.charger, night.hours, setpoints.charge_kw, setpoints.charge_share)
    out = out_of_battery_kwh(night.charger, night.hours, setpoints.discharge_kw, setpoints.discharge_share)
    for number, trip in enumerate(night.trips):
        into[trip.comeback - 1] += on_the_way[number]
        out[trip.comeback - 1] += trip.energy_kwh
    return into, out


def verify(night: Night, answer: Answer) -> Replayed:
    """Replay an answer, and refuse it unless every constraint holds and every claim is confirmed.

    Returns
    -------
    What the answer's setpoints lead to.

    Raises
    ------
    PlanRefused : with everything that does not hold.
    """
    replayed = verify_constraints(night, answer.setpoints, answer.blocks or ())
    if answer.blocks is not None:
        late = answer.settings_at_night if answer.served_at_night else 0
        unkept = tuple(broken_setting(night, answer.setpoints, answer.blocks, replayed.stored_kwh, late))
        if unkept:
            raise PlanRefused(unkept)
    money_tolerance = MONEY_TOLERANCE * money_scale(night) + ENERGY_TOLERANCE * _most_per_unit(night)
    claims = [
        ("stored energy [kWh]", answer.stored_kwh, replayed.stored_kwh, ENERGY_TOLERANCE),
        ("energy on the way [kWh]", answer.on_the_way_kwh, replayed.on_the_way_kwh, ENERGY_TOLERANCE),
        ("energy missing at a departure [kWh]", answer.missing_kwh, replayed.missing_kwh, ENERGY_TOLERANCE),
        ("the night's total", np.array([answer.money]), np.array([replayed.costs.total]), money_tolerance),
    ]
    broken = tuple(
        f"{what}: claimed {claimed[worst]:.6f}, found {found[worst]:.6f}"
        for what, claimed, found, tolerance in claims
        if len(found)
        for worst in [int(np.argmax(np.abs(claimed - found)))]
        if not abs(claimed[worst] - found[worst]) <= tolerance
    )
    if broken:
        raise PlanRefused(broken)
    return replayed


def _most_per_unit(night: Night) -> float:
    """The most that one kWh more or less, or one kW of a demand charge, can change the night's total [money]."""
    prices: list[FloatArray | float] = [
        night.import_price,
        night.export_price,
        *(tier.difference for tier in night.tiers),
        *(month.price_per_kw for month in night.demand),
        night.car.on_the_way_price_per_kwh,
        night.wear_weight * night.wear.price_per_kwh,
        night.stored_energy.price_per_kwh,
        0.0 if night.segment_value is None else night.segment_value.price_per_kwh,
        night.car.outside_window_factor * night.highest_price * night.hours,
    ]
    return max(float(np.max(np.abs(each))) for each in prices)


def verify_constraints(night: Night, setpoints: Setpoints, blocks: tuple[Block, ...] = ()) -> Replayed:
    """Replay setpoints without claims, such as an alternative's, and refuse them if they break a constraint.

    Parameters
    ----------
    blocks : what a person sets; none where the charger is left to itself.

    Returns
    -------
    What the setpoints lead to.

    Raises
    ------
    PlanRefused : with every constraint that is broken.
    """
    replayed = replay(night, setpoints, blocks)
    broken = tuple(map(str, broken_constraints(night, setpoints, replayed)))
    if broken:
        raise PlanRefused(broken)
    return replayed


@dataclass(frozen=True, slots=True)
class BrokenConstraint:
    """A constraint that setpoints break, by how much at most [kW, kWh or -], and from when; None where unknown.

    Examples
    --------
    >>> print(BrokenConstraint("over the night's discharge limit", 0.25))
    over the night's discharge limit, by 0.250000
    """

    constraint: str
    amount: float | None = None
    at: datetime | None = None

    def __str__(self) -> str:
        """Return it on one line, with local time."""
        by = "" if self.amount is None else f", by {self.amount:.6f}"
        begin = "" if self.at is None else f" from {self.at:%Y-%m-%d %H:%M}"
        return f"{self.constraint}{by}{begin}"


def broken_constraints(night: Night, setpoints: Setpoints, replayed: Replayed) -> Iterator[BrokenConstraint]:
    """Yield every constraint of the night that the setpoints break."""
    charger, car, connection = night.charger, night.car, night.connection
    charge, discharge, curtailed = setpoints.charge_kw, setpoints.discharge_kw, setpoints.curtailed_kw
    charge_on, discharge_on = setpoints.charge_share, setpoints.discharge_share
    load, solar, end = night.load_kw, night.solar_kw, replayed.stored_kwh[1:]
    if not np.isfinite(np.concatenate([charge, discharge, curtailed, charge_on, discharge_on])).all():
        yield BrokenConstraint("setpoints: not all are numbers")
        return
    needed = needed_curtailment_kw(night.export_limit_kw, net_draw_kw(load, solar, charge, discharge), solar)
    excess = {
        "a power below zero": np.maximum.reduce([-charge, -discharge, -curtailed]),
        "a share of running outside 0 to 1": np.maximum.reduce(
            [-charge_on, charge_on - 1, -discharge_on, discharge_on - 1]
        ),
        "both directions at once": np.maximum(np.minimum(charge, discharge), np.minimum(charge_on, discharge_on)),
        "power while the car is away": (charge + discharge + charge_on + discharge_on) * ~night.at_home,
        "below the minimum charging power": charger.charge_min_kw * charge_on - charge,
        "above the maximum charging power": charge - charger.charge_max_kw * charge_on,
        "below the minimum discharging power": charger.discharge_min_kw * discharge_on - discharge,
        "above the maximum discharging power": discharge - charger.discharge_max_kw * discharge_on,
        "over the import limit": replayed.import_kw - import_cap_kw(connection, load, solar),
        "over the export limit": replayed.export_kw - night.export_limit_kw,
        "charged from the grid where the offer forbids it": (charge - np.maximum(0.0, solar - curtailed - load))
        * (night.only_solar & (charge > 0)),
        "less curtailed than needed": needed - curtailed,
        "more curtailed than there is": curtailed - np.maximum(solar, 0.0),
        "more taken out than stored": -end,
        "more put in than the battery holds": end - car.battery_kwh,
        "discharged below the floor": (car.floor_kwh - end) * (discharge_on > 0),
        "charged above the ceiling": (end - night.ceiling_kwh[1:]) * (charge_on > 0),
    }
    if not night.solar_can_be_limited:
        excess["more curtailed than needed"] = curtailed - needed
    if charger.discharge_to == "building":
        excess["discharged beyond the building's draw"] = discharge - np.maximum(0.0, load - solar)
    for constraint, amount in excess.items():
        worst = int(np.argmax(amount))
        if not amount[worst] <= ENERGY_TOLERANCE:
            instant = night.boundaries[worst].tz_convert(night.timezone)
            yield BrokenConstraint(constraint, float(amount[worst]), instant.to_pydatetime())
    if car.discharge_limit_kwh is not None:
        beyond = float(night.hours @ discharge) - car.discharge_limit_kwh
        if not beyond <= ENERGY_TOLERANCE:
            yield BrokenConstraint("over the night's discharge limit", beyond)


def _outside_window_cost(night: Night, stored_kwh: FloatArray) -> FloatArray:
    """Return the cost of stored energy below the floor or above the ceiling after each interval at home, shape (n,)."""
    end = stored_kwh[1:]
    outside = np.maximum(0.0, night.car.floor_kwh - end) + np.maximum(0.0, end - night.car.ceiling_kwh)
    price = night.car.outside_window_factor * night.highest_price
    return np.asarray(night.hours * night.at_home * price * outside, dtype=np.float64)


def _starts(running: BoolArray) -> int:
    """Return how often the charger starts; it is idle before the first interval."""
    return int(np.sum(running & ~np.concatenate([[False], running[:-1]])))
