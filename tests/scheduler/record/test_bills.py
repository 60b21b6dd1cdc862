"""Bills of the whole local days that settled nights cover, beside the meter's own."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scheduler.metering.align_channels import MeteredFlows
from scheduler.record.bills import billed_days, grid_flows
from scheduler.record.settled import night_flows
from scheduler.record.store import opened_record
from scheduler.record.update import settle_nights
from tests.builders.recorded import FIRST_DAY, evenings_on_record, shaken

FIRST, LAST = date(2026, 3, 4), date(2026, 3, 5)


def metered(import_kwh: float, hours: int = 24 * 40) -> MeteredFlows:
    """A meter that counts the same energy every hour from 1 February on."""
    start = pd.date_range("2026-02-01", periods=hours, freq="h", tz="UTC").as_unit("s")
    each = np.full(hours, import_kwh)
    return MeteredFlows(start, 60, each, each * 0, None, False, (), 0, (), ())


def test_whole_days_are_billed_by_the_plans_and_by_the_meter(tmp_path: Path) -> None:
    """The meter's bill by hand: two days at 1 kWh an hour, 8 of 24 hours at 0.12, and the fee of 0.74."""
    with opened_record(tmp_path) as record:
        inputs = evenings_on_record(tmp_path, record)
        settle_nights(record, inputs, shaken(inputs))
        (found,) = billed_days(record, inputs, metered(1.0))
        assert (found.first, found.last) == (FIRST, LAST)
        assert found.by_meter == pytest.approx(2 * (16 * 0.34 + 8 * 0.12 + 0.74))
        assert billed_days(record, inputs, metered(float("nan")))[0].by_meter is None
        assert billed_days(record, inputs, metered(1.0, 24 * 20))[0].by_meter is None
        assert billed_days(record, inputs)[0].by_meter is None


def test_days_are_billed_run_by_run(tmp_path: Path) -> None:
    """Without the middle evening no day is whole; a night from evening to evening holds none."""
    with opened_record(tmp_path) as record:
        inputs = evenings_on_record(tmp_path, record)
        record.connection.execute("DELETE FROM plans WHERE start_s = ?", [int(FIRST_DAY.timestamp()) + 42 * 3600])
        settle_nights(record, inputs, shaken(inputs))
        assert billed_days(record, inputs) == []


def test_flows_of_unequal_intervals_become_equal_ones_of_the_same_energy(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        inputs = evenings_on_record(tmp_path, record, 1)
        settle_nights(record, inputs, shaken(inputs))
        begin = FIRST_DAY + timedelta(hours=18)
        flows = night_flows(record, begin)
        found = grid_flows(flows, begin, begin + timedelta(hours=24))
        assert found.step_minutes == 10
        assert len(found.start) == 144
        assert found.import_kwh.sum() == pytest.approx(flows.columns["import_kwh"].sum())
        with pytest.raises(ValueError, match="do not cover"):
            grid_flows(flows, begin - timedelta(hours=1), begin + timedelta(hours=24))


def test_the_bill_is_that_of_the_same_flows(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        inputs = evenings_on_record(tmp_path, record)
        settle_nights(record, inputs, shaken(inputs))
        (found,) = billed_days(record, inputs)
        flows = [night_flows(record, FIRST_DAY + timedelta(days=day, hours=18)) for day in range(3)]
        start = np.concatenate([each.start.as_unit("s").asi8 for each in flows])
        columns = {name: np.concatenate([each.columns[name] for each in flows]) for name in flows[0].columns}
        inside = (start >= 86_400 + FIRST_DAY.timestamp()) & (start < 3 * 86_400 + FIRST_DAY.timestamp())
        costs = (columns["import_cost"] - columns["export_credit"])[inside].sum()
        assert found.by_plans == pytest.approx(costs + 2 * inputs.offer.daily_fee, abs=1e-9)
