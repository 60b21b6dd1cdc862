"""The days that a command asks for: what is wrong with a meter file on other days is no reason to refuse it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from math import inf
from zoneinfo import ZoneInfo


@dataclass(frozen=True, slots=True)
class DaysAsked:
    """Local days, both included; None where there is no limit.

    Attributes
    ----------
    first, last : local days. timezone : IANA name of the site's zone.
    """

    first: date | None = None
    last: date | None = None
    timezone: str = "UTC"

    def hold(self, begin_s: float, end_s: float) -> bool:
        """Return whether any of the days overlaps a span, given in seconds since 1970 UTC.

        Examples
        --------
        >>> march = DaysAsked(date(2026, 3, 1), date(2026, 3, 31))
        >>> midnight = datetime(2026, 4, 1, tzinfo=ZoneInfo("UTC")).timestamp()
        >>> march.hold(midnight - 3600, midnight), march.hold(midnight, midnight + 3600)
        (True, False)
        """
        begin = -inf if self.first is None else self._midnight(self.first)
        end = inf if self.last is None else self._midnight(self.last + timedelta(days=1))
        return begin_s < end and end_s > begin

    def hold_day(self, day: date) -> bool:
        """Return whether a local day is one of them."""
        return (self.first is None or day >= self.first) and (self.last is None or day <= self.last)

    def _midnight(self, day: date) -> float:
        return datetime.combine(day, time(), ZoneInfo(self.timezone)).timestamp()


ALL_DAYS = DaysAsked()


def left_out_note(count: int, what: str) -> str:
    """Return a note on faults on other days: "2 records outside these days cannot be read and are left out."

    Parameters
    ----------
    what : is at fault, in the singular.
    """
    subject = f"one {what}" if count == 1 else f"{count} {what}s"
    return f"On other days than those asked for, {subject} cannot be read and {'is' if count == 1 else 'are'} left out."
