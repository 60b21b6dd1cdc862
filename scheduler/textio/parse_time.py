"""Parse moments and days as the owner types them: a clock time, or a date and time with or without offset."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from models.base.clock import end_of_skipped_hour, instants_of
from scheduler.textio.errors import InputFaults, shown, single_fault
from scheduler.textio.parse_clock import plain_moment

CLOCK = r"[0-9]{2}:[0-9]{2}"
DATE = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
FIRST_YEAR, LAST_YEAR = 1970, 2199

_DAY = re.compile(DATE)
_UNDATED = re.compile(rf"(?P<clock>{CLOCK})(?::00)?")
_DATED = re.compile(rf"(?P<date>{DATE})T(?P<clock>{CLOCK})(?::00)?(?P<offset>Z|[+-]{CLOCK})?")


def parse_moment(given: str | datetime, now: datetime | None, timezone: str, option: str) -> datetime:
    """Parse the moment that an option gives.

    Parameters
    ----------
    given : "21:00" (the next such time at or after now), "2026-03-02T18:20" in local time, or
        "2026-03-02T18:20+00:00" with its offset; seconds only if they are 00. Or a datetime, local where it has no
        zone. Clock times may be in any spelling of parse_clock.
    now : earlier moments are faults; None: a date is required, and any date will do.
    timezone : IANA name of the site's zone.
    option : name of the option, for messages.

    Returns
    -------
    The moment in UTC.

    Raises
    ------
    InputFaults : any other text; a time that the clocks skip; one that occurs twice, given without an offset; a
        moment before now.

    Examples
    --------
    >>> now = datetime(2026, 3, 2, 18, 20, tzinfo=UTC)
    >>> parse_moment("07:30", now, "Europe/Dublin", "--until").isoformat()
    '2026-03-03T07:30:00+00:00'
    """
    text = plain_moment(given) if isinstance(given, str) else ""
    if isinstance(given, datetime) and given.second == given.microsecond == 0:
        _refuse_year(given.year, option)
        wall = datetime.combine(given.date(), given.time())
        instants = instants_at(wall, timezone, option) if given.tzinfo is None else [_utc(given)]
    elif now is not None and (undated := _UNDATED.fullmatch(text)):
        instants = next_instants(parse_clock(undated["clock"], option), now, timezone, option)
    elif dated := _DATED.fullmatch(text):
        day, clock = parse_date(dated["date"], option), parse_clock(dated["clock"], option)
        if dated["offset"]:
            instants = [_with_offset(text, option)]
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
    """Return when the clock next shows this time, at or after now, in UTC: two instants in a doubled hour.

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
    """Return the instants, in UTC, at which the local clock shows a date and time: two in a doubled hour.

    Raises
    ------
    InputFaults : the clocks skip that time.
    """
    instants = [instant.astimezone(UTC) for instant in instants_of(wall, timezone)]
    if not instants:
        raise skipped(wall, option)
    return instants


def not_before(instants: list[datetime], now: datetime, found: str, option: str) -> list[datetime]:
    """Return the instants at or after now; raise InputFaults if there is none.

    Parameters
    ----------
    found : the moment as given, for the message.
    """
    later = [instant for instant in instants if instant >= now]
    if not later:
        raise single_fault(option, f"{found} is in the past; expected now or later")
    return later


def parse_clock(text: str, option: str) -> time:
    """Parse a clock time "HH:MM"; raise InputFaults if there is no such time.

    Examples
    --------
    >>> parse_clock("07:30", "--home-at")
    datetime.time(7, 30)
    """
    try:
        return time(int(text[:2]), int(text[3:]))
    except ValueError:
        raise single_fault(option, f'{shown(text)} is not a valid time; expected "00:00" to "23:59"') from None


def parse_date(text: str, option: str) -> date:
    """Parse a date "YYYY-MM-DD"; raise InputFaults if there is no such date, or it is not in 1970 to 2199.

    Examples
    --------
    >>> parse_date("2026-03-02", "--from")
    datetime.date(2026, 3, 2)
    """
    try:
        found = date.fromisoformat(text)
    except ValueError:
        raise single_fault(option, f"{shown(text)} is not a valid date; expected a date such as 2026-03-02") from None
    _refuse_year(found.year, option)
    return found


def parse_day(given: str | date, option: str) -> date:
    """Parse a local day.

    Parameters
    ----------
    given : "2026-03-02", or a date; of a datetime, the date that it shows.

    Returns
    -------
    The local date.

    Raises
    ------
    InputFaults : there is no such day, or it is not in 1970 to 2199.

    Examples
    --------
    >>> parse_day(" 2026-03-02 ", "--from")
    datetime.date(2026, 3, 2)
    """
    if isinstance(given, date):
        _refuse_year(given.year, option)
        return given.date() if isinstance(given, datetime) else given
    if not _DAY.fullmatch(given.strip()):
        raise single_fault(option, f"found {shown(given)}; expected a date such as 2026-03-02")
    return parse_date(given.strip(), option)


def local_text(instant: datetime, timezone: str) -> str:
    """Return an instant as files and screens show it: local time with its offset, to the minute.

    Examples
    --------
    >>> local_text(datetime(2026, 10, 25, 0, 30, tzinfo=UTC), "Europe/Dublin")
    '2026-10-25T01:30+01:00'
    """
    return instant.astimezone(ZoneInfo(timezone)).isoformat(timespec="minutes")


def skipped(wall: datetime, option: str) -> InputFaults:
    """Return the fault of a time that the clocks skip."""
    return single_fault(option, f"the clocks skip {wall:%H:%M} on {wall:%Y-%m-%d}; expected a time before or after")


def _refuse_year(year: int, option: str) -> None:
    """Refuse a year that no plan can be about."""
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise single_fault(option, f"found the year {year}; expected {FIRST_YEAR} to {LAST_YEAR}")


def _utc(instant: datetime) -> datetime:
    """Return the same instant in UTC as a plain datetime, whatever kind was given."""
    return datetime.fromtimestamp(instant.timestamp(), UTC)


def _with_offset(text: str, option: str) -> datetime:
    """Parse a date and time with its offset; return it in UTC."""
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except ValueError:
        allowed = "an offset such as +01:00"
        raise single_fault(option, f"{shown(text)} is not a valid moment; expected {allowed}") from None
