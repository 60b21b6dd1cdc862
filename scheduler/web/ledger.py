"""What a site's record holds of its nights; of a demo site without nights of its own, the invented ones."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TypeVar

from scheduler.inputs.hardware_file import read_hardware
from scheduler.inputs.site_inputs import Inputs
from scheduler.record.bills import BilledDays, billed_days
from scheduler.record.demo import DEMO_FOLDER, demo_record, has_demo
from scheduler.record.payoff import pay_off, pay_off_sentences
from scheduler.record.report import HARDWARE_FILE
from scheduler.record.settled import SettledNight, settled_nights
from scheduler.record.store import DrivenTrip, Record, ToldState
from scheduler.record.totals import Totals, totals
from scheduler.textio.errors import InputFaults, NotWrittenError
from scheduler.web.context import Visit
from scheduler.web.sites import WebSite, signature

Found = TypeVar("Found")


@dataclass(frozen=True, slots=True, eq=False)
class Ledger:
    """The nights of a record.

    Attributes
    ----------
    nights : settled, in the currency of the site's offer where that is known, in time order.
    evenings : starts of all evenings that were planned, UTC. invented : whether these are the demo's.
    states, trips : as told. bills : of whole days that settled nights cover. hardware : sentences on its pay-off.
    """

    nights: tuple[SettledNight, ...] = ()
    evenings: tuple[datetime, ...] = ()
    invented: bool = False
    states: tuple[ToldState, ...] = ()
    trips: tuple[DrivenTrip, ...] = ()
    bills: tuple[BilledDays, ...] = ()
    hardware: tuple[str, ...] = ()

    @property
    def counted(self) -> Totals:
        """Return the totals of the nights that were set; of all where none was, as `overnight record` counts."""
        found = totals(self.nights)
        return found.only_set if found.count_set else found


def ledger(visit: Visit) -> Ledger:
    """Return what the site's record holds; nothing, with a notice, where it cannot be read."""
    try:
        inputs: Inputs | None = visit.inputs()
    except InputFaults:
        inputs = None
    try:
        with visit.record() as record:
            own = Ledger() if record is None else _read(record, inputs, visit)
        if own.nights or not has_demo(visit.site.folder):
            return own
        invented = _invented(visit.site, inputs, visit)
        return replace(
            invented,
            evenings=own.evenings,
            invented=True,
            states=(*own.states, *invented.states),
            trips=(*own.trips, *invented.trips),
        )
    except (InputFaults, NotWrittenError) as error:
        visit.notices.append(visit.words(error))
        return Ledger()


def _read(record: Record, inputs: Inputs | None, visit: Visit) -> Ledger:
    every = settled_nights(record)
    nights = [night for night in every if inputs is None or night.currency == inputs.offer.currency]
    if len(nights) < len(every):
        visit.notices.append(f"Nights in another currency, left out of every sum: {len(every) - len(nights)}.")
    bills: list[BilledDays] = []
    if inputs is not None and nights:
        bills = _tried(lambda: billed_days(record, inputs), [], visit)
    found = Ledger(
        tuple(nights),
        tuple(record.evenings()),
        states=tuple(record.states()),
        trips=tuple(record.trips()),
        bills=tuple(bills),
    )
    if inputs is None or not nights:
        return found
    nothing: tuple[str, ...] = ()
    hardware = _tried(lambda: _hardware(visit.site, inputs, found.counted), nothing, visit)
    return replace(found, hardware=hardware)


def _hardware(site: WebSite, inputs: Inputs, counted: Totals) -> tuple[str, ...]:
    """Return when the hardware is paid back, where the site's folder says what it costs in the offer's currency."""
    file = site.folder / HARDWARE_FILE
    if not file.is_file():
        return ()
    hardware = read_hardware(file)
    if hardware.currency != inputs.offer.currency:
        return ()
    paid = pay_off(counted, hardware, inputs.site.timezone)
    return tuple(pay_off_sentences(paid, counted.count, hardware))


def _tried(read: Callable[[], Found], otherwise: Found, visit: Visit) -> Found:
    """Return what is read; else, with a notice, what stands for it."""
    try:
        return read()
    except (InputFaults, ValueError) as error:
        visit.notices.append(visit.words(error))
        return otherwise


def _invented(site: WebSite, inputs: Inputs | None, visit: Visit) -> Ledger:
    """Return the demo's evenings, read again once their files or the site's change."""
    files = sorted((site.folder / DEMO_FOLDER).glob("*.csv"))
    key = (signature(files), None if inputs is None else signature(inputs.files))
    kept = site.invented
    if kept is None or kept[0] != key:
        with demo_record(site.folder) as record:
            kept = site.invented = (key, _read(record, inputs, visit))
    found = kept[1]
    assert isinstance(found, Ledger)
    return found
