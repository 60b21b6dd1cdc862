"""Report what `read-meter` read and wrote: as a short text for the owner, or as JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence

import pandas as pd

from models.base.arrays import FloatArray
from scheduler.inputs.site_file import SITE_FILE
from scheduler.metering.align_channels import Gap, channel_text
from scheduler.metering.fill_gaps import Filled, gap_text
from scheduler.metering.import_meter import MeterResult
from scheduler.render.table import Column, Table, json_rows
from scheduler.render.terminal import table_text
from scheduler.textio.format import day_clock_text, number_text
from scheduler.textio.parse_time import local_text

WIDTH = 80
MOST_LINES = 10
"""Most gaps that the text lists one by one."""


def meter_report(result: MeterResult) -> str:
    """Return the text for the owner."""
    flows, load, zone = result.flows, result.load, result.timezone
    begin, end = flows.start[0], flows.end
    days = (end - begin) / pd.Timedelta(days=1)
    lines = [
        f"{result.site_name}: {day_clock_text(begin.to_pydatetime(), zone)} to "
        f"{day_clock_text(end.to_pydatetime(), zone)}, "
        f"{f'{days:.1f}'.removesuffix('.0')} days in intervals of {flows.step_minutes} minutes.",
        table_text(_channel_table(result), WIDTH),
        f"Load {_kwh(load.load_kwh)} kWh" + _solar_text(load.solar_kwh) + ".",
    ]
    if load.filled:
        lines += ["", f"Gaps that were filled: {len(load.filled)}"]
        lines += _first([f"  {gap.series} {gap_text(gap, zone)}: {gap.how}" for gap in load.filled])
    if result.notes:
        lines += ["", "Notes", *(f"  {note}" for note in result.notes)]
    lines += ["", f"Written to {' and '.join(str(path) for path in result.written)}."]
    if result.line_to_add is not None:
        lines.append(f"Add this line to {SITE_FILE} under [data]: {result.line_to_add}")
    return "\n".join(lines)


def meter_json(result: MeterResult) -> str:
    """Return the JSON text, with every gap and every channel; instants local with their offset, energies in kWh."""
    flows, load, zone = result.flows, result.load, result.timezone
    channels = json_rows(_channel_table(result))
    document = {
        "site": result.site_name,
        "span": {"begin": local_text(flows.start[0], zone), "end": local_text(flows.end, zone)},
        "step_minutes": flows.step_minutes,
        "files_read": dict(result.layouts),
        "channels": channels[: len(flows.channels)],
        "car_channels": channels[len(flows.channels) :],
        "load_kwh": _energy(load.load_kwh),
        "solar_kwh": None if load.solar_kwh is None else _energy(load.solar_kwh),
        "estimated_steps": flows.estimated,
        "gaps": [{"channel": gap.channel, **_span(gap, zone)} for gap in flows.gaps],
        "filled": [{"series": gap.series, **_span(gap, zone), "how": gap.how} for gap in load.filled],
        "notes": list(result.notes),
        "files_written": [str(path) for path in result.written],
        "line_to_add": result.line_to_add,
    }
    return json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def _channel_table(result: MeterResult) -> Table:
    """Return a table with a row per channel, those of the car's meter last."""
    columns = (
        *(Column(key) for key in ("meter", "name", "kind")),
        *(Column(heading=name) for name in ("Channel", "Counts")),
        Column("kwh", "kWh", kind="number", digits=1),
        Column("steps"),
        Column("estimated_steps", "Estimated", kind="number"),
    )
    car = () if result.car is None else result.car.channels
    channels = [*((each, each.kind) for each in result.flows.channels), *((each, f"car {each.kind}") for each in car)]
    rows = (
        (
            each.meter,
            each.name,
            each.kind,
            channel_text(each),
            counts,
            round(each.kwh, 9),
            each.values,
            each.estimated,
        )
        for each, counts in channels
    )
    return Table(columns, tuple(rows))


def _solar_text(solar_kwh: FloatArray | None) -> str:
    return ", no solar" if solar_kwh is None else f", solar {_kwh(solar_kwh)} kWh"


def _first(lines: Sequence[str]) -> list[str]:
    """Return the first lines, and how many more there are."""
    rest = len(lines) - MOST_LINES
    return list(lines) if rest <= 0 else [*lines[:MOST_LINES], f"  and {rest} more"]


def _span(gap: Gap | Filled, timezone: str) -> dict[str, str]:
    return {"begin": local_text(gap.begin, timezone), "end": local_text(gap.end, timezone)}


def _kwh(kwh: FloatArray) -> str:
    return number_text(_energy(kwh), 1)


def _energy(kwh: FloatArray) -> float:
    return round(float(kwh.sum()), 9)
