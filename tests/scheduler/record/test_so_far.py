"""What the meter had counted when a night begins: tiers and the month's peak from the settled nights before it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.plans.saved_plan import SavedSoFar
from scheduler.record.settled import FLOW_COLUMNS, NightFlows, keep_settled, settled_nights
from scheduler.record.so_far import settled_so_far
from scheduler.record.store import Record, opened_record
from scheduler.record.update import settle_nights
from tests.builders.recorded import evenings_on_record, shaken, small_site
from tests.builders.settled import settled_night

OFFER = """\
format = 1
name = "Evening feed-in"
currency = "EUR"
daily_fee = 0.5

[[import]]
price_per_kwh = 0.30

[[import]]
price_per_kwh = 0.20
up_to_kwh_per_month = 100

[[export]]
price_per_kwh = 0.05

[[export]]
price_per_kwh = 0.10
first_kwh_per_day = 3

[demand_charge]
price_per_kw_month = 10.0
interval_minutes = 60
"""
BEGIN = datetime(2026, 3, 4, 20, tzinfo=UTC)
NOTHING = SavedSoFar()


@pytest.fixture
def inputs(tmp_path: Path) -> Inputs:
    return read_inputs(small_site(tmp_path / "site", OFFER))


def record_flows(record: Record, begin: datetime, end: datetime, kwh: float = 0.5) -> None:
    """Keep a night of half hours, each with the same import and export; three times as much in the last two."""
    start = pd.date_range(begin, end, freq="30min", inclusive="left").as_unit("s")
    each = np.full(len(start), kwh)
    each[-2:] *= 3
    columns = {name: np.zeros(len(start)) for name in FLOW_COLUMNS} | {"import_kwh": each, "export_kwh": each}
    flows = NightFlows(start, np.full(len(start), 30), columns)
    keep_settled(record, settled_night(begin=begin, end=end), {"plan": flows}, "{}")


def so_far(record: Record, inputs: Inputs, told: SavedSoFar = NOTHING) -> SavedSoFar | None:
    return settled_so_far(record, inputs, "plan", BEGIN, told)


def test_what_the_month_has_counted_is_known_from_its_first_on(tmp_path: Path, inputs: Inputs) -> None:
    """From midnight of 1 March, 91 hours of 1 kWh and one of 3; 19 and that one since midnight."""
    with opened_record(tmp_path) as record:
        record_flows(record, datetime(2026, 2, 28, 20, tzinfo=UTC), BEGIN)
        found = so_far(record, inputs, SavedSoFar(peak_kw=9.0, imported_kwh={"1": 55.0}))
    assert found == SavedSoFar(peak_kw=3.0, imported_kwh={"1": 94.0}, exported_kwh={"1": 22.0})


def test_before_the_first_settled_night_it_is_what_the_plan_was_told(tmp_path: Path, inputs: Inputs) -> None:
    told = SavedSoFar(peak_kw=9.0, imported_kwh={"1": 55.0})
    with opened_record(tmp_path) as record:
        assert so_far(record, inputs, told) == told
        record_flows(record, datetime(2026, 3, 1, tzinfo=UTC), BEGIN - timedelta(hours=1))
        assert so_far(record, inputs, told) == told


def test_within_a_month_the_owner_knows_more_and_else_the_nights_before_count(tmp_path: Path, inputs: Inputs) -> None:
    with opened_record(tmp_path) as record:
        record_flows(record, BEGIN - timedelta(hours=22), BEGIN)
        told = SavedSoFar(peak_kw=9.0, imported_kwh={"1": 55.0}, exported_kwh={"1": 0.0})
        assert so_far(record, inputs, told) == told.model_copy(update={"exported_kwh": {"1": 22.0}})
        expected = SavedSoFar(peak_kw=3.0, imported_kwh={"1": 24.0}, exported_kwh={"1": 22.0})
        assert so_far(record, inputs) == expected


def test_an_offer_without_amounts_counts_none(tmp_path: Path) -> None:
    plain = read_inputs(small_site(tmp_path / "site"))
    with opened_record(tmp_path) as record:
        assert so_far(record, plain) is None


def test_a_months_peak_is_charged_once_and_not_every_night(tmp_path: Path) -> None:
    """Each way pays for its peak in the night that reaches it; a later one only for what it adds."""
    with opened_record(tmp_path) as record:
        inputs = evenings_on_record(tmp_path, record, 3, OFFER)
        settle_nights(record, inputs, shaken(inputs))
        nights = settled_nights(record)
        paid = [
            record.connection.execute(
                "SELECT sum(demand_cost) FROM flows WHERE way = 'charge-on-return' AND night_s = ?",
                [int(night.begin.timestamp())],
            ).fetchone()[0]
            for night in nights
        ]
        means = record.connection.execute(
            "SELECT max(kwh) FROM (SELECT sum(import_kwh) AS kwh, sum(minutes) AS minutes FROM flows "
            "WHERE way = 'charge-on-return' GROUP BY start_s / 3600) WHERE minutes = 60"
        ).fetchone()[0]
    assert paid[0] > 0
    assert sum(paid) <= 10.0 * means + 1e-9
