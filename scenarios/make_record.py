"""Write the invented evenings of the bookbindery's demo record; `--check` only makes the first ones again and compares.

Each evening is planned as its owner would have, and settled with what the site's series say came of it. All of it is
invented: states of charge as read off, trips a little longer or shorter than planned, evenings on which nobody set the
charger. Making all of them takes some minutes; checking some takes seconds.
"""

import argparse
import csv
import io
import random
import shutil
import sys
import tempfile
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from models.site.trips import Trip
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.parse_request import RequestOptions
from scheduler.nights.planning_times import evenings, trips_between
from scheduler.plan_output.plan_json import plan_text
from scheduler.plan_output.schedule_csv import schedule_text
from scheduler.plan_output.write_plan import write_plan
from scheduler.plans.plan import Plan
from scheduler.plans.plan_tonight import plan_tonight
from scheduler.plans.replan import replan_tonight
from scheduler.record.demo import DEMO_FOLDER
from scheduler.record.export import NIGHTS_CSV, export_texts
from scheduler.record.settled import settled_nights
from scheduler.record.store import DrivenTrip, Record, opened_record
from scheduler.record.update import own_series, settle_nights

SITE = Path(__file__).parent / "bookbindery"
FIRST, COUNT, CHECKED = date(2026, 1, 6), 60, 3
SEED = 20260106
NOT_SET, REPLANNED = {9, 23, 24, 41}, {5, 19, 33}
"""Numbers of the evenings on which nobody set the charger, and on which the evening was planned again."""
DIGITS = 4
"""Decimals of the numbers that are written, as a demo needs no more."""
SAME = 0.02
"""Numbers made again on another machine are the same within this."""


def made_record(folder: Path, count: int) -> dict[str, str]:
    """Plan and settle so many evenings in a copy of the site; give the tables by name."""
    ignored = shutil.ignore_patterns("plans", "comparison", "sweep*", "record.sqlite*", DEMO_FOLDER)
    site = Path(shutil.copytree(SITE, folder / "site", ignore=ignored))
    inputs = read_inputs(site)
    chance = random.Random(SEED)
    times = evening_times(inputs, chance)
    soc = 74.0
    with opened_record(site) as record:
        for number, now in enumerate(times[:count]):
            planned = plan_evening(site, inputs, record, number, now, soc, chance)
            settle_nights(record, inputs, own_series(inputs))
            following = times[number + 1]
            drive(inputs, record, now, min(following, planned), chance)
            settle_nights(record, inputs, own_series(inputs))
            end = settled_nights(record)[-1].soc_end_percent
            soc = float(min(80, max(22, round(end + chance.gauss(0.0, 1.2)))))
            record.tell_state(min(following, planned), "evening", soc)
        settle_nights(record, inputs, own_series(inputs))
        return {name: shortened(text) for name, text in export_texts(record, inputs.site.timezone).items()}


def evening_times(inputs: Inputs, chance: random.Random) -> list[datetime]:
    """Give when each evening is planned: about six, or when the car is back."""
    last = FIRST + timedelta(days=2 * COUNT)
    days = [FIRST + timedelta(days=later) for later in range((last - FIRST).days)]
    begin, end = (datetime(day.year, day.month, day.day, tzinfo=UTC) for day in (FIRST, last))
    trips = trips_between(inputs, begin - timedelta(days=5), end)
    found: list[datetime] = []
    for day in days:
        found += evenings(17 * 60 + 35 + 5 * chance.randrange(5), day, day, trips, inputs.site.timezone)
    return found


def plan_evening(
    site: Path, inputs: Inputs, record: Record, number: int, now: datetime, soc: float, chance: random.Random
) -> datetime:
    """Plan an evening, and on some again two hours later; give the plan's end."""
    expected = tuple(
        replace(trip, distance_km=float(5 * round(trip.distance_km / 5))) if chance.random() < 0.2 else trip
        for trip in trips_between(inputs, now, now + timedelta(hours=24))
    )
    options = RequestOptions(soc, now=now, trips=expected, stay_home=not expected)
    plan = plan_tonight(site, options, plans=site / "plans")
    keep(record, site, plan, is_set=number not in NOT_SET)
    if number in REPLANNED and not any(trip.depart_at < now + timedelta(hours=4) for trip in expected):
        later = now + timedelta(hours=2)
        row = next(each for each in range(plan.night.intervals) if plan.night.boundaries[each + 1] > later)
        at = plan.night.car.percent(float(plan.replayed.stored_kwh[row])) - 3
        again = RequestOptions(float(round(at)), now=later, trips=expected, stay_home=not expected)
        plan = replan_tonight(site, again, site / "plans")
        keep(record, site, plan, is_set=True)
    return plan.night.boundaries[-1].to_pydatetime()


def keep(record: Record, site: Path, plan: Plan, *, is_set: bool) -> None:
    """Write a plan, and keep it in the record."""
    plan = replace(plan, made_at=plan.night.boundaries[0].to_pydatetime())
    write_plan(plan, site / "plans")
    recorded = record.add_plan(plan_text(plan), schedule_text(plan))
    if is_set:
        record.mark_set(recorded.start, recorded.start + timedelta(minutes=4))


def drive(inputs: Inputs, record: Record, begin: datetime, end: datetime, chance: random.Random) -> None:
    """Tell the trips of a night as they were driven: somewhat off in what they took."""
    car = inputs.site.car
    for trip in trips_between(inputs, begin, end):
        took = trip.distance_km * car.consumption_kwh_per_100km / car.battery_kwh * chance.gauss(1.03, 0.05)
        driven = Trip(trip.depart_at, trip.return_at, trip.distance_km, trip.pace, round(took, 1))
        record.tell_trip(DrivenTrip(driven, float(round(chance.gauss(-3.0, 4.0)))))


def shortened(text: str) -> str:
    """Give a table with its numbers rounded."""
    rows = list(csv.reader(io.StringIO(text)))
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(rows[0])
    writer.writerows([[shortened_cell(cell) for cell in row] for row in rows[1:]])
    return out.getvalue()


def shortened_cell(cell: str) -> str:
    whole, point, decimals = cell.partition(".")
    if not point or not whole.lstrip("-").isdigit() or not decimals.isdigit():
        return cell
    return f"{round(float(cell), DIGITS) + 0.0:.{DIGITS}f}".rstrip("0").rstrip(".")


def differences(text: str, kept: str) -> int:
    """Give how many of the first rows of a table differ from those that are kept."""
    made, there = (list(csv.reader(io.StringIO(each))) for each in (text, kept))
    rows = zip(made[:CHECKED], there, strict=False)  # a heading and all nights but the last, which ends otherwise
    return sum(not same_row(one, other) for one, other in rows)


def same_row(one: list[str], other: list[str]) -> bool:
    return len(one) == len(other) and all(map(same_cell, one, other))


def same_cell(one: str, other: str) -> bool:
    try:
        return abs(float(one) - float(other)) <= SAME * max(1.0, abs(float(other)))
    except ValueError:
        return one == other


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="write nothing; exit with 1 if the first rows differ")
    check = parser.parse_args().check
    with tempfile.TemporaryDirectory() as folder:
        texts = made_record(Path(folder), CHECKED if check else COUNT)
    if check:
        kept = (SITE / DEMO_FOLDER / NIGHTS_CSV).read_text(encoding="utf-8")
        if differences(texts[NIGHTS_CSV], kept):
            print(f"{DEMO_FOLDER}/{NIGHTS_CSV} differs from what this script makes", file=sys.stderr)
            return 1
        print("the first evenings are as this script makes them")
        return 0
    (SITE / DEMO_FOLDER).mkdir(exist_ok=True)
    for name, text in texts.items():
        (SITE / DEMO_FOLDER / name).write_bytes(text.encode())
    return 0


if __name__ == "__main__":
    sys.exit(main())
