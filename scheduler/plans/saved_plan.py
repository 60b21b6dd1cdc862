"""Saved plans: the `plan.json` and `schedule.csv` of a folder, read back strictly."""

from __future__ import annotations

import csv
import io
import json
import re
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from models.drive.pace import Pace
from scheduler.inputs.control_mode import CHARGING, Action, SetBy
from scheduler.textio.bounds import OUTSIDE_DEGC
from scheduler.textio.errors import InputFaults, shown, single_fault
from scheduler.textio.read_text import file_problem, folder_problem, read_text

FORMAT = 1
PLAN_FILE, SCHEDULE_FILE = "plan.json", "schedule.csv"
NOT_RECORDED_FILE = "not-recorded"
"""A file of this name in a plan's folder keeps the plan out of the site's record: it was made for a study."""
FOLDER_NAME = re.compile(r"\d{4}-\d{2}-\d{2}T\d{4}([+-]\d{4})?")
MOST_MEGABYTES = 20
MOST_CANCELLED = 10_000
FIRST_YEAR, LAST_YEAR = 1900, 9998
"""Instants outside these years cannot be written in every time zone."""
SAME_KW = 0.001
"""Powers closer than this are the same [kW]; files keep far more digits."""


def _instant(value: object) -> object:
    """Return an instant given as ISO 8601 text; refuse a number of seconds."""
    if isinstance(value, str):
        value = datetime.fromisoformat(value)
    if not isinstance(value, datetime) or not FIRST_YEAR <= value.year <= LAST_YEAR:
        raise ValueError("not an instant")
    return value


def _timezone(name: str) -> str:
    """Return the name if it is that of an IANA time zone."""
    try:
        ZoneInfo(name)
    except (KeyError, OSError) as error:
        raise ValueError("not a time zone") from error
    return name


Finite = Annotated[float, Field(allow_inf_nan=False)]
Percent = Annotated[float, Field(ge=0, le=100)]
Positive = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Instant = Annotated[datetime, BeforeValidator(_instant)]
Timezone = Annotated[str, AfterValidator(_timezone)]
Cancelled = Annotated[int, Field(ge=0, le=MOST_CANCELLED)]


class _SavedRecord(BaseModel):
    """Part of a document. Unknown keys are ignored, so that a plan may say more."""

    model_config = ConfigDict(strict=True, extra="ignore", frozen=True, arbitrary_types_allowed=True)


class SavedBlock(_SavedRecord):
    """A block as it was planned; `kw` [kW] and `amps` [A per phase] are positive.

    It ends before `end` at a state of charge of `stop_percent` or `until_percent` [%]. `look_at` is when the car is
    first to be looked at for that; None where nothing needs to be looked at. From a draw of `from_kw` [kW] on it covers
    the building, and from a surplus of `surplus_from_kw` on it takes it; None: from the charger's least power on.
    """

    start: Instant
    end: Instant
    action: Action
    kw: Positive
    amps: Positive
    stop_percent: Percent | None = None
    until_percent: Percent | None = None
    from_kw: Positive | None = None
    surplus_from_kw: Positive | None = None
    look_at: Instant | None = None
    reason: str


class SavedTrip(_SavedRecord):
    """A trip as it was planned."""

    depart: Instant
    return_at: Annotated[Instant, Field(alias="return")]
    distance_km: Positive
    pace: Pace = "usual"
    target_percent: Positive
    planned_percent: Finite
    ready_at: Instant | None
    chance_short: Annotated[float, Field(ge=0, le=1)] | None = None


class SavedHomeAt(_SavedRecord):
    """When the car was to come home, at the earliest and at the latest."""

    earliest: Instant
    latest: Instant


class SavedWorth(_SavedRecord):
    """What stored energy was worth at the end: worth [money] at states of charge [%], straight in between."""

    soc_percent: list[Finite]
    worth: list[Finite]


class SavedLimits(_SavedRecord):
    """What the network operator approved, and what the charger can do: powers [kW], volts [V] and phases.

    `export_limits_kw` holds the export limit of each interval where it varies over the night.
    """

    import_limit_kw: Positive
    export_limit_kw: Positive
    export_limits_kw: list[Positive] | None = None
    charge_min_kw: Positive
    charge_max_kw: Positive
    discharge_min_kw: Positive
    discharge_max_kw: Positive
    discharge_to: Literal["building-and-grid", "building"]
    volts: Positive
    phases: Annotated[int, Field(ge=1, le=3)]


class SavedRow(_SavedRecord):
    """One interval of the schedule: powers [kW], the setpoint positive for charging; states of charge [%]."""

    start: Instant
    end: Instant
    state: Literal["charge", "discharge", "idle", "away"]
    charge_kw: Positive
    discharge_kw: Positive
    setpoint_kw: Finite
    load_kw: Positive
    solar_kw: Positive
    curtailed_kw: Positive
    soc_start_percent: Finite
    soc_end_percent: Finite


class SavedSoFar(_SavedRecord):
    """What the meter had counted when the plan was made; None where it is not known.

    `peak_kw` is the highest mean of the month [kW]; energies [kWh] are by the number of the offer's band.
    """

    peak_kw: Positive | None = None
    imported_kwh: dict[str, Positive] | None = None
    exported_kwh: dict[str, Positive] | None = None


class SavedCosts(_SavedRecord):
    """Unweighted battery wear of the plan [money]: in total, and by cycling alone."""

    wear: Finite
    cycle_wear: Finite | None = None


class SavedPlan(_SavedRecord):
    """A plan as it was saved.

    Attributes
    ----------
    evening : start of the evening's first plan.
    revision : number of replans since then.
    past_blocks, past_trips : those that were over, or were cut short, when the plan was made.
    cancelled_blocks, cancelled_trips : how many more an earlier revision had.
    soc_start_percent : at the start, or on arrival with home_at [%]; None if it does not say.
    home_at : when the car comes home; None if it is home.
    stored_energy_price_per_kwh, stored_energy_value : what energy left at the end is worth [money per kWh], and by
        state of charge; None if it does not say.
    wear_weight : factor on wear; None if it does not say.
    saving : what it was to save against charging on return [money]; None if it does not say.
    highest_soc_today_percent : what was known or assumed of the day before the plan [%]; None if it does not say.
    first_sentences : what a reader is to see first. tonight_until : what begins after that is planned again; None if
        the plan does not say.
    outside_degc : temperature outside that trips were planned for [°C]; None if none was given.
    rows : the intervals of `schedule.csv`.
    folder : where the plan was read from.
    """

    format: int
    site: str
    offer: str
    currency: str
    timezone: Timezone
    start: Instant
    end: Instant
    status: Literal["optimal", "target-missed"]
    headline: str
    first_sentences: list[str] = []
    tonight_until: Instant | None = None
    set_by: SetBy
    evening: Instant
    revision: Annotated[int, Field(ge=0)]
    blocks: list[SavedBlock]
    past_blocks: list[SavedBlock]
    cancelled_blocks: Cancelled = 0
    past_trips: list[SavedTrip] = []
    trips: list[SavedTrip]
    cancelled_trips: Cancelled = 0
    limits: SavedLimits
    so_far: SavedSoFar = SavedSoFar()
    costs: SavedCosts | None = None
    wear_law: str = "depth"
    wear_weight: Positive | None = None
    soc_start_percent: Finite | None = None
    home_at: SavedHomeAt | None = None
    stored_energy_price_per_kwh: Finite | None = None
    stored_energy_value: SavedWorth | None = None
    saving: Finite | None = None
    highest_soc_today_percent: Percent | None = None
    outside_degc: Annotated[float, OUTSIDE_DEGC] | None = None
    cautions: list[str]
    rows: list[SavedRow] = []
    folder: Path = Path()


def read_saved_plan(folder: Path) -> SavedPlan:
    """Read the plan in a folder.

    Raises
    ------
    InputFaults : the plan is missing or damaged, a newer version wrote it, or its two files disagree.
    """
    problem = folder_problem(folder)
    if problem is not None:
        raise single_fault(folder, problem)
    document = _document(folder / PLAN_FILE)
    return _saved_plan(
        document, _rows(read_text(folder / SCHEDULE_FILE, MOST_MEGABYTES), folder / SCHEDULE_FILE), folder
    )


def parse_saved_plan(plan_text: str, schedule_text: str, folder: Path) -> SavedPlan:
    """Parse a plan from the text of its two files.

    Parameters
    ----------
    folder : what faults name as the place of the files.

    Raises
    ------
    InputFaults : as read_saved_plan, for what the files hold.
    """
    document = _parsed_document(plan_text, folder / PLAN_FILE)
    return _saved_plan(document, _rows(schedule_text, folder / SCHEDULE_FILE), folder)


def _saved_plan(document: dict[str, Any], rows: list[SavedRow], folder: Path) -> SavedPlan:
    """Return the plan that a document and the rows of its schedule make, checked."""
    try:
        plan = SavedPlan.model_validate({**document, "rows": rows, "folder": folder})
    except ValidationError as error:
        key, problem = _first_problem(error)
        raise single_fault(folder / PLAN_FILE, f"this plan is damaged: {problem}", key=key) from None
    _check(plan)
    return plan


def newest_plan(plans: Path) -> Path:
    """Return the folder of the plan that starts last; other folders are ignored.

    Raises
    ------
    InputFaults : there is no plan.
    """
    found = [(_start_of(folder), folder.name, folder) for folder in plan_folders(plans)]
    if not found:
        raise single_fault(plans, "there is no plan here; make one with overnight plan")
    return max(found)[2]


def plans_started(plans: Path, after: datetime, before: datetime) -> list[Path]:
    """Return the folders of the plans that start between two instants, the latest first; none if there is no folder.

    Raises
    ------
    InputFaults : the folder cannot be read.
    """
    spare = timedelta(days=1)  # names have local time, with or without its offset
    near = [folder for folder in plan_folders(plans) if after - spare <= _named_start(folder) <= before + spare]
    found = [(_start_of(folder), folder.name, folder) for folder in near]
    return [each[2] for each in sorted(found, reverse=True) if after.timestamp() <= each[0] < before.timestamp()]


def plan_folders(plans: Path) -> list[Path]:
    """Return the folders that hold a plan, in no order; none if there is no folder of plans.

    Raises
    ------
    InputFaults : the folder cannot be read.
    """
    try:
        folders = list(plans.iterdir()) if folder_problem(plans) is None else []
    except OSError as error:
        raise single_fault(plans, f"it cannot be read: {(error.strerror or 'unknown').lower()}") from None
    return [folder for folder in folders if _named_by_an_instant(folder) and file_problem(folder / PLAN_FILE) is None]


def _named_by_an_instant(folder: Path) -> bool:
    """Return whether the folder is named after an instant, as every plan is."""
    try:
        return bool(FOLDER_NAME.fullmatch(folder.name)) and bool(_named_start(folder))
    except ValueError:
        return False


def _named_start(folder: Path) -> datetime:
    """Return the instant in the folder's name, read as UTC."""
    return datetime.strptime(folder.name[:15] + "+0000", "%Y-%m-%dT%H%M%z")


def _start_of(folder: Path) -> float:
    """Return the start of a plan [s since 1970]; for one that cannot be read, that of its name."""
    try:
        return datetime.fromisoformat(str(_document(folder / PLAN_FILE)["start"])).timestamp()
    except (InputFaults, ValueError, KeyError, OverflowError):
        return _named_start(folder).timestamp()


def _document(file: Path) -> dict[str, Any]:
    """Read `plan.json` and check its format."""
    return _parsed_document(read_text(file, MOST_MEGABYTES), file)


def _parsed_document(text: str, file: Path) -> dict[str, Any]:
    """Return what `plan.json` holds, and check its format."""
    try:
        document = json.loads(text)
        json.dumps(document, ensure_ascii=False).encode()  # refuses half a surrogate pair, which UTF-8 cannot hold
    except (ValueError, RecursionError):
        raise single_fault(file, "this plan is damaged: it is not JSON") from None
    if not isinstance(document, dict):
        raise single_fault(file, "this plan is damaged: it is not a JSON object")
    written = document.get("format")
    if isinstance(written, int) and not isinstance(written, bool) and written > FORMAT:
        message = f"this plan was written by a newer version: format {shown(written)}; this version reads {FORMAT}"
        raise single_fault(file, message, key="format")
    if written != FORMAT or isinstance(written, bool):
        raise single_fault(file, f"this is not a plan: found {shown(written)}; expected {FORMAT}", key="format")
    return document


def _rows(text: str, file: Path) -> list[SavedRow]:
    """Parse the rows of `schedule.csv`; a fault names its line."""
    reader = csv.DictReader(io.StringIO(text, newline=""))
    rows: list[SavedRow] = []
    try:
        if not set(SavedRow.model_fields) <= set(reader.fieldnames or ()):
            raise single_fault(file, "this schedule is damaged: a column is missing", 1)
        for row in reader:
            rows.append(_row(row))
            _check_powers(rows[-1], file, reader.line_num)
    except ValidationError as error:
        key, problem = _first_problem(error)
        raise single_fault(file, f"this schedule is damaged: {problem}", reader.line_num, key) from None
    except (TypeError, ValueError):
        raise single_fault(file, "this schedule is damaged: a number cannot be read", reader.line_num) from None
    except csv.Error:
        raise single_fault(file, "this schedule is damaged: it is not CSV", reader.line_num + 1) from None
    if not rows:
        raise single_fault(file, "this schedule is damaged: it has no rows")
    return rows


def _row(row: dict[str, str]) -> SavedRow:
    named = {
        name: float(row[name]) if name.endswith(("kw", "percent")) else row[name] for name in SavedRow.model_fields
    }
    return SavedRow.model_validate(named)


def _first_problem(error: ValidationError) -> tuple[str, str]:
    """Return the key of the first fault, and what is wrong with it."""
    first = error.errors()[0]
    problem = "missing" if first["type"] == "missing" else f"found {shown(first['input'])}"
    return ".".join(str(part) for part in first["loc"]), problem


def _check_powers(row: SavedRow, file: Path, line: int) -> None:
    """Refuse a row whose state, powers and setpoint disagree."""
    charge_kw = 0.0 if row.state == "charge" else row.charge_kw
    discharge_kw = 0.0 if row.state == "discharge" else row.discharge_kw
    if max(charge_kw, discharge_kw) > SAME_KW or abs(row.charge_kw - row.discharge_kw - row.setpoint_kw) > SAME_KW:
        raise single_fault(file, "this schedule is damaged: state, powers and setpoint disagree", line)


def _check(plan: SavedPlan) -> None:
    """Refuse a plan whose two files disagree, or whose times are out of order."""
    file = plan.folder / PLAN_FILE
    instants = [plan.start, plan.end, plan.evening]
    instants += [each for row in plan.rows for each in (row.start, row.end)]
    instants += [each for block in (*plan.past_blocks, *plan.blocks) for each in (block.start, block.end)]
    instants += [block.look_at for block in (*plan.past_blocks, *plan.blocks) if block.look_at is not None]
    trips = (*plan.past_trips, *plan.trips)
    instants += [each for trip in trips for each in (trip.depart, trip.return_at, trip.ready_at) if each is not None]
    if any(instant.utcoffset() is None for instant in instants):
        raise single_fault(file, "this plan is damaged: a time has no offset")
    if plan.rows[0].start != plan.start or plan.rows[-1].end != plan.end:
        raise single_fault(file, f"this plan is damaged: {SCHEDULE_FILE} covers another time")
    if any(row.end <= row.start for row in plan.rows) or any(a.end != b.start for a, b in pairwise(plan.rows)):
        raise single_fault(plan.folder / SCHEDULE_FILE, "this schedule is damaged: rows do not follow each other")
    if plan.evening > plan.start:
        raise single_fault(file, "this plan is damaged: it begins before its evening", key="evening")
    if any(trip.return_at <= trip.depart for trip in trips):
        raise single_fault(file, "this plan is damaged: a trip returns before it departs", key="trips")
    for block in plan.blocks:
        if not plan.start <= block.start < block.end <= plan.end:
            raise single_fault(file, "this plan is damaged: a block lies outside it")
        if block.look_at is not None and not block.start <= block.look_at < block.end:
            message = "this plan is damaged: a block is to be looked at when it is not set"
            raise single_fault(file, message, key="blocks")
    if any(block.end > plan.start for block in plan.past_blocks):
        raise single_fault(file, "this plan is damaged: a past block is not over", key="past_blocks")
    blocks = (*plan.past_blocks, *plan.blocks)
    if any(block.end <= block.start for block in blocks) or any(a.end > b.start for a, b in pairwise(blocks)):
        raise single_fault(file, "this plan is damaged: blocks do not follow each other", key="blocks")
    home_at, worth = plan.home_at, plan.stored_energy_value
    if home_at is not None and (home_at.earliest.utcoffset() is None or home_at.latest.utcoffset() is None):
        raise single_fault(file, "this plan is damaged: a time has no offset", key="home_at")
    if worth is not None and (
        len(worth.soc_percent) != len(worth.worth)
        or len(worth.worth) < 2
        or any(later < earlier for earlier, later in pairwise(worth.soc_percent))
    ):
        raise single_fault(file, "this plan is damaged: it values no states of charge", key="stored_energy_value")
    limits = plan.limits.export_limits_kw
    if limits is not None and len(limits) != len(plan.rows):
        raise single_fault(
            file, f"this plan is damaged: its export limits do not match the rows of {SCHEDULE_FILE}", key="limits"
        )
    _check_charger_limits(plan)


def _check_charger_limits(plan: SavedPlan) -> None:
    """Refuse a plan with a block or a row beyond the charger's maximum power."""
    charge, discharge = plan.limits.charge_max_kw + SAME_KW, plan.limits.discharge_max_kw + SAME_KW
    most_kw = dict.fromkeys(CHARGING, charge) | {"balance": min(charge, discharge)}
    if any(block.kw > most_kw.get(block.action, discharge) for block in plan.blocks):
        message = "this plan is damaged: a block exceeds the charger's maximum power"
        raise single_fault(plan.folder / PLAN_FILE, message, key="blocks")
    if any(row.charge_kw > charge or row.discharge_kw > discharge for row in plan.rows):
        message = "this schedule is damaged: a power exceeds the charger's maximum"
        raise single_fault(plan.folder / SCHEDULE_FILE, message)
