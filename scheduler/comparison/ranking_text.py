"""What each offer costs with either charger, as a table, and what its ranges mean."""

from __future__ import annotations

from scheduler.comparison.conclusion import CHARGERS, Conclusion, Ranking, ranking_of
from scheduler.comparison.conclusion_text import CHARGER_NAMES
from scheduler.comparison.results import Comparison, Money
from scheduler.comparison.text import shown_amount
from scheduler.render.table import NOTHING, Cell, Column, Role, Table
from scheduler.textio.format import money_digits, money_text, rows_that_add_up

FIRST_PLACE = "More than the first"


def ranking_table(found: Conclusion) -> Table:
    """Return a row per charger and offer: what makes up its cost, and its distance from the first.

    Today's offer, where it is named, stands above them with the car charged on its return.
    """
    compared = found.compared
    several, on_the_way = len(compared.offers) > 1, _charges_on_the_way(compared)
    names = ["Bill", *(["On the way"] if on_the_way else []), "Battery wear", "Stored energy used", "Total"]
    columns = (
        Column(heading="Offer"),
        *(Column(heading=name, unit=compared.currency, kind="money") for name in names),
        *([Column(heading=FIRST_PLACE, kind="number")] if several else []),
    )
    rows: list[tuple[Cell, ...]] = []
    roles: dict[int, Role] = {}

    def group(name: str) -> None:
        roles[len(rows)] = "group"
        rows.append((name, *("" for _ in columns[1:])))

    def row(name: str, money: Money, distance: str) -> None:
        parts = _parts(compared, money)
        shown = [parts[0], *([parts[1]] if on_the_way else []), parts[2], parts[3], sum(parts)]
        rows.append((name, *shown, *([distance] if several else [])))

    if compared.today is not None:
        group("Today, charged on return")
        row(compared.today.inputs.offer.name, compared.today.money["charge-on-return"], NOTHING)
    for charger in CHARGERS:
        ranking = ranking_of(found.own, charger)
        group(CHARGER_NAMES[charger])
        for number, each in enumerate(ranking.offers):
            row(each.inputs.offer.name, each.money[CHARGERS[charger]], _distance(compared, ranking, number))
    return Table(columns, tuple(rows), roles=roles)


def tie_text(found: Conclusion) -> tuple[str, ...]:
    """Return a sentence on what the ranges mean; empty for a single offer."""
    compared = found.compared
    if len(compared.offers) == 1:
        return ()
    if all(tie is None for tie in found.own.bidirectional.ties):
        return ("Fewer than four weeks are too few to say whether a difference depends on the weeks.",)
    return (
        "The range beside a difference is where 95 of 100 such periods lie if whole weeks are resampled from these. "
        "Where it reaches 0 the two offers are a tie: which costs less depends on the weeks.",
    )


def today_text(found: Conclusion) -> tuple[str, ...]:
    """Return a sentence on today's bill, and what changes save; empty where today's offer is not named."""
    compared, today = found.compared, found.compared.today
    if today is None or compared.building_bill is None:
        return ()
    name = today.inputs.offer.name
    saved = today.money["charge-on-return"].total - found.own.plain.totals[0]
    less = f"{shown_amount(compared, abs(saved))} {'less' if saved >= 0 else 'more'}"
    best = found.own.plain.best.inputs.offer.name
    how = "only timing the charging" if best == name else f"changing to {best} and timing the charging"
    return (
        f"Under today's offer, {name}, the building as metered, without the car, is billed "
        f"{shown_amount(compared, compared.building_bill)} for these days; with the car charged on its return "
        f"{shown_amount(compared, today.bills['charge-on-return'].total)}. Against that, {how} costs {less} in total.",
    )


def _charges_on_the_way(compared: Comparison) -> bool:
    ways = ("charge-only", "plan", *(["charge-on-return"] if compared.today is not None else []))
    return any(each.money[kind].on_the_way for each in compared.offers for kind in ways)


def _parts(compared: Comparison, money: Money) -> list[float]:
    """Return bill, on the way, wear and stored energy used, rounded so that they sum to the total shown [money].

    The bill is rounded by itself, as it is shown in its parts too; what is short of the total goes to wear.
    """
    digits = money_digits(compared.currency)
    bill, total = round(money.bill, digits), round(money.total, digits)
    wear = total - bill - money.on_the_way + money.stored_energy
    return [bill, *rows_that_add_up((money.on_the_way, wear, -money.stored_energy), digits)]


def _distance(compared: Comparison, ranking: Ranking, number: int) -> str:
    if number == 0:
        return NOTHING
    text = money_text(ranking.totals[number] - ranking.totals[0], compared.currency)
    found = ranking.distances[number - 1]
    if found is None:
        return text
    low, high = (money_text(value, compared.currency) for value in found)
    return f"{text} ({low} to {high}){', a tie' if ranking.ties[number - 1] else ''}"
