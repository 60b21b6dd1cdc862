"""A sweep as text: what weight 1 saves and costs, where the frontier bends, and where discharging stops."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pandas as pd

from models.wear.law import DAYS_A_YEAR
from models.wear.laws import calendar_law_names
from scheduler.render.table import NO_BREAK, NOTHING, Column, Table
from scheduler.sweep.frontier import Frontier, FrontierPoint
from scheduler.textio.format import money_text, number_text, sentence_case

LAWS_WITH_TIME = calendar_law_names()
FEW_DAYS = 28
"""A sweep of fewer days has their number in its headline."""
HOW_TO_READ = (
    "A wear weight multiplies the cost of battery wear when a night is planned: at 0 wear counts for nothing, at 1 for "
    "its whole cost, above 1 for more. The bill and the battery are the same ones throughout.",
    "Cash saved a year is what the car costs when it is charged on every return, less what it costs as planned: the "
    "bill and charging on the way, and the energy left in the battery at its worth. Battery wear is not in it.",
    "Life used × 20 % is the share of the battery's life that a year uses up, by counted cycles and by calendar "
    "ageing where the law knows it, times the 20 % of its capacity that a battery has lost when its life ends. "
    "Driving is in it. It is not what the battery loses in that year: a young one loses more by some laws. "
    "What each law itself gives stands beside it in runs.csv, as own_capacity_lost_percent_a_year.",
    "A weight is efficient if no other one saves as much for less life used. Some are not, where forecasts err.",
    "The knee is the efficient point farthest above the straight line from the first to the last, with each axis "
    "scaled to its own range (Satopää, Albrecht, Irwin and Raghavan 2011). Other weights in the sweep scale the axes "
    "otherwise and can move it: it says where the curve bends, not what is best.",
    "At weight 1 avoiding one more unit of wear costs one unit of cash, so the total is best there: exactly for one "
    "night, about so for nights one after another that are planned on forecasts.",
)


def group_names(frontiers: Sequence[Frontier]) -> tuple[str, ...]:
    """Return names that distinguish the groups; the offer alone if there is one group."""
    several = {
        "offer": len({each.offer for each in frontiers}) > 1,
        "law": len({each.law for each in frontiers}) > 1,
    }
    varied = [key for key, _ in frontiers[0].settings if len({dict(each.settings)[key] for each in frontiers}) > 1]
    found = []
    for each in frontiers:
        parts = [each.offer] if several["offer"] or not (several["law"] or varied) else []
        parts += [f"law {each.law}"] if several["law"] else []
        parts += [f"{_key_text(key)}{NO_BREAK}{dict(each.settings)[key]}" for key in varied]
        found.append(", ".join(parts))
    return tuple(found)


def in_common(frontiers: Sequence[Frontier]) -> str:
    """Return the offer and law that all groups share, ", offer Evening feed-in, law depth", if they share them."""
    offers, laws = {each.offer for each in frontiers}, {each.law for each in frontiers}
    shared = [f"offer {frontiers[0].offer}"] if len(offers) == 1 else []
    shared += [f"law {frontiers[0].law}"] if len(laws) == 1 else []
    return "".join(f", {part}" for part in shared)


def lost_text(percent: float) -> str:
    """Return life used × 20 %, "0.35 %", with three decimals below 0.1."""
    return f"{number_text(percent, 2 if abs(percent) >= 0.1 else 3)} %"


def weight_text(weight: float) -> str:
    """Return a weight, "0.5"."""
    return f"{weight:g}"


def headline(frontiers: Sequence[Frontier], currency: str) -> str:
    """Return a sentence on what weight 1 saves and costs in the first group; without it, on the lowest weight."""
    first = frontiers[0]
    remarks = [] if len(frontiers) == 1 else [group_names(frontiers)[0]]
    remarks += [f"scaled from {_count(first.days, 'day')}"] if first.days < FEW_DAYS else []
    group = f" ({'; '.join(remarks)})" if remarks else ""
    if first.one is not None:
        return f"At wear weight 1 the car {_saves(first.one, first.law, currency)}{group}."
    lowest = first.points[0]
    return (
        f"Weight 1 is not in this sweep; at weight {weight_text(lowest.weight)} the car "
        f"{_saves(lowest, first.law, currency)}{group}."
    )


def sentences(frontiers: Sequence[Frontier], currency: str) -> tuple[str, ...]:
    """Return sentences on the first group's wear, reference, knee and stop, and on the range over all groups."""
    return tuple(_sentences(frontiers, currency))


def bound_sentences(runs: pd.DataFrame) -> tuple[str, ...]:
    """Return a sentence on what share of the most that discharging can be worth the plans keep; empty without bounds.

    Parameters
    ----------
    runs : one row per run, as runs.csv has them.
    """
    if "full_horizon_share" not in runs or runs["full_horizon_share"].isna().all():
        return ()
    plans = runs[runs["policy"] == "plan"].sort_values("full_horizon_share", ascending=False, kind="stable")
    best, gap = plans.iloc[0], float(plans["full_horizon_gap"].max())
    return (
        f"Of the most that discharging can be worth, against only charging, the best plan keeps "
        f"{number_text(100 * float(best['full_horizon_share']), 1)} %, at weight {weight_text(float(best['weight']))}. "
        f"The most is a bound with all days seen at once; plans found come within "
        f"{money_text(gap, str(best['currency']))} {best['currency']} of it.",
    )


def counted_sentences(runs: pd.DataFrame) -> tuple[str, ...]:
    """Return a sentence if wear counted after the fact ranks the plans of a group otherwise; else empty.

    Parameters
    ----------
    runs : one row per run, as runs.csv has them.
    """
    if "in_all_counted" not in runs:
        return ()
    other, several = 0, 0
    for _, group in runs[runs["policy"] == "plan"].groupby("group"):
        charged, counted = (
            list(group.sort_values(name, kind="stable")["run"]) for name in ("in_all", "in_all_counted")
        )
        other, several = other + (charged != counted), several + 1
    if not other:
        return ()
    where = "the weights" if several == 1 else f"the weights of {other} of {_count(several, 'group')}"
    return (f"With wear counted after the fact {where} rank otherwise by total: in_all_counted in runs.csv.",)


def scaled_text(frontiers: Sequence[Frontier]) -> str | None:
    """Return a sentence saying that fewer days than a year are scaled to one; None if they are not."""
    days = frontiers[0].days
    if days >= int(DAYS_A_YEAR):
        return None
    return (
        f"{_count(days, 'day')} scaled to a year of {DAYS_A_YEAR:g}: another season, other trips or another mix of "
        "weekdays may differ much."
    )


def stop_text(frontier: Frontier) -> str:
    """Return where discharging stops: "between 5 and 10", "still discharges at 20", "never discharges"."""
    stop = frontier.stop
    if stop.first_none is None:
        return f"still discharges at {weight_text(frontier.points[-1].weight)}"
    if stop.last_giving is None:
        return "never discharges"
    return f"between {weight_text(stop.last_giving)} and {weight_text(stop.first_none)}"


def knee_text(frontier: Frontier, currency: str) -> str:
    """Return the knee: "2: 967.52 for 0.50 %"."""
    knee = frontier.knee
    if knee is None:
        return NOTHING
    return f"{weight_text(knee.weight)}: {_pair(knee, currency)}"


def group_table(frontiers: Sequence[Frontier], currency: str) -> Table:
    """Return one row per group: weight 1, the knee, and where discharging stops."""
    columns = (
        Column(heading="Group"),
        Column(heading=f"{currency} of cash saved a year at weight 1", unit=currency, kind="money"),
        Column(heading="Life used × 20 %, a year at weight 1", kind="percent"),
        Column(heading="Full cycles a year at weight 1", kind="number"),
        Column(heading="Knee, by its weight", kind="number"),
        Column(heading="Weight at which discharging stops", kind="number"),
    )
    rows = []
    for name, each in zip(group_names(frontiers), frontiers, strict=True):
        one = each.one
        at_one = (None, None, None) if one is None else (one.cash_saved, lost_text(one.capacity_lost), one.full_cycles)
        rows.append((name, *at_one, knee_text(each, currency), stop_text(each)))
    return Table(columns, tuple(rows))


def laws_text(frontier: Frontier) -> str:
    """Return sentences on how far the laws differ about the same runs, at weight 1 or else at the lowest."""
    point = frontier.one or frontier.points[0]
    by_law = sorted(point.lost_by_law.items(), key=lambda each: each[1])
    (least_law, least), (most_law, most) = by_law[0], by_law[-1]
    listed = ", ".join(f"{law} {lost_text(lost)}" for law, lost in by_law)
    times = f": {most_law} finds {number_text(most / least, 1)} times what {least_law} does" if least > 0 else ""
    return (
        f"Life used × 20 %, a year at weight {weight_text(point.weight)}, is by law {listed}{times}. "
        f"{' and '.join(LAWS_WITH_TIME)} count calendar ageing as well, most of which no plan avoids; the others count "
        "cycles alone."
    )


def frontier_gist(frontiers: Sequence[Frontier], currency: str) -> str:
    """Return what the frontier figure shows, for readers who cannot see it."""
    return _gist(
        f"Cash saved a year, {currency}, against life used × 20 %, a year.",
        frontiers,
        [
            f"from {_pair(each.efficient[0], currency)} to {_pair(each.efficient[-1], currency)}"
            + ("" if each.knee is None else f", knee at weight {weight_text(each.knee.weight)}")
            for each in frontiers
        ],
    )


def weight_gist(frontiers: Sequence[Frontier], currency: str) -> str:
    """Return what the figure against the weight shows, for readers who cannot see it."""
    return _gist(
        f"Discharged energy, life used × 20 % and {currency} of total saving against the wear weight.",
        frontiers,
        [
            f"{number_text(each.points[0].discharged_kwh, 0)} kWh discharged at weight "
            f"{weight_text(each.points[0].weight)}; {_stop_clause(each)}"
            for each in frontiers
        ],
    )


def laws_gist(frontier: Frontier) -> str:
    """Return what the figure of the laws shows, for readers who cannot see it."""
    return f"Life used × 20 %, a year, by each wear law against the wear weight. {laws_text(frontier)}"


def _sentences(frontiers: Sequence[Frontier], currency: str) -> Iterator[str]:
    first, one = frontiers[0], frontiers[0].one
    against = "Savings are against charging on every return"
    if one is None:
        yield f"{against}."
    else:
        yield f"{against}; with battery wear counted as money, the total is {_amount(one.saving, currency)} a year."
        if first.charge_only is not None:
            more = one.cash_saved - first.charge_only.cash_saved
            lost = one.capacity_lost - first.charge_only.capacity_lost
            reference = _each_year(first.charge_only, currency)
            yield (
                f"Only charged at the best times and never discharged, it comes to {reference}: discharging "
                f"adds {_amount(more, currency)} saved and {lost_text(lost)} of life used × 20 % a year."
            )
    if first.knee is not None:
        bend = f"The frontier bends most at weight {weight_text(first.knee.weight)}, its knee"
        yield f"{bend}: {_each_year(first.knee, currency)}."
    yield f"{sentence_case(_stop_clause(first))}."
    ones = [each.one for each in frontiers if each.one is not None]
    if len(ones) > 1:
        saved = _range([money_text(each.cash_saved, currency) for each in _by(ones, "cash_saved")])
        used = _range([lost_text(each.capacity_lost) for each in _by(ones, "capacity_lost")])
        losses = f"; life used × 20 % is {used}"
        one_law = len({each.law for each in frontiers}) == 1
        yield f"Over all {len(frontiers)} groups, weight 1 saves {saved} {currency} a year{losses if one_law else ''}."
    points = [point for each in frontiers for point in each.points]
    beaten = sum(not point.efficient for point in points)
    if beaten:
        yield (
            f"{_count(beaten, 'run')} of {len(points)} {'is' if beaten == 1 else 'are'} not efficient: another weight "
            "saves as much for less life used."
        )


def _saves(point: FrontierPoint, law: str, currency: str) -> str:
    """Return what a point saves and uses: "saves … of cash a year; life used × 20 % is …, by cycles"."""
    verb = "saves" if point.cash_saved >= 0 else "costs"
    amount = f"{_amount(abs(point.cash_saved), currency)} {'of' if point.cash_saved >= 0 else 'more'} cash a year"
    return f"{verb} {amount}; life used × 20 % is {lost_text(point.capacity_lost)}, {_used_by(law)}"


def _used_by(law: str) -> str:
    """Return what a law counts: cycles, or time as well."""
    return "by cycles and time" if law in LAWS_WITH_TIME else "by cycles"


def _each_year(point: FrontierPoint, currency: str) -> str:
    """Return a point as a phrase: "967.52 EUR of cash saved and 0.50 % of life used × 20 % a year"."""
    lost = lost_text(point.capacity_lost)
    return f"{_amount(point.cash_saved, currency)} of cash saved and {lost} of life used × 20 % a year"


def _pair(point: FrontierPoint, currency: str) -> str:
    """Return a point for a table: "967.52 for 0.50 %"."""
    return f"{money_text(point.cash_saved, currency)} for {lost_text(point.capacity_lost)}"


def _stop_clause(frontier: Frontier) -> str:
    stop = frontier.stop
    if stop.first_none is None:
        return f"at the highest weight, {weight_text(frontier.points[-1].weight)}, the car still discharges"
    if stop.last_giving is None:
        return "the car discharges at no weight of this sweep"
    return f"discharging stops between weight {weight_text(stop.last_giving)} and {weight_text(stop.first_none)}"


def _gist(begins: str, frontiers: Sequence[Frontier], clauses: Sequence[str]) -> str:
    names = group_names(frontiers)
    return f"{begins} " + " ".join(f"{name}: {clause}." for name, clause in zip(names, clauses, strict=True))


def _by(points: Sequence[FrontierPoint], name: str) -> list[FrontierPoint]:
    return sorted(points, key=lambda each: float(getattr(each, name)))


def _range(amounts: Sequence[str]) -> str:
    return amounts[0] if amounts[0] == amounts[-1] else f"{amounts[0]} to {amounts[-1]}"


def _amount(amount: float, currency: str) -> str:
    return f"{money_text(amount, currency)} {currency}"


def _key_text(key: str) -> str:
    """Return a site's key without its table: "discharge_min_kw"."""
    return key.partition(".")[2]


def _count(number: int, of: str) -> str:
    return f"{number} {of}{'' if number == 1 else 's'}"
