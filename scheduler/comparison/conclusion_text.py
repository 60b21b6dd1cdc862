"""A comparison's conclusion as text: two headlines, and a table and sentences on what they depend on."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from scheduler.comparison.conclusion import Conclusion, Finding, Ranking, break_even_saving, ranking_of
from scheduler.comparison.hardware_text import payback_text
from scheduler.comparison.text import listed, shown_amount
from scheduler.render.table import Cell, Column, Table
from scheduler.textio.format import money_digits, number_text

BEGINS = {
    "plain": "As things stand, with a plain charger timed well,",
    "bidirectional": "With the bidirectional charger,",
}
CHARGER_NAMES = {"plain": "Plain charger, timed well", "bidirectional": "Bidirectional charger"}
NEVER = {"pays": "does not pay", "saves anything": "saves nothing"}
ON_WEEKS, ON_LAW, ON_PRICE = "the weeks", "the wear law", "the battery's price"


def headlines(found: Conclusion) -> tuple[str, str]:
    """Return two paragraphs: the best offer as things stand; the best with the bidirectional charger, and its case."""
    return _best_text(found, "plain"), f"{_best_text(found, 'bidirectional')} {_charger_text(found)}"


def assumption_text(found: Conclusion, finding: Finding) -> str:
    """Return by what wear is counted, as far as it is not as planned."""
    currency = found.compared.currency
    if finding is found.own:
        price = whole_money(finding.battery_price, currency)
        return f'As planned: law "{finding.assumption.law}", battery {price}'
    if finding.assumption.price_factor == 1.0:
        return f'Law "{finding.assumption.law}"'
    return f"Battery {whole_money(finding.battery_price, currency)}"


def assumptions_table(found: Conclusion) -> Table:
    """Return a row by each law and battery price: both rankings' first, the yearly saving, and when it is paid back."""
    compared = found.compared
    columns = [
        Column(heading="Wear counted by"),
        Column(heading="Best with a plain charger"),
        Column(heading="Best with the bidirectional"),
        Column(heading="The latter saves a year", unit=compared.currency, kind="money"),
    ]
    if compared.request.hardware is not None:
        columns.append(Column(heading="Pays for itself after", kind="number"))
    rows: list[tuple[Cell, ...]] = []
    for finding in found.shown:
        row: list[Cell] = [
            assumption_text(found, finding),
            _first_text(finding.plain),
            _first_text(finding.bidirectional),
            finding.yearly_saving,
        ]
        if compared.request.hardware is not None:
            row.append(verdict_text(finding))
        rows.append(tuple(row))
    return Table(tuple(columns), tuple(rows))


def verdict_text(finding: Finding) -> str:
    """Return when the hardware pays for itself by a finding, in few words."""
    worth = finding.worth
    if worth is None:
        return ""
    if finding.pays:
        return payback_text(worth.discounted_payback_years)
    if worth.simple_payback_years is None:
        return "never"
    return f"never ({payback_text(worth.simple_payback_years)} without interest)"


def dependence_text(found: Conclusion) -> tuple[str, ...]:
    """Return what the conclusion depends on, one sentence each, and how that was found."""
    told = [*_order_sentences(found, "plain"), *_order_sentences(found, "bidirectional"), *_verdict_sentences(found)]
    if not told:
        told.append(_steady_text(found))
    return (*told, _method_text(found))


def depends_on_text(found: Conclusion) -> str:
    """Return what any part of the conclusion depends on, as a list; "" for nothing."""
    on = [*_depends_on(found, "plain"), *_depends_on(found, "bidirectional"), *_verdict_depends_on(found)]
    return listed([each for each in (ON_LAW, ON_PRICE, ON_WEEKS) if each in on])


def whole_money(amount: float, currency: str) -> str:
    """Return an amount without decimals, with its currency."""
    return f"{number_text(amount, 0)} {currency}"


def _best_text(found: Conclusion, charger: str) -> str:
    """Return which offer costs least with a charger, by how much, and on what that depends."""
    ranking, compared = ranking_of(found.own, charger), found.compared
    best, total = ranking.best.inputs.offer.name, shown_amount(compared, ranking.totals[0])
    if len(ranking.offers) == 1:
        return f"{BEGINS[charger]} {best} costs {total} in total."
    less = ranking.totals[1] - ranking.totals[0]
    second, tied = ranking.offers[1].inputs.offer.name, [each.inputs.offer.name for each in ranking.tied]
    if round(less, money_digits(compared.currency)) == 0:
        text = f"{BEGINS[charger]} {best} and {second} cost least: {total} in total each."
    elif second in tied:
        text = f"{BEGINS[charger]} {best} costs least: {total} in total."
    else:
        than = f"{shown_amount(compared, less)} less than {second}"
        text = f"{BEGINS[charger]} {best} costs least: {total} in total, {than}."
    on = listed(_depends_on(found, charger))
    if not tied:
        return f"{text} Which is best depends on {on}." if on else text
    more = shown_amount(compared, ranking.totals[1 + ranking.offers[1:].index(ranking.tied[0])] - ranking.totals[0])
    return f"{text} It is a tie with {listed(tied)}, {more} more: which is best depends on {on}."


def _depends_on(found: Conclusion, charger: str) -> list[str]:
    """Return what the first place with a charger depends on."""
    on = []
    if found.other_best(charger, found.by_law):
        on.append(ON_LAW)
    if found.other_best(charger, found.by_price):
        on.append(ON_PRICE)
    if ranking_of(found.own, charger).tied:
        on.append(ON_WEEKS)
    return on


def _charger_text(found: Conclusion) -> str:
    """Return what the bidirectional charger saves a year, whether it pays, and on what that depends."""
    compared, own = found.compared, found.own
    amount = whole_money(abs(own.yearly_saving), compared.currency)
    scaled = f" (scaled from {compared.request.days} days)" if compared.scaled else ""
    saves = f"The charger {'saves' if own.yearly_saving >= 0 else 'costs'} {amount} a year "
    saves += f"{'compared with' if own.yearly_saving >= 0 else 'more than'} the plain one{scaled}"
    on = _verdict_depends_on(found)
    depends = f" Whether it {_does(found)} depends on {listed(on)}." if on else ""
    if own.worth is None or compared.request.hardware is None:
        return f"{saves}.{depends}"
    if own.pays:
        years = payback_text(own.worth.discounted_payback_years)
        paid = "there is nothing to pay back" if years == "nothing to pay back" else f"pays for itself after {years}"
        return f"{saves}, and {paid}.{depends}"
    if own.worth.simple_payback_years is not None:
        years = payback_text(own.worth.simple_payback_years)
        return (
            f"{saves}. That pays its price back after {years}, but is less than the money would earn elsewhere: it "
            f"does not pay.{depends}"
        )
    life = compared.request.hardware.case.life_years
    return f"{saves}, and does not pay for itself in its life of {life} year{'' if life == 1 else 's'}.{depends}"


def _verdict_depends_on(found: Conclusion) -> list[str]:
    """Return what it depends on whether the hardware pays."""
    on = []
    if found.other_verdict(found.by_law):
        on.append(ON_LAW)
    if found.other_verdict(found.by_price):
        on.append(ON_PRICE)
    if found.own.weeks_decide:
        on.append(ON_WEEKS)
    return on


def _order_sentences(found: Conclusion, charger: str) -> Iterator[str]:
    """Yield a sentence on each assumption that the first place with a charger depends on."""
    name = "With a plain charger" if charger == "plain" else "With the bidirectional charger"
    others = found.other_best(charger, found.by_law)
    if others:
        yield f"{name}, the best offer depends on the wear law: {_by_text(others, _laws_text)}."
    others = found.other_best(charger, found.by_price)
    if others:
        currency = found.compared.currency

        def prices_text(findings: Sequence[Finding]) -> str:
            return f"with a battery of {listed([whole_money(each.battery_price, currency) for each in findings])}"

        yield f"{name}, the best offer depends on the battery's price: {_by_text(others, prices_text)}."
    tied = ranking_of(found.own, charger).tied
    if tied:
        names = listed([each.inputs.offer.name for each in (ranking_of(found.own, charger).best, *tied)])
        yield f"{name}, {names} are a tie: which costs least depends on the weeks."


def _verdict_sentences(found: Conclusion) -> Iterator[str]:
    """Yield a sentence on each assumption that the hardware's verdict depends on."""
    own, currency = found.own, found.compared.currency
    known = own.pays is not None
    if own.worthwhile:
        does = "it does not pay" if known else "it saves nothing"
    else:
        does = "it pays" if known else "it does save"
    begins = f"Whether the charger {_does(found)} depends on"
    if others := found.other_verdict(found.by_law):
        yield f"{begins} the wear law: {_laws_text(others)} {does}."
    if others := found.other_verdict(found.by_price):
        prices = listed([whole_money(each.battery_price, currency) for each in others])
        yield f"{begins} the battery's price: with a battery of {prices} {does}."
    least, found_range = break_even_saving(found.compared), own.saving_range
    if own.weeks_decide and found_range is not None:
        low, high = (number_text(each, 0) for each in found_range)
        from_on = "" if least is None else f", and it pays from {number_text(least, 0)} {currency} a year on"
        yield f"{begins} the weeks: resampled, it saves {low} to {high} {currency} a year{from_on}."


def _steady_text(found: Conclusion) -> str:
    """Return a sentence: nothing changes the conclusion, as far as there is one."""
    parts = []
    if len(found.compared.offers) > 1:
        same = found.own.plain.best is found.own.bidirectional.best
        parts.append("the same offer is best with either charger" if same else "the best offers are the same")
    does = _does(found)
    parts.append(f"the bidirectional charger {does.removesuffix(' anything') if found.own.worthwhile else NEVER[does]}")
    weeks = "" if found.own.saving_range is None else ", and however the weeks are drawn"
    return f"By every law and battery price here{weeks}, {listed(parts)}."


def _does(found: Conclusion) -> str:
    """Return what is asked of the bidirectional charger: whether it pays, or without its costs whether it saves."""
    return "saves anything" if found.own.pays is None else "pays"


def _method_text(found: Conclusion) -> str:
    own = found.own
    price = whole_money(own.battery_price, found.compared.currency)
    return (
        f'The plans are those made by law "{own.assumption.law}" with a battery of {price}; only the wear that they '
        "cause is counted again. Plans made by another law or price would use the car otherwise, and by it cost as "
        "much as shown here or less, forecast errors aside."
    )


def _by_text(others: dict[str, list[Finding]], text_of: Callable[[Sequence[Finding]], str]) -> str:
    return "; ".join(f"{text_of(findings)} it is {name}" for name, findings in others.items())


def _laws_text(findings: Sequence[Finding]) -> str:
    return "by " + listed([f'"{each.assumption.law}"' for each in findings])


def _first_text(ranking: Ranking) -> str:
    """Return the offer that costs least, and those that tie with it."""
    best, tied = ranking.best.inputs.offer.name, [each.inputs.offer.name for each in ranking.tied]
    return f"{best}, a tie with {listed(tied)}" if tied else best
