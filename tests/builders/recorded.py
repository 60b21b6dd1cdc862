"""Evenings planned, recorded and settled on a small site whose building then draws otherwise than forecast."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np

from models.site.series import Series
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.parse_request import RequestOptions
from scheduler.plan_output.plan_json import plan_document, plan_text
from scheduler.plan_output.schedule_csv import schedule_text
from scheduler.plans.plan import Plan
from scheduler.plans.plan_tonight import plan_tonight
from scheduler.plans.saved_plan import SavedPlan, parse_saved_plan
from scheduler.record.settle import Evening
from scheduler.record.store import Record
from scheduler.record.update import Happened
from tests.builders.sites import write_site

FIRST_DAY = datetime(2026, 3, 3, tzinfo=UTC)


def quick_plan(site: Path, now: str, soc: float = 71.0, *, trips: Sequence[str] = ("08:10-17:30 31km",)) -> Plan:
    """Plan a night on the typical day, from the top of the battery's cycle."""
    options = RequestOptions(soc, now=now, trips=tuple(trips), highest_soc_today_percent=soc, forecast="typical")
    return plan_tonight(site, options)


def saved(plan: Plan) -> SavedPlan:
    """The plan as its files would be read back."""
    return parse_saved_plan(plan_text(plan), schedule_text(plan), Path("plans"))


def evening_of(*plans: Plan, end: datetime | None = None) -> Evening:
    """The evening of a plan and its replans, to be settled until the last one's end or before."""
    read = tuple(saved(plan) for plan in plans)
    return Evening(read[0].start.astimezone(UTC), end or read[-1].end.astimezone(UTC), read, was_set=True)


def shaken(inputs: Inputs, seed: int = 1) -> Happened:
    """The site's series with every value changed by up to a half, load by a third more: what really came."""
    random = np.random.default_rng(seed)

    def changed(series: Series, factor: float) -> Series:
        return Series(series.start, series.kw * factor * random.uniform(0.5, 1.5, len(series.kw)), series.step_minutes)

    solar = None if inputs.solar is None else changed(inputs.solar, 1.0)
    return Happened(changed(inputs.load, 1.3), solar, "meter")


@cache
def evening_texts(number: int = 0, offer: str | None = None) -> tuple[str, str]:
    """The plan.json and schedule.csv of an evening of the small site, FIRST_DAY and so many days later at 18:00.

    Parameters
    ----------
    offer : text of the offer; None for the usual one.
    """
    day = FIRST_DAY + timedelta(days=number)
    with tempfile.TemporaryDirectory() as folder:
        site = small_site(Path(folder), offer)
        plan = quick_plan(site, f"{day:%Y-%m-%d}T18:00", 71.0 - 3 * number)
    return plan_text(plan), schedule_text(plan)


def small_site(folder: Path, offer: str | None = None) -> Path:
    """Write the small site, with the text of another offer in the place of its own; gives the folder."""
    site = write_site(folder)
    if offer is not None:
        (site / "offers" / "evening.toml").write_text(offer, encoding="utf-8")
    return site


def evenings_on_record(folder: Path, record: Record, days: int = 3, offer: str | None = None) -> Inputs:
    """Write the small site, and record so many of its evenings, set on the charger; gives its inputs."""
    site = small_site(folder, offer)
    for number in range(days):
        start = record.add_plan(*evening_texts(number, offer)).start
        record.mark_set(start, start)
    return read_inputs(site)


@cache
def replan_texts() -> tuple[str, str]:
    """The files of a replan of the first evening, at 21:00 with the car much emptier than planned."""
    with tempfile.TemporaryDirectory() as folder:
        plan = quick_plan(small_site(Path(folder)), f"{FIRST_DAY:%Y-%m-%d}T21:00", 30.0)
    evening = (FIRST_DAY + timedelta(hours=18)).isoformat()
    return json.dumps(plan_document(plan) | {"evening": evening, "revision": 1}), schedule_text(plan)
