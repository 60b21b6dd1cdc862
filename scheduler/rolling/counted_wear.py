"""Wear of rolled nights counted after the fact: cycles of the state of charge, priced by the site's own wear law.

A plan charges wear by segments of depth, which is an estimate made night by night. Counting sees the whole trace.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from models.wear.counted import counted_wear
from models.wear.laws import wear_law
from models.wear.soc_trace import SocTrace
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.wear_prices import battery_temp_degc
from scheduler.rolling.flows import RolledFlows


def counted_wear_cost(inputs: Inputs, flows: RolledFlows) -> float:
    """Return the unweighted wear of a run, counted after the fact [money].

    Cycles count by the site's law of cycle ageing. Time counts by its law of calendar ageing where plans count it.
    """
    wear = inputs.site.wear
    names = [wear.law] if wear.calendar_law is None else [wear.law, wear.calendar_law]
    laws = [wear_law(name, wear.law_settings) for name in names]
    used = [each.used for each in counted_wear(soc_trace(inputs, flows), laws, None).by_law]
    return wear.battery_price * (used[0].by_cycles + (used[1].by_calendar if len(used) > 1 else 0.0))


def soc_trace(inputs: Inputs, flows: RolledFlows) -> SocTrace:
    """Return the state of charge of a run at every boundary, at the battery's temperature of the month.

    A second after the end it is back where it began. That closes the cycles, so that the wear of a run does not depend
    on where its last evening ended: half cycles left open gave a week of charging only a third less wear than charging
    on return with the same drives.
    """
    end = flows.start[-1] + pd.Timedelta(minutes=int(flows.minutes[-1]))
    closed = end + pd.Timedelta(seconds=1)
    instants = pd.DatetimeIndex(flows.start.append(pd.DatetimeIndex([end, closed]))).as_unit("s")
    stored = np.concatenate(([flows.stored_before_kwh], flows.stored_kwh, [flows.stored_before_kwh]))
    month = np.asarray(instants.tz_convert(inputs.site.timezone).month)
    firsts = {int(one): instants[int(np.argmax(month == one))] for one in np.unique(month)}
    temps = {one: battery_temp_degc(inputs.site, first) for one, first in firsts.items()}
    temp = np.array([temps[int(one)] for one in month])
    return SocTrace(instants, np.clip(stored / inputs.site.car.battery_kwh, 0.0, 1.0), temp)
