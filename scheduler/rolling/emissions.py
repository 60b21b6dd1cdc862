"""Emissions of the electricity that rolled nights bought and sold, where the site has a series of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.site.series import recorded_means
from scheduler.inputs.site_inputs import Inputs
from scheduler.rolling.flows import RolledFlows

G_A_KG = 1000.0
KG_A_TONNE = 1000.0


@dataclass(frozen=True, slots=True)
class Emissions:
    """What the grid emitted for what was bought, and did not for what was sold [kg]."""

    bought_kg: float
    avoided_kg: float

    @property
    def net_kg(self) -> float:
        """Return the emissions of what was bought, less those that what was sold avoided [kg]."""
        return self.bought_kg - self.avoided_kg


def rolled_emissions(inputs: Inputs, flows: RolledFlows) -> Emissions | None:
    """Return the emissions of rolled nights; None for a site without a series, or one that does not cover the days."""
    if inputs.emissions is None:
        return None
    end = flows.start[-1] + pd.Timedelta(minutes=int(flows.minutes[-1]))
    try:
        g_per_kwh = recorded_means(inputs.emissions, pd.DatetimeIndex([*flows.start, end]).as_unit("s"))
    except ValueError:
        return None
    bought, sold = (float(np.dot(g_per_kwh, flows.energy[name])) / G_A_KG for name in ("import_kwh", "export_kwh"))
    return Emissions(bought, sold)
