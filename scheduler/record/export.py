"""A record as tidy tables: plans, settled nights, their flows, and what was told, each in a CSV file.

Text that a person may have written is written so that no spreadsheet takes it for a formula: a cell that begins with
one of = + - @, a tab or a line's end is written with an apostrophe before it.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

from scheduler.record.settled import FIGURES, FLOW_COLUMNS, WAYS, NightFlows, SettledNight, night_flows, settled_nights
from scheduler.record.store import Record, RecordedPlan
from scheduler.render.table import Cell, Column, Table, csv_text
from scheduler.textio.format import local_iso
from scheduler.textio.write import write_together

FORMULA_BEGINS = ("=", "+", "-", "@", "\t", "\r", "\n")
PLANS_CSV, NIGHTS_CSV, FLOWS_CSV, STATES_CSV, TRIPS_CSV = (
    f"{name}.csv" for name in ("plans", "nights", "flows", "states", "trips")
)
TEXTS = ("why", "offer", "currency")
WHOLE = ("was_set", "departures", "short")


def plain_text(text: str) -> str:
    """Return text as a cell that no spreadsheet takes for a formula.

    Examples
    --------
    >>> plain_text("=2+3"), plain_text("Evening feed-in")
    ("'=2+3", 'Evening feed-in')
    """
    return f"'{text}" if text.startswith(FORMULA_BEGINS) else text


def written_text(cell: str) -> str:
    """Return the text that plain_text made a cell of.

    Examples
    --------
    >>> written_text("'=2+3"), written_text("'twas"), written_text(plain_text("-1"))
    ('=2+3', "'twas", '-1')
    """
    return cell[1:] if cell.startswith("'") and cell[1:].startswith(FORMULA_BEGINS) else cell


def export_texts(record: Record, timezone: str) -> dict[str, str]:
    """Return the tables of a record as CSV text, by name of the file; instants are local, with their offset."""
    nights = settled_nights(record)
    return {
        PLANS_CSV: csv_text(_plans(record, timezone)),
        NIGHTS_CSV: csv_text(_nights(nights, timezone)),
        FLOWS_CSV: csv_text(_flows(record, nights, timezone)),
        STATES_CSV: csv_text(_states(record, timezone)),
        TRIPS_CSV: csv_text(_trips(record, timezone)),
    }


def export_record(record: Record, folder: Path, timezone: str) -> tuple[Path, ...]:
    """Write the tables of a record into a folder, all of them or none; those of an earlier export are replaced.

    Returns
    -------
    The files.

    Raises
    ------
    NotWrittenError : nothing was written.
    """
    texts = export_texts(record, timezone)
    write_together({folder / name: text for name, text in texts.items()})
    return tuple(folder / name for name in texts)


def _plans(record: Record, timezone: str) -> Table:
    names = ("start", "evening", "end", "revision", "made_at", "set_at", "handed_over_at", "offer", "status")
    numbers = ("soc_start_percent", "soc_end_percent", "trips", "planned_total", "planned_saving", "chance_short")
    columns = (*map(Column, names), *(Column(name, kind="number") for name in numbers), Column("headline"))
    rows = [_plan_row(plan, timezone) for plan in reversed(record.plans())]
    return Table(columns, tuple(rows))


def _plan_row(plan: RecordedPlan, timezone: str) -> tuple[Cell, ...]:
    said = plan.document

    def number(value: Any) -> float | None:
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None

    def text(value: Any) -> str:
        return plain_text(value) if isinstance(value, str) else ""

    costs, trips = said.get("costs"), said.get("trips")
    chances = [number(trip.get("chance_short")) for trip in trips or () if isinstance(trip, dict)]
    told = [chance for chance in chances if chance is not None]
    return (
        *(_local(each, timezone) for each in (plan.start, plan.evening, plan.end)),
        str(plan.revision),
        *(_local(each, timezone) for each in (plan.made_at, plan.set_at, plan.handed_over_at)),
        text(said.get("offer")),
        text(said.get("status")),
        number(said.get("soc_start_percent")),
        number(said.get("soc_end_percent")),
        float(len(trips)) if isinstance(trips, list) else None,
        number(costs.get("total")) if isinstance(costs, dict) else None,
        number(said.get("saving")),
        max(told) if told and len(told) == len(chances) else None,
        text(said.get("headline")),
    )


def _nights(nights: list[SettledNight], timezone: str) -> Table:
    derived = ("earned_on_return", "earned_charge_only")
    columns = tuple(_column(name) for name in ("begin", "end", *FIGURES, *derived))
    rows = [
        (
            _local(night.begin, timezone),
            _local(night.end, timezone),
            *(_cell(name, getattr(night, name)) for name in (*FIGURES, *derived)),
        )
        for night in nights
    ]
    return Table(columns, tuple(rows))


def _column(name: str) -> Column:
    return Column(name, kind="text" if name in ("begin", "end", *TEXTS, *WHOLE) else "number")


def _cell(name: str, value: Any) -> Cell:
    if name in WHOLE:
        return str(int(value))
    return plain_text(value) if isinstance(value, str) else value


def _flows(record: Record, nights: list[SettledNight], timezone: str) -> Table:
    texts = (Column("night"), Column("way"), Column("start"), Column("minutes"))
    columns = (*texts, *(Column(name, kind="number") for name in FLOW_COLUMNS))
    rows = [
        (_local(night.begin, timezone), way, *row)
        for night in nights
        for way in WAYS
        for row in _flow_rows(night_flows(record, night.begin, way), timezone)
    ]
    return Table(columns, tuple(rows))


def _flow_rows(flows: NightFlows, timezone: str) -> Iterator[tuple[Cell, ...]]:
    starts = (local_iso(start.to_pydatetime(), timezone) for start in flows.start)
    columns = (flows.columns[name].tolist() for name in FLOW_COLUMNS)
    for start, minutes, *numbers in zip(starts, flows.minutes.tolist(), *columns, strict=True):
        yield (start, str(minutes), *numbers)


def _states(record: Record, timezone: str) -> Table:
    rows = [(_local(state.at, timezone), state.kind, state.soc_percent) for state in record.states()]
    return Table((Column("at"), Column("kind"), Column("soc_percent", kind="number")), tuple(rows))


def _trips(record: Record, timezone: str) -> Table:
    numbers = ("distance_km", "soc_used_percent", "outside_degc")
    columns = (Column("depart"), Column("return"), Column("pace"), *(Column(name, kind="number") for name in numbers))
    rows = [
        (
            _local(driven.trip.depart_at, timezone),
            _local(driven.trip.return_at, timezone),
            driven.trip.pace,
            driven.trip.distance_km,
            driven.trip.soc_used_percent,
            driven.outside_degc,
        )
        for driven in record.trips()
    ]
    return Table(columns, tuple(rows))


def _local(instant: datetime | None, timezone: str) -> str:
    return "" if instant is None else local_iso(instant, timezone)
