"""Moments and days as the owner types them: a clock time, a date with a time, its offset too; or as values."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from models.base.clock import end_of_skipped_hour, instants_of
from scheduler.textio.errors import InputFaults, shown, single_fault

CLOCK = r"[0-9]{2}:[0-9]{2}"
DATE = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
FIRST_YEAR, LAST_YEAR = 1970, 2199

_DAY = re.compile(DATE)
_UNDATED = re.compile(rf"(?P<clock>{CLOCK})(?::00)?")
_DATED = re.compile(rf"(?P<date>{DATE})T(?P<clock>{CLOCK})(?::00)?(?P<offset>Z|[+-]{CLOCK})?")


def parse_moment(given: str | datetime, now: datetime | None, timezone: str, option: str) -> datetime:
    """The moment that an option names, in UTC.

    Parameters
    ----------
    given : "21:00" (the next such time at or after now), "2026-03-02T18:20" in local time, or with its offset
        "2026-03-02T18:20+00:00"; seconds only if they are 00. Or a value, local where it has no zone.
    now : earlier moments are at fault; None: a date is needed, and any will do.
    timezone : IANA name of the site's zone.
    option : name of the option, for messages.

    Raises
    ------
    InputFaults : anything else; a time that the clocks skip; one that occurs twice, without an offset; a
        moment before now.
    """
    words = given.strip() if isinstance(given, str) else ""
    if isinstance(given, datetime) and given.second == given.microsecond == 0:
        _refuse_year(given.year, option)
        wall = datetime.combine(given.date(), given.time())
        instants = instants_at(wall, timezone, option) if given.tzinfo is None else [_utc(given)]
    elif now is not None and (undated := _UNDATED.fullmatch(words)):
        instants = next_instants(parse_clock(undated["clock"], option), now, timezone, option)
    elif dated := _DATED.fullmatch(words):
        day, clock = parse_date(dated["date"], option), parse_clock(dated["clock"], option)
        if dated["offset"]:
            instants = [_with_offset(words, option)]
        else:
            instants = instants_at(datetime.combine(day, clock), timezone, option)
    else:
        dated_forms = '"2026-03-02T18:20" or "2026-03-02T18:20+00:00"'
        forms = dated_forms if now is None else f'"21:00", {dated_forms}'
        raise single_fault(option, f"found {shown(given)}; expected {forms}")
    if now is not None:
        instants = not_before(instants, now, shown(given), option)
    if len(instants) > 1:
        first, second = (local_text(instant, timezone) for instant in instants)
        raise single_fault(option, f"{shown(given)} occurs twice as the clocks go back; expected {first} or {second}")
    return instants[0]


def next_instants(clock: time, now: datetime, timezone: str, option: str) -> list[datetime]:
    """When the clock next shows this time, at or after now, in UTC; two instants if it does so twice.

    Raises
    ------
    InputFaults : the clocks skip that time before they next show it.
    """
    wall = datetime.combine(now.astimezone(ZoneInfo(timezone)).date(), clock)
    while True:
        instants = [instant.astimezone(UTC) for instant in instants_of(wall, timezone)]
        if not instants and end_of_skipped_hour(wall, timezone).astimezone(UTC) > now:
            raise skipped(wall, option)
        if later := [instant for instant in instants if instant >= now]:
            return later
        wall += timedelta(days=1)


def instants_at(wall: datetime, timezone: str, option: str) -> list[datetime]:
    """Instants, in UTC, at which the local clock shows a date and time; two in a doubled hour.

    Raises
    ------
    InputFaults : the clocks skip that time.
    """
    instants = [instant.astimezone(UTC) for instant in instants_of(wall, timezone)]
    if not instants:
        raise skipped(wall, option)
    return instants


def not_before(instants: list[datetime], now: datetime, found: str, option: str) -> list[datetime]:
    """The instants at or after now; InputFaults if there is none."""
    later = [instant for instant in instants if instant >= now]
    if not later:
        raise single_fault(option, f"{found} is in the past; expected now or later")
    return later


def parse_clock(text: str, option: str) -> time:
    """The clock time of "HH:MM"; InputFaults if there is no such time."""
    try:
        return time(int(text[:2]), int(text[3:]))
    except ValueError:
        raise single_fault(option, f'{shown(text)} is not a valid time; expected "00:00" to "23:59"') from None


def parse_date(text: str, option: str) -> date:
    """The date of "YYYY-MM-DD"; InputFaults if there is no such date, or none that a plan could be about."""
    try:
        found = date.fromisoformat(text)
    except ValueError:
        raise single_fault(option, f"{shown(text)} is not a valid date; expected a date such as 2026-03-02") from None
    _refuse_year(found.year, option)
    return found


def parse_day(given: str | date, option: str) -> date:
    """The local day of "2026-03-02", or of a value; of a moment, the day that it shows.

    Raises
    ------
    InputFaults : there is no such day, or none that a plan could be about.
    """
    if isinstance(given, date):
        _refuse_year(given.year, option)
        return given.date() if isinstance(given, datetime) else given
    if not _DAY.fullmatch(given.strip()):
        raise single_fault(option, f"found {shown(given)}; expected a date such as 2026-03-02")
    return parse_date(given.strip(), option)


def local_text(instant: datetime, timezone: str) -> str:
    """An instant as files and screens show it: local, with its offset, `2026-10-25T01:30+01:00`."""
    return instant.astimezone(ZoneInfo(timezone)).isoformat(timespec="minutes")


def skipped(wall: datetime, option: str) -> InputFaults:
    """The fault of a time that the clocks skip."""
    return single_fault(option, f"the clocks skip {wall:%H:%M} on {wall:%Y-%m-%d}; expected a time before or after")


def _refuse_year(year: int, option: str) -> None:
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise single_fault(option, f"found the year {year}; expected {FIRST_YEAR} to {LAST_YEAR}")


def _utc(instant: datetime) -> datetime:
    """The same instant in UTC; a plain datetime, whatever kind of one was given."""
    return datetime.fromtimestamp(instant.timestamp(), UTC)


def _with_offset(words: str, option: str) -> datetime:
    try:
        return datetime.fromisoformat(words).astimezone(UTC)
    except ValueError:
        allowed = "an offset such as +01:00"
        raise single_fault(option, f"{shown(words)} is not a valid moment; expected {allowed}") from None
