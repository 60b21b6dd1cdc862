"""Settling a record: which nights, by what, when again, and that their flows make the bill."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from models.site.trips import Trip
from models.tariff.bill import GridFlows, bill
from scheduler.inputs.site_inputs import read_inputs
from scheduler.record.settled import WAYS, Way, flows_between, night_flows, settled_nights
from scheduler.record.store import DrivenTrip, Record, opened_record
from scheduler.record.totals import totals
from scheduler.record.update import Happened, own_series, settle_nights
from tests.builders.recorded import FIRST_DAY, evening_texts, evenings_on_record, replan_texts, shaken
from tests.builders.sites import write_site

EVENINGS = [FIRST_DAY + timedelta(days=number, hours=18) for number in range(3)]


def test_every_night_that_the_meter_covers_is_settled_once(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        inputs = evenings_on_record(tmp_path, record)
        happened = shaken(inputs)
        looked: list[tuple[int, int]] = []
        assert settle_nights(record, inputs, happened, lambda done, of: looked.append((done, of))).settled == 3
        assert looked == [(0, 3), (1, 3), (2, 3), (3, 3)]
        nights = settled_nights(record)
        assert [night.begin for night in nights] == EVENINGS
        assert [night.end for night in nights] == [*EVENINGS[1:], EVENINGS[2] + timedelta(days=1)]
        assert [night.soc_told_percent for night in nights] == [pytest.approx(68.0), pytest.approx(65.0), None]
        assert settle_nights(record, inputs, happened).settled == 0
        assert settled_nights(record) == nights


def test_a_night_that_the_meter_does_not_cover_is_named_with_why(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        inputs = evenings_on_record(tmp_path, record)
        whole = shaken(inputs)
        until = int(whole.load.start.searchsorted(pd.Timestamp(EVENINGS[2])))
        cut = replace(whole.load, start=whole.load.start[: until + 5], kw=whole.load.kw[: until + 5])
        gap = (EVENINGS[0] + timedelta(hours=2), EVENINGS[0] + timedelta(hours=3))
        found = settle_nights(record, inputs, replace(whole, load=cut, gaps=(gap,)))
        assert [night.begin for night in settled_nights(record)] == [EVENINGS[1]]
        assert [(each.begin, each.why) for each in found.not_settled] == [
            (EVENINGS[0], "the meter has a gap in it"),
            (EVENINGS[2], "the meter's values end before it does"),
        ]


def test_what_is_told_later_settles_a_night_again_and_nothing_else(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        inputs = evenings_on_record(tmp_path, record)
        happened = shaken(inputs)
        settle_nights(record, inputs, happened)
        before = settled_nights(record)
        depart = EVENINGS[1] + timedelta(hours=14)
        record.tell_trip(DrivenTrip(Trip(depart, depart + timedelta(hours=2), 80.0)))
        assert settle_nights(record, inputs, happened).settled == 1
        after = settled_nights(record)
        assert [a == b for a, b in zip(before, after, strict=True)] == [True, False, True]
        assert "49 km more than planned" in after[1].why


def test_a_state_of_charge_told_later_is_noted_without_the_meter(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        inputs = evenings_on_record(tmp_path, record, 1)
        happened = shaken(inputs)
        settle_nights(record, inputs, happened)
        (before,) = settled_nights(record)
        record.tell_state(before.end - timedelta(minutes=20), "return", 44.0)
        assert settle_nights(record, inputs, None).not_settled == []
        assert settled_nights(record) == [replace(before, soc_told_percent=44.0)]


def test_a_night_told_otherwise_without_a_meter_stays_and_says_so(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        inputs = evenings_on_record(tmp_path, record, 1)
        settle_nights(record, inputs, shaken(inputs))
        before = settled_nights(record)
        depart = EVENINGS[0] + timedelta(hours=14)
        record.tell_trip(DrivenTrip(Trip(depart, depart + timedelta(hours=2), 80.0)))
        (left,) = settle_nights(record, inputs, None).not_settled
        assert left.why.startswith("what is told of it has changed since it was settled, and the site's series")
        assert settled_nights(record) == before


def test_the_meter_goes_before_the_sites_own_series_and_a_changed_meter_settles_again(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        inputs = evenings_on_record(tmp_path, record)
        own = own_series(inputs)
        assert settle_nights(record, inputs, own).settled == 3
        assert settle_nights(record, inputs, shaken(inputs)).settled == 3
        assert settle_nights(record, inputs, own).settled == 0
        assert settle_nights(record, inputs, shaken(inputs, 2)).settled == 3


def test_a_site_with_placeholder_data_settles_nothing(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        inputs = evenings_on_record(tmp_path, record)
        found = settle_nights(record, inputs, None)
        assert (found.settled, len(found.not_settled)) == (0, 3)
        assert {each.why for each in found.not_settled} == {"the site's series are placeholders"}


def test_a_plan_that_was_not_set_is_settled_as_if_it_was_and_told_apart(tmp_path: Path) -> None:
    inputs = read_inputs(write_site(tmp_path))
    with opened_record(tmp_path) as record:
        record.add_plan(*evening_texts())
        settle_nights(record, inputs, shaken(inputs))
        (night,) = settled_nights(record)
        assert not night.was_set
        assert night.discharged_kwh > 0


def test_a_replan_that_was_not_set_is_left_out_where_the_plan_before_it_was(tmp_path: Path) -> None:
    """What is set on the charger is what it follows."""
    with opened_record(tmp_path) as record:
        inputs = evenings_on_record(tmp_path, record, 1)
        start = EVENINGS[0]
        settle_nights(record, inputs, shaken(inputs))
        alone = settled_nights(record)
        record.add_plan(*replan_texts())
        assert settle_nights(record, inputs, shaken(inputs)).settled == 0
        assert settled_nights(record) == alone
        record.mark_set(start + timedelta(hours=3), start + timedelta(hours=3))
        assert settle_nights(record, inputs, shaken(inputs)).settled == 1
        assert settled_nights(record) != alone


def test_an_offer_that_is_gone_and_a_plan_that_is_damaged_leave_their_nights_out(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        inputs = evenings_on_record(tmp_path, record)
        renamed = replace(inputs, offer=replace(inputs.offer, name="Another"))
        (tmp_path / "offers" / "evening.toml").unlink()
        found = settle_nights(record, renamed, shaken(inputs))
        assert {each.why for each in found.not_settled} == {
            'its offer "Evening feed-in" is no longer in the site\'s folder'
        }
        record.connection.execute("UPDATE plans SET schedule = 'start,end' WHERE start_s = ?", [_s(EVENINGS[0])])
        found = settle_nights(record, inputs, shaken(inputs))
        assert found.settled == 2
        assert "this schedule is damaged" in found.not_settled[0].why


def test_texts_in_the_record_that_are_damaged_leave_their_night_out(tmp_path: Path) -> None:
    """A database can be sound and hold nonsense, if somebody wrote into it."""
    with opened_record(tmp_path) as record:
        inputs = evenings_on_record(tmp_path, record)
        settle_nights(record, inputs, shaken(inputs))
        record.connection.execute("UPDATE plans SET document = '[' WHERE start_s = ?", [_s(EVENINGS[0])])
        record.connection.execute("UPDATE nights SET settled_from = 'x' WHERE begin_s = ?", [_s(EVENINGS[1])])
        found = settle_nights(record, inputs, shaken(inputs))
        assert found.settled == 1
        assert [(each.begin, each.why) for each in found.not_settled] == [
            (EVENINGS[0], "this is not a plan: found None; expected 1")
        ]


def _s(at: datetime) -> int:
    return int(at.timestamp())


def test_a_night_whose_site_or_offer_file_has_changed_is_counted(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        evenings_on_record(tmp_path, record)
        with (tmp_path / "offers" / "evening.toml").open("a") as file:
            file.write("# new prices\n")
        inputs = read_inputs(tmp_path)
        assert settle_nights(record, inputs, shaken(inputs)).other_files == 3


TIERED = """\
format = 1
name = "Evening feed-in"
currency = "EUR"
daily_fee = 0.74
tax_percent = 10
tax_covers = ["import", "daily_fee"]

[[import]]
price_per_kwh = 0.34

[[import]]
price_per_kwh = 0.10
up_to_kwh_per_day = 6

[[export]]
price_per_kwh = 0.05
"""


def flows_of(record: Record, way: Way, first: date, last: date) -> tuple[GridFlows, float]:
    """The settled flows of whole local days in five-minute intervals, and the sum of their interval costs."""
    begin, end = (datetime(day.year, day.month, day.day, tzinfo=UTC) for day in (first, last + timedelta(days=1)))
    found = flows_between(record, way, begin, end)
    parts = found.minutes // 5
    starts = pd.date_range(begin, end, freq="5min", inclusive="left").as_unit("s")
    assert found.start[0] == pd.Timestamp(begin)
    assert int(found.minutes.sum()) == (end - begin).total_seconds() / 60
    each = {name: np.repeat(found.columns[name] / parts, parts) for name in ("import_kwh", "export_kwh")}
    costs = found.columns["import_cost"] - found.columns["export_credit"] + found.columns["demand_cost"]
    return GridFlows(starts, 5, each["import_kwh"], each["export_kwh"]), float(costs.sum())


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("tiered", [False, True])
def test_the_bill_of_whole_days_is_the_sum_of_the_interval_costs_and_the_fees(
    tmp_path: Path, way: Way, tiered: bool
) -> None:
    """With a tier of a day's first kWh, which a night shares with the one before it, as well."""
    with opened_record(tmp_path) as record:
        inputs = evenings_on_record(tmp_path, record, offer=TIERED if tiered else None)
        settle_nights(record, inputs, shaken(inputs))
        first, last = date(2026, 3, 4), date(2026, 3, 5)
        flows, costs = flows_of(record, way, first, last)
    days = (last - first).days + 1
    billed = bill(inputs.offer, flows, "Europe/Dublin", first, last + timedelta(days=1), ())
    fees = days * inputs.offer.daily_fee * (1.1 if tiered else 1.0)
    assert billed.total == pytest.approx(costs + fees, abs=1e-9)
    assert round(billed.total, 2) == round(costs + fees, 2)


def test_totals_are_the_sums_of_interval_costs_to_half_a_cent_a_night(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        inputs = evenings_on_record(tmp_path, record)
        settle_nights(record, inputs, shaken(inputs))
        nights = settled_nights(record)
        for night in nights:
            flows = night_flows(record, night.begin).columns
            grid = flows["import_cost"].sum() - flows["export_credit"].sum() + flows["demand_cost"].sum()
            assert night.grid_cost == pytest.approx(grid, abs=0.0100001)
            assert night.wear == pytest.approx(flows["wear_cost"].sum(), abs=0.0100001)
        assert round(totals(nights).cost, 9) == round(sum(night.cost for night in nights), 9)


def test_happened_series_of_the_site_are_its_own(tmp_path: Path) -> None:
    inputs = read_inputs(write_site(tmp_path))
    own = own_series(inputs)
    assert isinstance(own, Happened)
    assert own.load is inputs.load
