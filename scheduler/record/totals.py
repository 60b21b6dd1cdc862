"""Totals of settled nights: what was earned, worn and used, by month, by year and over all of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import fsum
from zoneinfo import ZoneInfo

from scheduler.record.settled import SettledNight


@dataclass(frozen=True, slots=True)
class Totals:
    """Sums over settled nights, in one currency.

    Attributes
    ----------
    name : the local month "2026-03" or year "2026" in which the nights begin, or "all".
    nights : in time order.
    """

    name: str
    nights: tuple[SettledNight, ...]

    @property
    def count(self) -> int:
        """Return the number of nights."""
        return len(self.nights)

    @property
    def count_set(self) -> int:
        """Return the number of nights whose plan the owner set."""
        return len(self.only_set.nights)

    @property
    def only_set(self) -> Totals:
        """Return the totals of the nights whose plan the owner set."""
        return Totals(self.name, tuple(night for night in self.nights if night.was_set))

    @property
    def currency(self) -> str:
        """Return the currency of all money; "" without nights."""
        return self.nights[0].currency if self.nights else ""

    @property
    def cost(self) -> float:
        """Return what the nights cost [money]."""
        return self._sum(lambda night: night.cost)

    @property
    def cost_on_return(self) -> float:
        """Return what they had cost if the car had been charged on return [money]."""
        return self._sum(lambda night: night.cost_on_return)

    @property
    def cost_charge_only(self) -> float:
        """Return what they had cost if the car had only been charged, at the best times [money]."""
        return self._sum(lambda night: night.cost_charge_only)

    @property
    def earned_on_return(self) -> float:
        """Return what they cost less than if the car had been charged on return [money]."""
        return self._sum(lambda night: night.earned_on_return)

    @property
    def earned_charge_only(self) -> float:
        """Return what they cost less than if the car had only been charged, at the best times [money]."""
        return self._sum(lambda night: night.earned_charge_only)

    @property
    def earned_low(self) -> float:
        """Return the least that was earned against charging on return, by any wear law [money]."""
        return self._sum(lambda night: night.earned_low)

    @property
    def earned_high(self) -> float:
        """Return the most that was earned against charging on return, by any wear law [money]."""
        return self._sum(lambda night: night.earned_high)

    @property
    def earned_only_low(self) -> float:
        """Return the least that was earned against charging only, by any wear law [money]."""
        return self._sum(lambda night: night.earned_only_low)

    @property
    def earned_only_high(self) -> float:
        """Return the most that was earned against charging only, by any wear law [money]."""
        return self._sum(lambda night: night.earned_only_high)

    @property
    def grid_cost(self) -> float:
        """Return what the grid came to, import less export [money]."""
        return self._sum(lambda night: night.grid_cost)

    @property
    def wear(self) -> float:
        """Return the wear by the site's law [money]."""
        return self._sum(lambda night: night.wear)

    @property
    def wear_low(self) -> float:
        """Return the wear by the law of each night that says least [money]."""
        return self._sum(lambda night: night.wear_low)

    @property
    def wear_high(self) -> float:
        """Return the wear by the law of each night that says most [money]."""
        return self._sum(lambda night: night.wear_high)

    @property
    def discharged_kwh(self) -> float:
        """Return what the car gave [kWh]."""
        return self._sum(lambda night: night.discharged_kwh)

    @property
    def charged_kwh(self) -> float:
        """Return what it was charged with [kWh]."""
        return self._sum(lambda night: night.charged_kwh)

    @property
    def load_error_kwh(self) -> float:
        """Return by how much a night's load missed the forecast, on average, whatever the sign [kWh]."""
        return self._mean(lambda night: abs(night.load_kwh - night.load_forecast_kwh))

    @property
    def solar_error_kwh(self) -> float:
        """Return by how much a night's solar missed the forecast, on average, whatever the sign [kWh]."""
        return self._mean(lambda night: abs(night.solar_kwh - night.solar_forecast_kwh))

    @property
    def departures(self) -> int:
        """Return the number of departures."""
        return sum(night.departures for night in self.nights)

    @property
    def short(self) -> int:
        """Return how many of them began below their target."""
        return sum(night.short for night in self.nights)

    @property
    def told(self) -> Totals:
        """Return the totals of the nights for which a chance of a short departure was told."""
        return Totals(self.name, tuple(night for night in self.nights if night.chance_short is not None))

    @property
    def nights_short(self) -> int:
        """Return the number of nights with a departure that began below its target."""
        return sum(night.short > 0 for night in self.nights)

    @property
    def nights_short_expected(self) -> float:
        """Return in how many nights one was expected to, by the chances that were told."""
        return fsum(night.chance_short or 0.0 for night in self.nights)

    @property
    def best(self) -> SettledNight | None:
        """Return the night that earned most against charging on return; None without nights."""
        return max(self.nights, key=lambda night: night.earned_on_return, default=None)

    @property
    def worst(self) -> SettledNight | None:
        """Return the night that earned least, or lost most, against charging on return; None without nights."""
        return min(self.nights, key=lambda night: night.earned_on_return, default=None)

    def _sum(self, figure: Callable[[SettledNight], float]) -> float:
        return fsum(map(figure, self.nights))

    def _mean(self, figure: Callable[[SettledNight], float]) -> float:
        return self._sum(figure) / len(self.nights) if self.nights else 0.0


def totals(nights: Iterable[SettledNight]) -> Totals:
    """Return the totals of all nights."""
    return Totals("all", tuple(sorted(nights, key=lambda night: night.begin)))


def totals_by_month(nights: Sequence[SettledNight], timezone: str) -> list[Totals]:
    """Return the totals of each local month in which a night begins, in time order."""
    return _by(nights, lambda begin: f"{begin.astimezone(ZoneInfo(timezone)):%Y-%m}")


def totals_by_year(nights: Sequence[SettledNight], timezone: str) -> list[Totals]:
    """Return the totals of each local year in which a night begins, in time order."""
    return _by(nights, lambda begin: f"{begin.astimezone(ZoneInfo(timezone)):%Y}")


def _by(nights: Sequence[SettledNight], name: Callable[[datetime], str]) -> list[Totals]:
    found: dict[str, list[SettledNight]] = {}
    for night in totals(nights).nights:
        found.setdefault(name(night.begin), []).append(night)
    return [Totals(each, tuple(those)) for each, those in found.items()]
