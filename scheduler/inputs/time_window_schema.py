"""The keys that say when something holds, shared by bands, demand charges and export windows."""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import Field

from models.base.clock import MINUTES_A_DAY
from models.base.time_window import TimeWindow
from scheduler.textio.toml_tables import Table
from scheduler.textio.toml_values import ClockOrMidnight, Days, Months, clock_of_minutes


class TimeWindowTable(Table):
    """When something holds: `from`, `to`, `days` and `months`."""

    from_minute: ClockOrMidnight = Field(alias="from", default=0)
    to_minute: ClockOrMidnight = Field(alias="to", default=MINUTES_A_DAY)
    days: Days | None = Field(default=None, description='a list of days, each once: "mon" to "sun"')
    months: Months | None = Field(default=None, description="a list of months 1 to 12, each once")

    @property
    def when(self) -> TimeWindow:
        """Return the keys as a window of local time."""
        return TimeWindow(self.from_minute, self.to_minute, self.days, self.months)

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Refuse a window that ends where it begins: it might mean all day or never."""
        whole_day = self.from_minute == 0 and self.to_minute == MINUTES_A_DAY
        if self.from_minute % MINUTES_A_DAY == self.to_minute % MINUTES_A_DAY and not whole_day:
            yield (
                "from" if "from_minute" in self.model_fields_set else "to",
                f'the band begins at "{clock_of_minutes(self.from_minute)}" and ends at '
                f'"{clock_of_minutes(self.to_minute)}"; expected times that differ',
            )
