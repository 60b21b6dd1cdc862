"""What a comparison comes to, and what that depends on: the wear law, the price of a battery, the weeks.

There are two questions. As things stand, which offer costs least for a plain charger that is timed well? And with the
bidirectional charger, which one does, and does the charger pay? Both are answered by the site's own wear law and
battery price, by every other law, and for a range of prices. The plans stay as they were made; only their wear is
counted again. So plans made by another law or price would by it cost as much as shown or less, forecast errors aside.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

from models.base.arrays import FloatArray
from models.base.bootstrap import bootstrap_range
from models.tariff.investment import HardwareWorth, cash_flow_by_year, hardware_worth, net_present_value
from models.wear.law import DAYS_A_YEAR
from models.wear.laws import WEAR_LAWS
from scheduler.comparison.results import ComparedOffer, Comparison

PRICE_FACTORS = (0.5, 0.75, 1.0, 1.5, 2.0)
"""Battery prices over the site's own [-]; prices of replacements differ and change by about that much."""
CHARGERS = {"plain": "charge-only", "bidirectional": "plan"}
"""The way of using the car with each charger."""


@dataclass(frozen=True, slots=True)
class Assumption:
    """By what wear is counted.

    Attributes
    ----------
    law : that prices the cycles. price_factor : battery price over the site's own [-].
    as_planned : whether the plans were made by it.
    """

    law: str
    price_factor: float = 1.0
    as_planned: bool = False


@dataclass(frozen=True, eq=False)
class Ranking:
    """The offers with one charger and by one assumption, the one that costs least first.

    Attributes
    ----------
    charger : of CHARGERS. offers : ranked. totals : of each [money].
    """

    charger: str
    assumption: Assumption
    offers: tuple[ComparedOffer, ...]
    totals: tuple[float, ...]

    @property
    def best(self) -> ComparedOffer:
        """Return the offer that costs least."""
        return self.offers[0]

    @cached_property
    def weekly(self) -> tuple[FloatArray, ...]:
        """Return each offer's total by week [money]."""
        way, counted = CHARGERS[self.charger], self.assumption
        return tuple(each.recounted_weekly(way, counted.law, counted.price_factor) for each in self.offers)

    @cached_property
    def ties(self) -> tuple[bool | None, ...]:
        """Return whether the weeks leave open which of the first and each following offer costs less.

        None with too few weeks to say.
        """
        return tuple(None if found is None else found[0] <= 0.0 <= found[1] for found in self.distances)

    @cached_property
    def distances(self) -> tuple[tuple[float, float] | None, ...]:
        """Return the range of how much more each following offer costs [money]; None with too few weeks."""
        return tuple(bootstrap_range(weeks - self.weekly[0]) for weeks in self.weekly[1:])

    @property
    def tied(self) -> tuple[ComparedOffer, ...]:
        """Return the offers that tie with the first."""
        return tuple(each for each, tie in zip(self.offers[1:], self.ties, strict=True) if tie)


@dataclass(frozen=True, eq=False)
class Finding:
    """Both rankings by one assumption, and what they say of the bidirectional charger.

    Attributes
    ----------
    compared : the comparison. plain, bidirectional : the rankings.
    """

    compared: Comparison
    plain: Ranking
    bidirectional: Ranking

    @property
    def assumption(self) -> Assumption:
        """Return by what wear is counted."""
        return self.plain.assumption

    @property
    def battery_price(self) -> float:
        """Return the price of a replacement battery [money]."""
        return self.compared.best.inputs.site.wear.battery_price * self.assumption.price_factor

    @property
    def yearly_saving(self) -> float:
        """Return what the bidirectional charger saves a year, each charger under its best offer [money a year]."""
        return _a_year(self.compared, self.plain.totals[0] - self.bidirectional.totals[0])

    @cached_property
    def saving_range(self) -> tuple[float, float] | None:
        """Return the range of the yearly saving when whole weeks are resampled; None with too few weeks."""
        found = bootstrap_range(self.plain.weekly[0] - self.bidirectional.weekly[0])
        return None if found is None else (_a_year(self.compared, found[0]), _a_year(self.compared, found[1]))

    @cached_property
    def worth(self) -> HardwareWorth | None:
        """Return the hardware's case; None without its costs."""
        hardware = self.compared.request.hardware
        return None if hardware is None else hardware_worth(hardware.case, self.yearly_saving)

    @property
    def pays(self) -> bool | None:
        """Return whether the hardware brings in what it costs, at the rate that money earns; None without its costs."""
        return None if self.worth is None else self.worth.net_present_value >= 0

    @property
    def worthwhile(self) -> bool:
        """Return whether the hardware pays, or without its costs whether it saves anything at all."""
        return self.yearly_saving > 0 if self.pays is None else self.pays

    @property
    def weeks_decide(self) -> bool:
        """Return whether it is worthwhile at one end of the saving's range and not at the other."""
        least, found = break_even_saving(self.compared) or 0.0, self.saving_range
        return found is not None and found[0] < least <= found[1]


@dataclass(frozen=True, eq=False)
class Conclusion:
    """The findings by every law and battery price, those of the plans themselves first.

    Attributes
    ----------
    compared : the comparison. findings : by every law and price factor.
    """

    compared: Comparison
    findings: tuple[Finding, ...]

    @property
    def own(self) -> Finding:
        """Return the finding by the site's own law and battery price, by which the plans were made."""
        return self.findings[0]

    @property
    def by_law(self) -> tuple[Finding, ...]:
        """Return the findings by every law at the site's own battery price."""
        return tuple(each for each in self.findings if each.assumption.price_factor == 1.0)

    @property
    def by_price(self) -> tuple[Finding, ...]:
        """Return the findings by the site's own law at every battery price, rising."""
        own = [each for each in self.findings if each.assumption.law == self.own.assumption.law]
        return tuple(sorted(own, key=lambda each: each.assumption.price_factor))

    @property
    def shown(self) -> tuple[Finding, ...]:
        """Return the findings that a reader is shown: the own one, the other laws, the other prices."""
        return (*self.by_law, *(each for each in self.by_price if each is not self.own))

    def other_best(self, charger: str, findings: tuple[Finding, ...]) -> dict[str, list[Finding]]:
        """Return the offers that cost least by other findings than the own one, by name, with these findings."""
        found: dict[str, list[Finding]] = {}
        first = ranking_of(self.own, charger).best
        for each in findings:
            if (best := ranking_of(each, charger).best) is not first:
                found.setdefault(best.inputs.offer.name, []).append(each)
        return found

    def other_verdict(self, findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
        """Return the findings by which the hardware is worthwhile where it is not by the own one, and the converse."""
        return tuple(each for each in findings if each.worthwhile is not self.own.worthwhile)


def ranking_of(finding: Finding, charger: str) -> Ranking:
    """Return one of a finding's two rankings."""
    return finding.plain if charger == "plain" else finding.bidirectional


@lru_cache(maxsize=1)
def conclusion_of(compared: Comparison) -> Conclusion:
    """Return what a comparison comes to, by every law and battery price; kept for page, tables and screen alike."""
    law = compared.best.inputs.site.wear.law
    assumptions = [
        Assumption(each, factor, each == law and factor == 1.0) for each in WEAR_LAWS for factor in PRICE_FACTORS
    ]
    assumptions.sort(key=lambda each: (each.law != law, each.price_factor != 1.0))
    return Conclusion(
        compared,
        tuple(Finding(compared, *(_ranking(compared, charger, each) for charger in CHARGERS)) for each in assumptions),
    )


def break_even_saving(compared: Comparison) -> float | None:
    """Return the least saving in the first year at which the hardware pays [money a year]; None without its costs.

    The net present value is a straight line in that saving.
    """
    hardware = compared.request.hardware
    if hardware is None:
        return None
    case = hardware.case
    at_none, at_one = (
        net_present_value(cash_flow_by_year(case, saving), case.discount_rate_percent) for saving in (0.0, 1.0)
    )
    return -at_none / (at_one - at_none)


def _ranking(compared: Comparison, charger: str, assumption: Assumption) -> Ranking:
    way = CHARGERS[charger]
    totals = {each.name: each.recounted_total(way, assumption.law, assumption.price_factor) for each in compared.offers}
    offers = tuple(sorted(compared.offers, key=lambda each: totals[each.name]))
    return Ranking(charger, assumption, offers, tuple(totals[each.name] for each in offers))


def _a_year(compared: Comparison, amount: float) -> float:
    """Return an amount of the days compared as one of a year [money a year]."""
    return amount * DAYS_A_YEAR / compared.request.days if compared.scaled else amount
