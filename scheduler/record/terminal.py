"""What came of the plans, on a terminal and as JSON."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.text import Text

from scheduler.record.payoff import pay_off_sentences
from scheduler.record.report import CameOf
from scheduler.record.settled import SettledNight
from scheduler.record.totals import Totals, totals, totals_by_month, totals_by_year
from scheduler.record.update import NotSettled
from scheduler.render.table import Cell, Column, Role, Table
from scheduler.render.terminal import print_list, print_table
from scheduler.textio.format import amount_text, local_iso, money_text, number_text

FORMAT = 1
WIDTH = 78
MOST_MONTHS = 3
"""Months shown one by one; those before them are one row."""
MOST_NOT_SETTLED = 3
INVENTED = "invented evenings"


def show_came_of(found: CameOf, console: Console) -> None:
    """Print what came of the plans, on a screenful."""
    width = min(WIDTH, console.width)
    counted = found.counted
    console.print(Text(_title(found), style="bold"), width=width)
    if found.invented:
        console.print(Text(_invented(found)), width=width)
    if not found.nights:
        console.print(Text("No night is settled yet."), width=width)
    else:
        console.print(Text(_earned(found, counted)), width=width)
        print_table(_months(found), console, width)
        print_list("", _sums(found, counted), console, width, style="")
        print_list("Best and worst night", _extremes(found, counted), console, width, style="")
    if found.hardware is not None and found.nights:
        print_list("The hardware", pay_off_sentences(found.paid, counted.count, found.hardware), console, width, "")
    print_list("Please note", _notes(found), console, width, style="")


def _title(found: CameOf) -> str:
    site = found.inputs.site
    nights = found.nights
    if not nights:
        return f"{site.name}: what came of {found.plans} plan{'' if found.plans == 1 else 's'}"
    span = f"{_day(nights[0].begin, site.timezone)} to {_day(nights[-1].begin, site.timezone)}"
    return f"{site.name}: what came of {len(nights)} night{'' if len(nights) == 1 else 's'}, {span}"


def _invented(found: CameOf) -> str:
    own = ""
    if found.own_plans:
        plans = f"{found.own_plans} plan{'' if found.own_plans == 1 else 's'}"
        own = f" This site's own record holds {plans}; a meter's files that cover it (--meter) settle a night."
    return f"These are {INVENTED} that come with the demo, not yours.{own}"


def _earned(found: CameOf, counted: Totals) -> str:
    """Return what was earned, against both, in its range."""
    currency = counted.currency
    earned, only = counted.earned_on_return, counted.earned_charge_only
    low, high = (money_text(each, currency) for each in (counted.earned_low, counted.earned_high))
    text = (
        f"{_won(earned, currency)} against charging on return, {money_text(only, currency)} of it by discharging. "
        f"Over the wear laws that is {low} to {high}."
    )
    unset = len(found.nights) - totals(found.nights).count_set
    if unset == len(found.nights):
        return f"{text} No plan is marked as set; every night is settled as if its plan was."
    if unset:
        more = "1 more night, whose plan is not marked as set, counts"
        more = more if unset == 1 else f"{unset} more nights, whose plan is not marked as set, count"
        return f"{text} {more} in no sum."
    return text


def _won(earned: float, currency: str) -> str:
    return f"{'Earned' if earned >= 0 else 'Lost'} {money_text(abs(earned), currency)} {currency}"


def _months(found: CameOf) -> Table:
    """Return the table by month, the last ones one by one."""
    currency, timezone = found.inputs.offer.currency, found.inputs.site.timezone
    columns = (
        Column(heading=currency),
        Column(heading="Nights", kind="number"),
        Column(heading="Cost", kind="money", unit=currency),
        Column(heading="On return", kind="money", unit=currency),
        Column(heading="Only charged", kind="money", unit=currency),
        Column(heading="Earned", kind="money", unit=currency),
        Column(heading="Wear", kind="money", unit=currency),
    )
    counted = found.counted
    months = totals_by_month(counted.nights, timezone)
    rows: list[tuple[Cell, ...]] = []
    if len(months) > MOST_MONTHS:
        earlier = [night for month in months[:-MOST_MONTHS] for night in month.nights]
        rows.append(_row("before", totals(earlier)))
    rows += [_row(month.name, month) for month in months[-MOST_MONTHS:]]
    roles: dict[int, Role] = {len(rows): "total"}
    return Table(columns, (*rows, _row("total", counted)), roles=roles)


def _row(name: str, found: Totals) -> tuple[Cell, ...]:
    return (
        name,
        found.count,
        found.cost,
        found.cost_on_return,
        found.cost_charge_only,
        found.earned_on_return,
        found.wear,
    )


def _sums(found: CameOf, counted: Totals) -> Iterator[str]:
    """Yield wear, departures, forecast and bills."""
    currency = counted.currency
    low, high = (money_text(each, currency) for each in (counted.wear_low, counted.wear_high))
    given = amount_text(counted.discharged_kwh)
    worn = money_text(counted.wear, currency)
    yield f"Battery wear {worn} {currency} ({low} to {high} over the wear laws); {given} given."
    if counted.departures:
        told = counted.told
        text = f"{counted.short} of {counted.departures} departures were short of their target"
        if told.count:
            expected = number_text(told.nights_short_expected, 1)
            text += f"; by the chances told, {expected} nights with one were expected, and {told.nights_short} came"
        yield f"{text}."
    load, solar = (amount_text(each) for each in (counted.load_error_kwh, counted.solar_error_kwh))
    yield f"A night's load was {load} off its forecast on average, its solar {solar}."
    for billed in sorted(found.billed, key=lambda each: each.last - each.first)[-1:]:
        by_meter = "" if billed.by_meter is None else f"; the meter itself, {money_text(billed.by_meter, currency)}"
        days = f"{billed.first.isoformat()} to {billed.last.isoformat()}"
        yield f"The bill of {days}, fees included: with the plans, {money_text(billed.by_plans, currency)}{by_meter}."


def _extremes(found: CameOf, counted: Totals) -> Iterator[str]:
    """Yield the best and the worst night, and why."""
    those = [counted.best, counted.worst] if counted.count > 1 else [counted.best]
    for night in those:
        if night is not None:
            yield f"{_day(night.begin, found.inputs.site.timezone)}: {night.why}"


def _notes(found: CameOf) -> Iterator[str]:
    """Yield what was taken in, what is not settled, and what was noted."""
    yield from found.notes
    taken, damaged = found.taken_in.taken, found.taken_in.damaged
    if taken or damaged:
        passed_over = f"; passed over as damaged: {len(damaged)}" if damaged else ""
        yield f"Taken in from plans/: {taken} plan{'' if taken == 1 else 's'}{passed_over}."
    if found.other_currency:
        yield f"Nights in another currency, left out of every sum: {found.other_currency}."
    if found.settled.other_files:
        yield f"Settled with other site or offer files than the plan had: {found.settled.other_files}."
    not_settled = found.settled.not_settled
    if not_settled:
        yield _not_settled(not_settled, found.inputs.site.timezone)


def _not_settled(those: list[NotSettled], timezone: str) -> str:
    """Return which nights are not settled, those with the commonest reason first."""
    by_why: dict[str, list[NotSettled]] = {}
    for each in those:
        by_why.setdefault(each.why, []).append(each)
    why, alike = max(by_why.items(), key=lambda each: len(each[1]))
    days = ", ".join(_day(each.begin, timezone) for each in alike[:MOST_NOT_SETTLED])
    more = f" and {len(alike) - MOST_NOT_SETTLED} more" if len(alike) > MOST_NOT_SETTLED else ""
    others = len(those) - len(alike)
    also = f"; for other reasons: {others} (see --json)" if others else ""
    return f"Not settled ({why.rstrip('.')}): {days}{more}{also}."


def _day(at: datetime, timezone: str) -> str:
    local = at.astimezone(ZoneInfo(timezone))
    return f"{local.day} {local:%b %Y}"


def came_of_json(found: CameOf) -> str:
    """Return what came of the plans as JSON text: totals, months, years and nights, in full precision."""
    timezone = found.inputs.site.timezone
    counted = found.counted
    document = {
        "format": FORMAT,
        "site": found.inputs.site.name,
        "currency": found.inputs.offer.currency,
        "timezone": timezone,
        "invented": found.invented,
        "plans": found.plans,
        "counted": "set" if totals(found.nights).count_set else "all, as if set",
        "total": _totals_document(counted),
        "months": [_totals_document(each) for each in totals_by_month(counted.nights, timezone)],
        "years": [_totals_document(each) for each in totals_by_year(counted.nights, timezone)],
        "nights": [_night_document(night, timezone) for night in found.nights],
        "bills": [
            {
                "first_day": each.first.isoformat(),
                "last_day": each.last.isoformat(),
                "by_plans": each.by_plans,
                "by_meter": each.by_meter,
            }
            for each in found.billed
        ],
        "pay_off": None if found.paid is None else _pay_off_document(found),
        "not_settled": [
            {"begin": local_iso(each.begin, timezone), "why": each.why} for each in found.settled.not_settled
        ],
        "settled_now": found.settled.settled,
        "taken_in": found.taken_in.taken,
        "damaged_plans": [folder.name for folder in found.taken_in.damaged],
        "files_read": found.layouts,
        "notes": list(found.notes),
    }
    return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _totals_document(found: Totals) -> dict[str, Any]:
    names = (
        *("cost", "cost_on_return", "cost_charge_only", "earned_on_return", "earned_charge_only"),
        *("earned_low", "earned_high", "earned_only_low", "earned_only_high", "grid_cost"),
        *("wear", "wear_low", "wear_high", "charged_kwh", "discharged_kwh", "load_error_kwh", "solar_error_kwh"),
        *("departures", "short"),
    )
    return {
        "name": found.name,
        "nights": found.count,
        "nights_set": found.count_set,
        **{name: getattr(found, name) for name in names},
        "nights_told_a_chance": found.told.count,
        "nights_short": found.told.nights_short,
        "nights_short_expected": found.told.nights_short_expected,
    }


def _night_document(night: SettledNight, timezone: str) -> dict[str, Any]:
    return {
        **asdict(night),
        "begin": local_iso(night.begin, timezone),
        "end": local_iso(night.end, timezone),
        "earned_on_return": night.earned_on_return,
        "earned_charge_only": night.earned_charge_only,
    }


def _pay_off_document(found: CameOf) -> dict[str, Any]:
    assert found.paid is not None
    return {
        name: value.isoformat() if hasattr(value, "isoformat") else value for name, value in asdict(found.paid).items()
    }
