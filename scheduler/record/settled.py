"""A settled night: what a night really came to, beside what it would have come to without the plan."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class SettledNight:
    """A night as it was carried out, and the same real night otherwise, from the same state of charge.

    Money is in the offer's currency; wear is unweighted, of cycles and calendar ageing together.

    Attributes
    ----------
    begin, end : of the night, UTC: from the evening's first plan to the next evening's, or to the end of the plan.
    was_set : whether the owner said that the plan, or its last revision, was set; where it was not, the night is
        settled as if it was, and is told apart.
    cost : grid, charging on the way, wear, and the value of energy by which the battery ended emptier [money].
    cost_on_return, cost_charge_only : the same if the car had been charged on return, or charged at the best times and
        never discharged [money].
    grid_cost : what the grid alone came to, import less export [money].
    wear, wear_low, wear_high : by the site's wear law, and the least and most by any [money].
    imported_kwh, exported_kwh, charged_kwh, discharged_kwh : energies [kWh].
    load_kwh, solar_kwh, load_forecast_kwh, solar_forecast_kwh : as they were, and as the plan had them [kWh].
    departures, short : how many, and how many of them began below their target.
    chance_short : the chance that was told that any is short [-]; None where none was told.
    soc_begin_percent, soc_end_percent : as carried out [%].
    soc_told_percent : at the end, as the owner told it [%]; None where it was not told.
    why : what made the night good or bad, a sentence.
    """

    begin: datetime
    end: datetime
    was_set: bool
    cost: float
    cost_on_return: float
    cost_charge_only: float
    grid_cost: float
    wear: float
    wear_low: float
    wear_high: float
    imported_kwh: float
    exported_kwh: float
    charged_kwh: float
    discharged_kwh: float
    load_kwh: float
    solar_kwh: float
    load_forecast_kwh: float
    solar_forecast_kwh: float
    departures: int
    short: int
    chance_short: float | None
    soc_begin_percent: float
    soc_end_percent: float
    soc_told_percent: float | None
    why: str

    @property
    def earned_on_return(self) -> float:
        """Return what the night cost less than if the car had been charged on return [money]."""
        return self.cost_on_return - self.cost

    @property
    def earned_charge_only(self) -> float:
        """Return what the night cost less than if the car had only been charged, at the best times [money]."""
        return self.cost_charge_only - self.cost
