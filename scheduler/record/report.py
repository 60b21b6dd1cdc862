"""What came of the plans on record: the nights settled as far as it is known what happened, and all that is told."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from models.site.series import Series
from scheduler.inputs.hardware_file import Hardware, read_hardware
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.metering.import_meter import MeterOptions, MeterSeries, meter_series
from scheduler.record.bills import BilledDays, billed_days
from scheduler.record.database import RECORD_FILE, check_sound, set_aside
from scheduler.record.demo import demo_record, has_demo
from scheduler.record.export import export_record
from scheduler.record.payoff import PayOff, pay_off
from scheduler.record.settled import SettledNight, settled_nights
from scheduler.record.store import Record, opened_record
from scheduler.record.take_in import PLANS_FOLDER, TakenIn, take_in_plans
from scheduler.record.totals import Totals, totals
from scheduler.record.update import Happened, Settled, own_series, settle_nights
from scheduler.textio.errors import single_fault
from scheduler.textio.read_text import file_problem

HARDWARE_FILE = "hardware.toml"


@dataclass(frozen=True, slots=True)
class RecordOptions:
    """The options of `overnight record`.

    Attributes
    ----------
    site : the site's folder. meter, car_meter : files of its meter, and of the car's own.
    kinds, columns, clock : how to read them, as in MeterOptions.
    export_to : folder for the tables, or None.
    set_aside : whether a damaged record is renamed and begun again. mark_set : whether the newest plan was set.
    """

    site: Path
    meter: tuple[Path, ...] = ()
    car_meter: Path | None = None
    kinds: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    clock: str = "local"
    export_to: Path | None = None
    set_aside: bool = False
    mark_set: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class CameOf:
    """What came of the plans.

    Attributes
    ----------
    inputs : the site. nights : settled, in the currency of the site's offer. other_currency : how many are in another.
    plans : number of plans on record. taken_in : of the folder of plans. settled : what was settled just now.
    billed : whole local days and their bills. layouts : name of each meter file's layout.
    hardware, paid : the case of the hardware, and when it is paid back; None without `hardware.toml`, or with too few
        nights.
    invented : whether these are the demo's invented evenings. own_plans : plans of the site's own record beside them.
    notes : sentences. written : files.
    """

    inputs: Inputs
    nights: tuple[SettledNight, ...]
    other_currency: int
    plans: int
    taken_in: TakenIn
    settled: Settled
    billed: tuple[BilledDays, ...]
    layouts: dict[str, str]
    hardware: Hardware | None
    paid: PayOff | None
    invented: bool = False
    own_plans: int = 0
    notes: tuple[str, ...] = ()
    written: tuple[Path, ...] = ()

    @property
    def counted(self) -> Totals:
        """Return the totals of the nights that were set; of all where none was."""
        found = totals(self.nights)
        return found.only_set if found.count_set else found


@dataclass(slots=True)
class _Parts:
    """What is gathered on the way."""

    notes: list[str] = field(default_factory=list)
    taken_in: TakenIn = field(default_factory=TakenIn)
    settled: Settled = field(default_factory=Settled)
    metered: MeterSeries | None = None


def what_came_of_it(
    options: RecordOptions, progress: Callable[[int, int], None] = lambda done, of: None, now: datetime | None = None
) -> CameOf:
    """Settle what can be settled, and return what came of the plans on record.

    A site that has no settled night of its own and brings invented ones is shown with these, unless a meter's files
    are given.

    Parameters
    ----------
    progress : told how many evenings are looked at, and of how many. now : names a record that is set aside.

    Raises
    ------
    InputFaults : a file or an option is at fault; the record is damaged; there is no plan.
    NotWrittenError : the record or the tables cannot be written.
    """
    inputs = read_inputs(options.site)
    hardware = _hardware(options.site, inputs)
    parts = _Parts()
    if options.set_aside:
        aside = set_aside(options.site / RECORD_FILE, now or datetime.now(UTC))
        parts.notes.append(
            f"The damaged record is now {aside.name}. A new one was begun from {PLANS_FOLDER}/: what was told of "
            "settings, states of charge and trips is only in the old one, and nights are settled again from the meter."
        )
    happened = _happened(options, inputs, parts)
    if not _has_plans(options.site):
        if has_demo(options.site) and not options.meter:
            return _invented(options, inputs, hardware, 0)
        raise single_fault(options.site, "there is no plan on record; make one with overnight plan")
    with opened_record(options.site) as record:
        check_sound(record.connection, record.file)
        parts.taken_in = take_in_plans(record, options.site, inputs.site.name, inputs.site.timezone)
        plans = record.plans()
        if options.mark_set:
            _mark_newest(record, now or datetime.now(UTC))
        if has_demo(options.site) and not options.meter and not settled_nights(record):
            return _invented(options, inputs, hardware, len(plans))
        parts.settled = settle_nights(record, inputs, happened, progress)
        return _came_of(options, inputs, hardware, record, parts)


def _has_plans(site: Path) -> bool:
    return (site / RECORD_FILE).exists() or (site / PLANS_FOLDER).is_dir()


def _hardware(site: Path, inputs: Inputs) -> Hardware | None:
    """Return the hardware's case where the site's folder has one, in the offer's currency."""
    file = site / HARDWARE_FILE
    if file_problem(file) is not None:
        return None
    hardware = read_hardware(file)
    if hardware.currency != inputs.offer.currency:
        message = f"found {hardware.currency}; expected {inputs.offer.currency}, the currency of {inputs.offer.name}"
        raise single_fault(file, message, key="currency")
    return hardware


def _happened(options: RecordOptions, inputs: Inputs, parts: _Parts) -> Happened | None:
    """Return what happened: by the meter's files where some are given, else by the site's own series."""
    if not options.meter:
        if options.car_meter is not None:
            raise single_fault("--car-meter", "given without --meter; expected the building's meter as well")
        return own_series(inputs)
    asked = MeterOptions(
        files=options.meter,
        site=options.site,
        car=options.car_meter,
        kinds=options.kinds,
        clock=options.clock,
        columns=options.columns,
    )
    parts.metered = read = meter_series(asked, inputs.site.timezone)
    load, factor = read.load, 60 / read.load.step_minutes
    solar = inputs.solar
    if load.solar_kwh is not None:
        if inputs.site.solar_file is None:
            message = "the files count solar, and site.toml names none; expected solar under [data] (see read-meter)"
            raise single_fault("--meter", message)
        solar = Series(load.start, load.solar_kwh * factor, load.step_minutes)
    elif solar is not None:
        parts.notes.append("The meter files hold no solar; it is taken from the site's own series.")
    if options.car_meter is None:
        parts.notes.append(
            "The meter's load counts as the building's alone. If the car charges behind this meter, give --car-meter."
        )
    parts.notes += read.notes
    gaps = tuple((gap.begin.to_pydatetime(), gap.end.to_pydatetime()) for gap in load.filled)
    return Happened(Series(load.start, load.load_kwh * factor, load.step_minutes), solar, "meter", gaps)


def _mark_newest(record: Record, at: datetime) -> None:
    newest = record.plans(1)
    if not newest:
        raise single_fault(record.file, "there is no plan on record; make one with overnight plan")
    record.mark_set(newest[0].start, at)


def _invented(options: RecordOptions, inputs: Inputs, hardware: Hardware | None, own_plans: int) -> CameOf:
    """Return what came of the demo's invented evenings."""
    with demo_record(options.site) as record:
        found = _came_of(options, inputs, hardware, record, _Parts())
    return replace(found, invented=True, own_plans=own_plans)


def _came_of(
    options: RecordOptions, inputs: Inputs, hardware: Hardware | None, record: Record, parts: _Parts
) -> CameOf:
    """Return what a record holds, and write its tables where they are asked for."""
    every = settled_nights(record)
    nights = tuple(night for night in every if night.currency == inputs.offer.currency)
    counted = totals(nights)
    counted = counted.only_set if counted.count_set else counted
    metered = None if parts.metered is None else parts.metered.flows
    written: tuple[Path, ...] = ()
    if options.export_to is not None:
        written = export_record(record, options.export_to, inputs.site.timezone)
    return CameOf(
        inputs=inputs,
        nights=nights,
        other_currency=len(every) - len(nights),
        plans=len(record.plans()),
        taken_in=parts.taken_in,
        settled=parts.settled,
        billed=tuple(billed_days(record, inputs, metered)),
        layouts={} if parts.metered is None else dict(parts.metered.layouts),
        hardware=hardware,
        paid=None if hardware is None else pay_off(counted, hardware, inputs.site.timezone),
        notes=tuple(parts.notes),
        written=written,
    )
