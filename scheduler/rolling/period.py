"""The request of `overnight compare`, checked as a whole before any night is planned."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd

from scheduler.inputs.hardware_file import Hardware, read_hardware
from scheduler.inputs.site import Site
from scheduler.inputs.site_file import read_site
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.inputs.sizes_file import Size, read_sizes
from scheduler.nights.known_trips import trips_kind
from scheduler.nights.planning_times import midnight, trips_overlapping
from scheduler.nights.request import ForecastKind, TripsKind
from scheduler.rolling.full_horizon import FullHorizonRun
from scheduler.rolling.run import RolledRun
from scheduler.textio.errors import Fault, InputFaults, did_you_mean, shown, single_fault
from scheduler.textio.parse_time import local_text, parse_day

FROM_OPTION, TO_OPTION, HARDWARE_OPTION, OFFER_WORD = "--from", "--to", "--hardware", "OFFER"
TODAY_OPTION = "--today"
MOST_LETTERS = 60
"""Most letters of an offer's name in the names of files."""
FORECAST_DAYS = 28
"""Days before an evening from which a typical forecast is read."""

RUNS = ("plan", "hindsight", "charge-only", "charge-on-return")
"""The ways in which the days are run under each offer, the longest runs first; "hindsight" is perfect foresight."""

SIZE_RUNS = ("plan", "charge-only")
"""The ways in which the days are run in other sizes."""

FULL_HORIZON = "full-horizon"
"""Ending of the names of full-horizon runs."""


@dataclass(frozen=True, slots=True)
class CompareOptions:
    """What the command was given.

    Attributes
    ----------
    site : the site's folder. offers : files.
    first_day, last_day : local, "2026-03-02" or a value; None for as far as the series go in whole days.
    forecast : what each evening knew. hardware : a hardware file, or None.
    trips : which trips each evening expected; None for usual ones where the site has some.
    bound : whether the full-horizon bound of each offer is worked out.
    today : name or file of the offer that the site is on, one of the offers; None: not said.
    sizes : a file of sizes to compare besides, or None.
    """

    site: Path
    offers: tuple[Path, ...]
    first_day: str | date | None = None
    last_day: str | date | None = None
    forecast: ForecastKind = "typical"
    hardware: Path | None = None
    trips: TripsKind | None = None
    bound: bool = False
    today: str | None = None
    sizes: Path | None = None


@dataclass(frozen=True, slots=True, eq=False)
class ComparisonRequest:
    """A comparison that can be made.

    Attributes
    ----------
    offers : the site with each offer, by the offer's name as it appears in file names.
    first, last : local days, both included.
    forecast : what each evening knows.
    hardware : costs of the hardware, or None.
    notes : what the reader should know, one sentence each.
    trips : which trips each evening expects.
    bound : whether the full-horizon bound of each offer is worked out.
    today : the offer that the site is on, by its name in file names; None: not said.
    sizes : the site with each offer in other sizes, by size and by the offer's name in file names.
    """

    offers: Mapping[str, Inputs]
    first: date
    last: date
    forecast: ForecastKind
    hardware: Hardware | None
    notes: tuple[str, ...]
    trips: TripsKind = "recorded"
    bound: bool = False
    today: str | None = None
    sizes: Mapping[Size, Mapping[str, Inputs]] = field(default_factory=dict)

    @property
    def start_soc_percent(self) -> float:
        """Return the state of charge when the first day begins [%]: the ceiling, as if charged on return."""
        return next(iter(self.offers.values())).site.car.ceiling_percent

    @property
    def days(self) -> int:
        """Return the number of days that are compared."""
        return (self.last - self.first).days + 1

    def runs(self) -> dict[str, RolledRun]:
        """Return every run by the name of its file; a plan on a recorded forecast has perfect foresight already."""
        kinds = [kind for kind in RUNS if kind != "hindsight" or self.forecast != "recorded"]
        return {f"{name}.{kind}": self._run(self.offers[name], kind) for kind in kinds for name in self.offers}

    def size_runs(self) -> dict[str, RolledRun]:
        """Return the runs of every other size by the name of its file; those of the site's own size are not among them.

        Only what the hardware's case compares is run: the plan, and the car only charged.
        """
        return {
            self.size_run_name(size, name, kind): self._run(inputs, kind)
            for size, offers in self.sizes.items()
            for kind in SIZE_RUNS
            for name, inputs in offers.items()
            if inputs.site != self.offers[name].site
        }

    def size_run_name(self, size: Size, name: str, kind: str) -> str:
        """Return the name of the file of a size's run, which is the site's own run where the size is its own."""
        own = self.sizes[size][name].site == self.offers[name].site
        return f"{name}.{kind}" if own else f"{size.name}.{name}.{kind}"

    def bound_runs(self) -> dict[str, FullHorizonRun]:
        """Return the full-horizon run of each offer by the name of its file; none if they are not asked for."""
        if not self.bound:
            return {}
        return {
            f"{name}.{FULL_HORIZON}": FullHorizonRun(
                f"offer {inputs.offer.name!r}, full horizon",
                inputs,
                self.first,
                self.last,
                self.start_soc_percent,
            )
            for name, inputs in self.offers.items()
        }

    def _run(self, inputs: Inputs, kind: str) -> RolledRun:
        """Return the run of one of RUNS under one offer."""
        return RolledRun(
            f"offer {inputs.offer.name!r}, {kind}",
            inputs,
            self.first,
            self.last,
            inputs.site.car.ceiling_percent,
            "recorded" if kind == "hindsight" else self.forecast,
            "charge-only" if kind == "charge-only" else "charge-on-return" if kind == "charge-on-return" else "plan",
            "recorded" if kind == "hindsight" else self.trips,
        )


def parse_period(options: CompareOptions) -> ComparisonRequest:
    """Read every file and check that the days can be compared.

    Raises
    ------
    InputFaults : every fault of the files; an offer twice; two currencies; days that the series do not cover.
    """
    offers = _read_offers(options)
    faults = [*_twice(offers), *_currencies(offers)]
    hardware = None
    if options.hardware is not None:
        try:
            hardware = read_hardware(_hardware_path(options))
        except InputFaults as error:
            faults += error.faults
    if hardware is not None and not faults and hardware.currency != offers[0].offer.currency:
        faults.append(
            Fault(
                str(options.hardware),
                None,
                "currency",
                f"found {hardware.currency}, but the offers are in {offers[0].offer.currency}; expected the same",
            )
        )
    if faults:
        raise InputFaults(faults)
    first, last = days_to_roll(offers, options.first_day, options.last_day)
    sizes_read = {} if options.sizes is None else _read_sizes(options)
    named = dict(zip(_file_names(offers), offers, strict=True))
    today = None if options.today is None else _todays_offer(options.today, named)
    sizes = {
        size: {
            name: inputs.with_site(replace(site, offer_file=inputs.site.offer_file)) for name, inputs in named.items()
        }
        for size, site in sizes_read.items()
    }
    trips = trips_kind(offers[0].site, options.trips, options.forecast)
    notes = list(_notes(offers[0], first, last, options.forecast, trips))
    beyond = _trip_beyond(offers)
    if beyond and options.last_day is None:
        notes.append(f"The days end on {last}, for {beyond}.")
    return ComparisonRequest(
        named, first, last, options.forecast, hardware, tuple(notes), trips, options.bound, today, sizes
    )


def trips_note(site: Site, trips: TripsKind) -> str:
    """Return a sentence on which trips the evenings expected of a site with recorded trips."""
    if trips == "recorded":
        return "Each evening knew the trips that were really driven until the next."
    return (
        "Each evening expected the usual trips. What was really driven was known plan.trip_notice_hours before "
        f"departure ({site.plan.trip_notice_hours:g} in site.toml), and a trip that was not as usual was planned for "
        "from then on."
    )


def _read_offers(options: CompareOptions) -> list[Inputs]:
    if not options.offers:
        raise single_fault(OFFER_WORD, "none given; expected at least one offer's file")
    found: list[Inputs] = []
    faults: dict[Fault, None] = {}
    for offer in options.offers:
        try:
            found.append(read_inputs(options.site, offer))
        except InputFaults as error:
            faults.update(dict.fromkeys(error.faults))
    if faults:
        raise InputFaults(faults)
    return found


def _todays_offer(given: str, offers: Mapping[str, Inputs]) -> str:
    """Return the offer that is meant by its name or its file, by its name in file names.

    Raises
    ------
    InputFaults : it is none of the offers that are compared.
    """
    wanted = given.strip().casefold()
    for name, inputs in offers.items():
        file = inputs.site.offer_file
        spellings = (name, inputs.offer.name.casefold(), str(file).casefold(), file.name.casefold())
        if wanted in spellings or any(_same_file(place, file) for place in (Path(given), inputs.site.folder / given)):
            return name
    names = [inputs.offer.name for inputs in offers.values()]
    raise single_fault(
        TODAY_OPTION,
        f"found {shown(given)}{did_you_mean(given, names)}; expected one of the offers that are compared, by its name "
        "or its file",
    )


def _read_sizes(options: CompareOptions) -> dict[Size, Site]:
    """Return the site in each size of the file, checked as strictly as its own.

    Raises
    ------
    InputFaults : a fault of the file; a size that the site cannot have.
    """
    assert options.sizes is not None
    beside = options.site / options.sizes
    path = beside if not options.sizes.exists() and beside.exists() else options.sizes
    found: dict[Size, Site] = {}
    faults: dict[Fault, None] = {}
    for size in read_sizes(path):
        try:
            found[size] = read_site(options.site, size.changes)
        except InputFaults as error:
            told = (f"{size.name.replace('_', ' ')}: {fault.key}: {fault.message}" for fault in error.faults)
            faults.update(dict.fromkeys(Fault(str(path), None, None, text) for text in told))
    if faults:
        raise InputFaults(faults)
    return found


def _same_file(one: Path, other: Path) -> bool:
    try:
        return one.resolve() == other.resolve()
    except (OSError, ValueError):  # no path at all, as one with a null character
        return False


def _hardware_path(options: CompareOptions) -> Path:
    """Return the hardware file, found from the working directory or else in the site's folder."""
    assert options.hardware is not None
    beside = options.site / options.hardware
    return beside if not options.hardware.exists() and beside.exists() else options.hardware


def _twice(offers: Sequence[Inputs]) -> Iterator[Fault]:
    """Yield a fault for each offer that is given twice."""
    seen: dict[str, Path] = {}
    for inputs in offers:
        name, file = inputs.offer.name, inputs.site.offer_file
        if name in seen:
            other = "the same file" if seen[name].resolve() == file.resolve() else str(seen[name])
            yield Fault(str(file), None, "name", f"{shown(name)} is also the name of {other}; expected each offer once")
        seen.setdefault(name, file)


def _currencies(offers: Sequence[Inputs]) -> Iterator[Fault]:
    """Yield a fault for each offer in another currency than the first."""
    expected = offers[0].offer.currency
    for inputs in offers[1:]:
        if inputs.offer.currency != expected:
            first = offers[0].site.offer_file.name
            message = f"found {inputs.offer.currency}, but {first} is in {expected}; expected one currency for all"
            yield Fault(str(inputs.site.offer_file), None, "currency", message)


def _file_names(offers: Sequence[Inputs]) -> list[str]:
    """Return a file name for each offer, from its own name: small letters, digits and hyphens, no two alike."""
    found: list[str] = []
    for inputs in offers:
        name_text = re.sub(r"[^a-z0-9]+", "-", inputs.offer.name.lower()).strip("-")
        stem = re.sub(r"[^a-z0-9]+", "-", inputs.site.offer_file.stem.lower()).strip("-")
        plain = (name_text or stem or "offer")[:MOST_LETTERS].strip("-")
        name, number = plain, 2
        while name in found:
            name, number = f"{plain}-{number}", number + 1
        found.append(name)
    return found


def days_to_roll(
    offers: Sequence[Inputs], first_day: str | date | None, last_day: str | date | None
) -> tuple[date, date]:
    """Return the first and the last day: those asked for, or all whole days that every series covers.

    Raises
    ------
    InputFaults : days in the wrong order, or that the series do not cover.
    """
    site = offers[0].site
    first, last = _covered(offers)
    asked_first, asked_last = (
        None if given is None else parse_day(given, option)
        for option, given in ((FROM_OPTION, first_day), (TO_OPTION, last_day))
    )
    if asked_first is not None and asked_last is not None and asked_first > asked_last:
        raise single_fault(FROM_OPTION, f"{asked_first} is after --to {asked_last}; expected that day or earlier")
    if first > last:
        raise single_fault(site.load_file, f"{_spans(offers)}: no whole local day is in all of them")
    spans = "; ".join(part for part in (_spans(offers), _trip_beyond(offers)) if part)
    faults = [
        Fault(option, None, None, f"{day} is not covered ({spans}); expected a day from {first} to {last}")
        for option, day in ((FROM_OPTION, asked_first), (TO_OPTION, asked_last))
        if day is not None and not first <= day <= last
    ]
    if faults:
        raise InputFaults(faults)
    chosen_first, chosen_last = asked_first or first, asked_last or last
    if chosen_first > chosen_last:
        option = FROM_OPTION if asked_first is not None else TO_OPTION
        raise single_fault(option, f"no day is left ({_spans(offers)}); expected a day from {first} to {last}")
    return chosen_first, chosen_last


def _covered(offers: Sequence[Inputs]) -> tuple[date, date]:
    """Return the first and the last whole local day that every series covers, with any trip then under way."""
    timezone = offers[0].site.timezone
    begin = max(span[0] for span in _series(offers).values())
    end = min(span[1] for span in _series(offers).values())
    local_begin, local_end = begin.tz_convert(timezone), end.tz_convert(timezone)
    first, last = local_begin.date(), local_end.date() - timedelta(days=1)
    if pd.Timestamp(midnight(first, timezone)) < begin:
        first += timedelta(days=1)
    while first <= last:
        over = pd.Timestamp(midnight(last + timedelta(days=1), timezone)).to_pydatetime()
        if all(trip.return_at <= max(end, pd.Timestamp(over)) for trip in trips_overlapping(offers[0], over, over)):
            break
        last -= timedelta(days=1)
    return first, last


def _trip_beyond(offers: Sequence[Inputs]) -> str:
    """Return the trip that ends after the series and so shortens the days, as a clause; "" if there is none."""
    timezone = offers[0].site.timezone
    end = min(span[1] for span in _series(offers).values())
    last_midnight = midnight(end.tz_convert(timezone).date(), timezone)
    beyond = [trip for trip in trips_overlapping(offers[0], last_midnight, last_midnight) if trip.return_at > end]
    if not beyond:
        return ""
    begin, back = (local_text(instant, timezone) for instant in (beyond[0].depart_at, beyond[0].return_at))
    return f"the trip from {begin} to {back} comes home after the series end"


def _series(offers: Sequence[Inputs]) -> dict[str, tuple[pd.Timestamp, pd.Timestamp]]:
    """Return the begin and the end of every series, by the name of its file."""
    site, load, solar = offers[0].site, offers[0].load, offers[0].solar
    found = {site.load_file.name: (load.start[0], load.end)}
    if solar is not None and site.solar_file is not None:
        found[site.solar_file.name] = (solar.start[0], solar.end)
    for inputs in offers:
        if inputs.offer.market is not None:
            market = inputs.offer.market
            found[f"the market prices of {inputs.site.offer_file.name}"] = (market.start[0], market.end)
    return found


def _spans(offers: Sequence[Inputs]) -> str:
    """Return from when to when each series goes, as text."""
    timezone = offers[0].site.timezone
    return "; ".join(
        f"{name} has {' to '.join(local_text(instant.to_pydatetime(), timezone) for instant in span)}"
        for name, span in _series(offers).items()
    )


def _notes(inputs: Inputs, first: date, last: date, forecast: ForecastKind, trips: TripsKind) -> Iterator[str]:
    """Yield what the comparison assumes, one sentence each."""
    site = inputs.site
    begin = pd.Timestamp(midnight(first, site.timezone))
    if forecast != "recorded" and begin - inputs.load.start[0] < pd.Timedelta(days=FORECAST_DAYS):
        yield (
            f"The series begin less than {FORECAST_DAYS} days before the first evening: at first the typical day is "
            "taken from the same month of other years or from the whole series, which nobody could have known then."
        )
    end = pd.Timestamp(midnight(last + timedelta(days=1), site.timezone))
    if inputs.recorded_trips is None:
        yield (
            "The site has no recorded trips; every week has its usual trips."
            if site.usual_trips
            else "The site has no trips at all: the car never leaves."
        )
        return
    yield trips_note(site, trips)
    name = "the file of trips" if site.trips_file is None else site.trips_file.name
    inside = [trip for trip in inputs.recorded_trips if trip.depart_at < end and trip.return_at > begin]
    if not inside:
        yield f"{name} has no trip in these days: the car never leaves."
        return
    zone = ZoneInfo(site.timezone)
    left, back = inside[0].depart_at.astimezone(zone).date(), inside[-1].return_at.astimezone(zone).date()
    most = min(14, max(3, (last - first).days // 4))
    if (left - first).days > most or (last - back).days > most:
        yield f"{name} has trips only from {left} to {back}; on other days the car stays at home."
