"""Settle the evenings of a record for which it is known what happened, each once, and again when more is known."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from models.site.series import Series
from scheduler.inputs.offer_file import read_offer_files
from scheduler.inputs.placeholders import placeholder_files
from scheduler.inputs.site_file import SITE_FILE
from scheduler.inputs.site_inputs import Inputs
from scheduler.optimizer.lexicographic import NoPlanError
from scheduler.plans.replay import PlanRefused
from scheduler.plans.saved_plan import SavedPlan, parse_saved_plan
from scheduler.record.settle import Evening, settle
from scheduler.record.settled import WAYS, keep_settled, note_told_soc, remove_settled, settled_from
from scheduler.record.so_far import settled_so_far
from scheduler.record.store import Record, RecordedPlan
from scheduler.textio.errors import InputFaults
from scheduler.textio.read_text import sha256_of

SETTLED_BY = 1
"""Which version of this settling made a night; a night of an earlier one is settled again."""
END_TOLD = timedelta(hours=6)
"""A state of charge that was told within this time before the end of a night, and no drive later, is its end's."""
IDLE_AFTER = timedelta(hours=6)
"""A next evening that begins so long after a plan's end at most takes over from it; until then the charger is idle."""
Source = Literal["meter", "site"]


@dataclass(frozen=True, slots=True, eq=False)
class Happened:
    """What really came.

    Attributes
    ----------
    load, solar : series; solar is None for a site without.
    source : whether they were read from a meter's files, or are the site's own.
    gaps : spans of them that are no reading, such as gaps that were filled, UTC.
    """

    load: Series
    solar: Series | None
    source: Source
    gaps: tuple[tuple[datetime, datetime], ...] = ()


@dataclass(frozen=True, slots=True)
class NotSettled:
    """An evening that is not settled, and why: a clause."""

    begin: datetime
    why: str


@dataclass(slots=True)
class Settled:
    """What settling came to: how many nights are new or settled again, which are not settled, and what to note."""

    settled: int = 0
    not_settled: list[NotSettled] = field(default_factory=list)
    other_files: int = 0
    """Nights settled now whose plan was made with another site.toml or offer file than today's."""


def own_series(inputs: Inputs) -> Happened | None:
    """Return the site's own series as what happened; None if they are placeholders, which no meter has read."""
    return None if placeholder_files(inputs) else Happened(inputs.load, inputs.solar, "site")


def settle_nights(
    record: Record,
    inputs: Inputs,
    happened: Happened | None,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> Settled:
    """Settle every evening of a record for which it is known what happened, and keep each as soon as it is settled.

    A night that is settled already stays, unless its plans or what was told of it has changed, or a meter's files
    say otherwise than what it was settled from. It is settled by the offer of its plan.

    Parameters
    ----------
    inputs : the site as its files are today. happened : None where nothing is known.
    progress : told how many evenings are looked at, and of how many.
    """
    result, kept = Settled(), settled_from(record)
    offers = _Offers(inputs)
    evenings = record.evenings()
    stale = [begin for begin in kept if begin not in set(evenings)]
    if stale:
        remove_settled(record, stale)
    for number, begin in enumerate(evenings):
        progress(number, len(evenings))
        following = evenings[number + 1] if number + 1 < len(evenings) else None
        try:
            _settle_one(record, offers, happened, begin, following, kept.get(begin), result)
        except InputFaults as error:
            result.not_settled.append(NotSettled(begin, "; ".join(fault.message for fault in error.told)))
        except (CannotSettle, NoPlanError, PlanRefused) as error:
            result.not_settled.append(NotSettled(begin, str(error)))
    progress(len(evenings), len(evenings))
    return result


def _settle_one(
    record: Record,
    offers: _Offers,
    happened: Happened | None,
    begin: datetime,
    following: datetime | None,
    kept: str | None,
    result: Settled,
) -> None:
    """Settle one evening if it is to be settled, and note what came of it."""
    recorded = record.plans_of_evening(begin)
    in_force = _in_force(recorded)
    end = max(plan.end for plan in in_force)
    if following is not None and following <= end + IDLE_AFTER:
        end = following
    was_set = any(plan.set_at is not None for plan in recorded)
    trips, told_soc = _told(record, begin, end, following)
    told = _digest([(plan.document, plan.schedule) for plan in in_force], was_set, begin, end, repr(trips))
    before = _source(kept)
    is_current = before.get("by") == SETTLED_BY and before.get("told") == told
    if is_current and before.get("soc") != told_soc:
        note_told_soc(record, begin, told_soc, json.dumps({**before, "soc": told_soc}))
    reason = "the site's series are placeholders" if happened is None else _not_covered(happened, begin, end)
    if is_current and (reason or happened is None or (happened.source == "site" and before.get("from") == "meter")):
        return
    if happened is None or reason:
        changed = "" if kept is None else "what is told of it has changed since it was settled, and "
        result.not_settled.append(NotSettled(begin, f"{changed}{reason}"))
        return
    series = _series_digest(happened, begin, end)
    if is_current and before.get("series") == series:
        return
    plans = tuple(_parsed(plan, record) for plan in in_force)
    evening = Evening(begin, end, plans, was_set, trips, told_soc)
    inputs = offers.of(plans[0], in_force[0].document)
    so_far = {way: settled_so_far(record, inputs, way, begin, plans[0].so_far) for way in WAYS}
    real = replace(inputs, load=happened.load, solar=happened.solar)
    made = settle(evening, inputs, real, so_far)
    source = {"by": SETTLED_BY, "told": told, "soc": told_soc, "series": series, "from": happened.source}
    keep_settled(record, made.night, made.flows, json.dumps(source))
    result.settled += 1
    result.other_files += offers.have_changed(in_force[0].document)


def _source(kept: str | None) -> dict[str, Any]:
    """Return what a night was settled from; nothing where it is not settled, or that cannot be read."""
    try:
        found = json.loads(kept or "{}")
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _in_force(recorded: Sequence[RecordedPlan]) -> list[RecordedPlan]:
    """Return an evening's plans up to the last that was set; all of them where none was."""
    last_set = max((number for number, plan in enumerate(recorded) if plan.set_at is not None), default=None)
    return list(recorded if last_set is None else recorded[: last_set + 1])


def _parsed(plan: RecordedPlan, record: Record) -> SavedPlan:
    return parse_saved_plan(json.dumps(plan.document), plan.schedule, record.file / f"{plan.start:%Y-%m-%dT%H%MZ}")


def _told(
    record: Record, begin: datetime, end: datetime, following: datetime | None
) -> tuple[tuple[Any, ...] | None, float | None]:
    """Return the trips that were told of a night, None without any, and the state of charge told at its end."""
    trips = tuple(each for each in record.trips(before=end) if each.trip.return_at > begin)
    departing = [each for each in trips if each.trip.depart_at >= begin]
    states = record.states(end - END_TOLD, end + timedelta(minutes=1))
    home = max((each.trip.return_at for each in trips if each.trip.return_at <= end), default=begin)
    told = [state.soc_percent for state in states if state.at >= home and state.kind != "morning"]
    soc = told[-1] if told else None
    if soc is None and following == end:
        next_plan = record.plan(following)
        given = None if next_plan is None else next_plan.document.get("soc_start_percent")
        away = next_plan is None or next_plan.document.get("home_at") is not None
        soc = float(given) if isinstance(given, int | float) and not away else None
    return trips if departing else None, soc


def _not_covered(happened: Happened, begin: datetime, end: datetime) -> str:
    """Return why what happened is not known of a whole night; "" if it is."""
    series = [happened.load, *([] if happened.solar is None else [happened.solar])]
    if any(each.end < pd.Timestamp(end) for each in series):
        return "the meter's values end before it does"
    if any(each.start[0] > pd.Timestamp(begin) for each in series):
        return "the meter's values begin after it does"
    if any(gap_begin < end and gap_end > begin for gap_begin, gap_end in happened.gaps):
        return "the meter has a gap in it"
    return ""


class CannotSettle(Exception):  # noqa: N818 - the evening is at fault, not the program
    """Why an evening cannot be settled, as a clause."""


class _Offers:
    """The site with the offer of each plan, as the files are today."""

    def __init__(self, inputs: Inputs) -> None:
        self.inputs = inputs
        self.by_name = {inputs.offer.name: inputs}
        self.hashes: dict[Path, str] = dict(inputs.hashes)

    def of(self, plan: SavedPlan, document: Mapping[str, Any]) -> Inputs:
        """Return the site with the offer that a plan was made with.

        Raises
        ------
        CannotSettle : the offer is no longer there; or the plan is another site's. InputFaults : a file is damaged.
        """
        if plan.offer not in self.by_name:
            for file in self._files(document):
                if file.name != SITE_FILE and file.suffix == ".toml" and file.is_file():
                    has_calendar = self.inputs.site.holiday_calendar is not None
                    offer, _ = read_offer_files(file, has_calendar)
                    site = replace(self.inputs.site, offer_file=file)
                    self.by_name.setdefault(offer.name, replace(self.inputs, offer=offer, site=site))
        if plan.offer not in self.by_name:
            raise CannotSettle(f'its offer "{plan.offer}" is no longer in the site\'s folder')
        if plan.site != self.inputs.site.name:
            raise CannotSettle(f'its plan is for the site "{plan.site}"')
        return self.by_name[plan.offer]

    def have_changed(self, document: Mapping[str, Any]) -> bool:
        """Return whether the site's or the offer's file is another one than when a plan was made."""
        said = document.get("inputs")
        for name, sha256 in said.items() if isinstance(said, dict) else ():
            file = self.inputs.site.folder / str(name)
            if file.suffix == ".toml" and file.is_file():
                if file not in self.hashes:
                    self.hashes[file] = sha256_of(file)
                if self.hashes[file] != sha256:
                    return True
        return False

    def _files(self, document: Mapping[str, Any]) -> list[Path]:
        said = document.get("inputs")
        return [self.inputs.site.folder / str(name) for name in said] if isinstance(said, dict) else []


def _digest(*parts: object) -> str:
    return hashlib.sha256(repr(parts).encode()).hexdigest()[:16]


def _series_digest(happened: Happened, begin: datetime, end: datetime) -> str:
    """Return a digest of what happened in a night."""
    digest = hashlib.sha256()
    for series in (happened.load, happened.solar):
        if series is not None:
            first = int(series.start.searchsorted(pd.Timestamp(begin), side="right")) - 1
            inside = slice(first, int(series.start.searchsorted(pd.Timestamp(end))))
            digest.update(f"{series.step_minutes} {series.start[first]}".encode())
            digest.update(np.round(series.kw[inside], 6).tobytes())
    return digest.hexdigest()[:16]
