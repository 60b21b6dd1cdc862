"""An offer's TOML file, read strictly into an Offer."""

from __future__ import annotations

import calendar
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import Field

from models.clock import MINUTES_A_DAY
from models.offer import Band, Offer, first_unpriced
from scheduler.faults import Fault, InputFaults, in_line_order
from scheduler.toml_tables import Table, check_table, check_tables, read_toml
from scheduler.toml_values import (
    ClockOrMidnight,
    Currency,
    Day,
    Days,
    FormatOne,
    Months,
    Name,
    Number,
    ZeroOrMore,
    clock_of_minutes,
)


class OfferTable(Table):
    """The whole file."""

    format: FormatOne
    name: Name
    currency: Currency
    daily_fee: ZeroOrMore
    public_holidays_count_as: Day | None = Field(default=None, description='a day: "mon" to "sun"')
    import_bands: list[dict[str, Any]] = Field(
        alias="import", min_length=1, description="at least one [[import]] table"
    )
    export_bands: list[dict[str, Any]] = Field(
        alias="export", default=[], description="any number of [[export]] tables"
    )


class BandTable(Table):
    """One `[[import]]` or `[[export]]`."""

    price_per_kwh: Number
    from_minute: ClockOrMidnight = Field(alias="from", default=0)
    to_minute: ClockOrMidnight = Field(alias="to", default=MINUTES_A_DAY)
    days: Days | None = Field(default=None, description='a list of days, each once: "mon" to "sun"')
    months: Months | None = Field(default=None, description="a list of months 1 to 12, each once")

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """A band that ends where it begins: nobody can tell whether all day or never is meant."""
        if self.from_minute % MINUTES_A_DAY == self.to_minute % MINUTES_A_DAY and not self._is_whole_day():
            yield (
                "from" if "from_minute" in self.model_fields_set else "to",
                f'the band begins at "{clock_of_minutes(self.from_minute)}" and ends at '
                f'"{clock_of_minutes(self.to_minute)}"; allowed are times that differ',
            )

    def _is_whole_day(self) -> bool:
        return self.from_minute == 0 and self.to_minute == MINUTES_A_DAY


def read_offer(path: Path, has_calendar: bool) -> Offer:
    """The offer that a file describes.

    Parameters
    ----------
    has_calendar : whether the site names a holiday calendar, which `public_holidays_count_as` needs.

    Raises
    ------
    InputFaults : every fault of the file.
    """
    document = read_toml(path)
    faults: list[Fault] = []
    table = check_table(document, (), OfferTable, faults)
    import_bands = check_tables(document, "import", BandTable, faults)
    export_bands = check_tables(document, "export", BandTable, faults)
    if "public_holidays_count_as" in document.values and not has_calendar:
        message = "it needs a holiday calendar, and the site names none; allowed with site.holiday_calendar"
        faults.append(document.fault(("public_holidays_count_as",), message))
    if import_bands and None not in import_bands:
        counted_as = table.public_holidays_count_as if table else None
        unpriced = first_unpriced(Offer("", "", 0.0, _bands(import_bands), holidays_count_as=counted_as))
        if unpriced is not None:
            faults.append(document.fault(("import",), _unpriced(*unpriced)))
    if faults or table is None:
        raise InputFaults(in_line_order(faults))
    return Offer(
        name=table.name,
        currency=table.currency,
        daily_fee=table.daily_fee,
        import_bands=_bands(import_bands),
        export_bands=_bands(export_bands),
        holidays_count_as=table.public_holidays_count_as,
    )


def _bands(tables: list[BandTable | None]) -> tuple[Band, ...]:
    return tuple(Band(**table.model_dump()) for table in tables if table)


def _unpriced(month: int, day_of_week: int, minute: int) -> str:
    return (
        f"no import price on a {calendar.day_name[day_of_week]} in {calendar.month_name[month]} at "
        f"{clock_of_minutes(minute)}; allowed are bands that leave no time without one"
    )
