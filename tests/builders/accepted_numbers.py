"""The section "What numbers are accepted" of the page on file formats, written from the bounds of the program itself.

`python -m tests.builders.accepted_numbers` prints it, to be put at the end of the page when a bound changes.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import timedelta

from scheduler.diagnostics.losses_file import MOST_POINTS
from scheduler.diagnostics.trace_file import MOST_ROWS as MOST_TRACE_ROWS
from scheduler.inputs.hardware_file import HardwareTable
from scheduler.inputs.offer_schema import (
    ConnectionFeeTable,
    DemandTable,
    DiscountTable,
    ExportTable,
    ImportTable,
    MarketTable,
    OfferTable,
    TaxTable,
)
from scheduler.inputs.series_file import LEAST_STEP_MINUTES, MOST_STEP_MINUTES
from scheduler.inputs.site_schema import (
    CarTable,
    ChargerTable,
    ConnectionTable,
    DataTable,
    ExportWindowTable,
    PlanTable,
    RootTable,
    UsualTripTable,
    WearTable,
)
from scheduler.metering.csv_table import MOST_ROWS as MOST_METER_ROWS
from scheduler.metering.green_button_xml import MOST_MEGABYTES as GREEN_BUTTON_MEGABYTES
from scheduler.metering.nem12_file import MOST_MEGABYTES as NEM12_MEGABYTES
from scheduler.nights.parse_request import LONGEST_RANGE
from scheduler.nights.request import (
    LONGEST_NIGHT,
    MOST_INTERVALS,
    MOST_INTERVALS_BY_HAND,
    MOST_INTERVALS_HOME,
    MOST_TRIPS,
)
from scheduler.textio.bounds import (
    AGE_YEARS,
    BATTERY_KWH,
    DISTANCE_KM,
    JOBS,
    LOSS_EFFICIENCY_PERCENT,
    MEASURED_KW,
    METERED_KW,
    METERED_READING,
    MONEY,
    OUTSIDE_DEGC,
    PRICE_PER_KWH,
    PRICE_PER_MWH,
    SO_FAR_KW,
    SO_FAR_KWH,
    SOC_PERCENT,
    TRACE_DEGC,
    TRACE_HOURS,
    TRACE_KWH,
    TRACE_PERCENT,
    USED_PERCENT,
    WEAR_WEIGHT,
    Bound,
)
from scheduler.textio.csv_rows import MOST_MEGABYTES as CSV_MEGABYTES
from scheduler.textio.errors import MOST_FOUND, MOST_TOLD
from scheduler.textio.toml_tables import MOST_KEY_PARTS, MOST_LINE_CHARACTERS, Table, bound_of
from scheduler.textio.toml_tables import MOST_MEGABYTES as TOML_MEGABYTES

HEADING = "## What numbers are accepted"
FIRST_WORDS = """\
Every number of a file or an option has bounds. They are wide enough for odd but real sites, from a light car at a cabin
to a bus depot, and for currencies of small units; what lies outside can only be a slip, most often one of units, and is
refused with one message that says what was found, what is expected and, where it can be guessed, what was meant."""

Row = tuple[str, str]


def section() -> str:
    """The whole section, without an empty line at its end."""
    parts = [HEADING, FIRST_WORDS]
    for title, rows in _tables():
        lines = [f"| {title} | accepted |", "|---|---|", *(f"| {name} | {accepted} |" for name, accepted in rows)]
        parts.append("\n".join(lines))
    return "\n\n".join(parts)


def _tables() -> Iterator[tuple[str, Sequence[Row]]]:
    """Title and rows of each table."""
    yield (
        "`site.toml`",
        [
            *_rows("", RootTable),
            *_rows("[connection]", ConnectionTable),
            *_rows("[[connection.export_window]]", ExportWindowTable),
            *_rows("[car]", CarTable),
            *_rows("[charger]", ChargerTable),
            *_rows("[wear]", WearTable),
            *_rows("[plan]", PlanTable),
            *_rows("[data]", DataTable),
            *_rows("[[usual_trip]]", UsualTripTable),
        ],
    )
    yield (
        "an offer",
        [
            *_rows("", OfferTable),
            *_rows("[[import]]", ImportTable),
            *_rows("[[export]]", ExportTable),
            *_rows("[[demand_charge]]", DemandTable),
            *_rows("[connection_fee]", ConnectionFeeTable),
            *_rows("[discount]", DiscountTable),
            *_rows("[[tax]]", TaxTable),
            *_rows("[market]", MarketTable),
        ],
    )
    yield "`hardware.toml`", _rows("", HardwareTable)
    step = f"{LEAST_STEP_MINUTES} to {MOST_STEP_MINUTES} minutes"
    yield (
        "series and market prices",
        [
            ("`kw` of load and solar", METERED_KW.text),
            ("`price_per_kwh`", PRICE_PER_KWH.text),
            ("`price_per_mwh`", PRICE_PER_MWH.text),
            ("the step of the rows", step),
        ],
    )
    yield "trips", [("`distance_km`", DISTANCE_KM.text), ("`soc_used_percent`", USED_PERCENT.text)]
    yield (
        "traces, measured losses and meter files",
        [
            ("`soc_percent` of a trace", TRACE_PERCENT.text),
            ("`temp_degc`", TRACE_DEGC.text),
            ("`hours` of a metered table", TRACE_HOURS.text),
            ("`stored_kwh`", f"{TRACE_KWH.text}, and within the battery"),
            ("`power_kw` of measured losses", MEASURED_KW.text),
            ("`efficiency_percent`", LOSS_EFFICIENCY_PERCENT.text),
            ("rows of a trace", f"up to {MOST_TRACE_ROWS}"),
            ("points of a table of losses", f"up to {MOST_POINTS}"),
            ("a reading of a meter's CSV or NEM12 file", METERED_READING.text),
            ("rows of a meter's CSV file", f"up to {MOST_METER_ROWS}"),
        ],
    )
    yield (
        "options",
        [
            *_options(("--soc", "--highest-soc-today"), SOC_PERCENT),
            *_options(("--wear-weight", "each of --weights"), WEAR_WEIGHT),
            *_options(("--peak-so-far",), SO_FAR_KW),
            *_options(("--imported-so-far", "--exported-so-far"), SO_FAR_KWH),
            *_options(("the distance of --trip",), DISTANCE_KM),
            *_options(("--outside-degc",), OUTSIDE_DEGC),
            ("a range of `--home-at`", f"up to {LONGEST_RANGE // timedelta(hours=1)} hours"),
            ("`--trip`", f"up to {MOST_TRIPS} times"),
            *_options(("--battery-kwh",), BATTERY_KWH),
            *_options(("--battery-price",), MONEY),
            *_options(("--age-years",), AGE_YEARS),
            *_options(("--temp-degc",), TRACE_DEGC),
            *_options(("--jobs",), JOBS),
            ("those of `new`", "as the key of the same name"),
        ],
    )
    yield (
        "a night",
        [
            ("its intervals", f"up to {MOST_INTERVALS}"),
            (
                "those with the car at home",
                f"up to {MOST_INTERVALS_HOME}; up to {MOST_INTERVALS_BY_HAND} where the charger is set by hand",
            ),
            ("from now to the last return", f"up to {LONGEST_NIGHT.days} days"),
            ("its trips", f"up to {MOST_TRIPS}"),
        ],
    )
    yield (
        "a file",
        [
            ("size of a TOML file", f"up to {TOML_MEGABYTES} MB"),
            ("a line of it", f"up to {MOST_LINE_CHARACTERS} characters, and a key of up to {MOST_KEY_PARTS} parts"),
            ("size of a CSV file", f"up to {CSV_MEGABYTES} MB"),
            ("size of a NEM12 file", f"up to {NEM12_MEGABYTES} MB"),
            ("size of a Green Button file", f"up to {GREEN_BUTTON_MEGABYTES} MB"),
            ("faults", f"the first {MOST_TOLD} are shown; reading stops at {MOST_FOUND}"),
        ],
    )


def _rows(table: str, schema: type[Table]) -> list[Row]:
    """One row per key of a table that takes numbers, or of which there may only be so many."""
    found = []
    for name, field in schema.model_fields.items():
        bound = bound_of(field)
        accepted = str(field.description) if bound is None else bound.text
        key = field.alias or name
        if key != "format" and (bound is not None or re.search(r"\d", accepted)) and "clock" not in accepted:
            found.append((f"`{table}` `{key}`".removeprefix("`` "), accepted))
    return found


def _options(names: Sequence[str], bound: Bound) -> list[Row]:
    return [(re.sub(r"(--\S+)", r"`\1`", name), bound.text) for name in names]


if __name__ == "__main__":
    print(section())
