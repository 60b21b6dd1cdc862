"""Parse clock times as a person types them: "7:30", "07.30", "9pm", "18h30"."""

from __future__ import annotations

import re

CLOCK = (
    r"(?:[0-9]{1,2}(?:[:.][0-9]{2}(?::00)?)?\s?(?:[ap]\.?m\b\.?)"
    r"|[0-9]{1,2}[:.][0-9]{2}(?::00)?(?:\s?h\b)?|[0-9]{1,2}\s?h(?:[0-9]{2})?\b)"
)
"""What may be a clock time; the hour or the minute may still not exist. For use without regard to case."""

_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_PARTS = re.compile(
    r"(?P<hour>[0-9]{1,2})(?:(?P<sign>[:.]|\s?h)(?P<minute>[0-9]{2})?(?P<seconds>:00)?)?\s?(?P<half>[ap]\.?m\.?|h)?",
    re.IGNORECASE,
)


def clock_minutes(text: str) -> int | None:
    """Return the minutes since midnight of a clock time, "0:00" to "24:00"; None for any other text.

    An hour by itself is none, unless it is followed by "am", "pm" or "h": it may be anything.

    Examples
    --------
    >>> [clock_minutes(text) for text in ("07:30", "7.30", "9pm", "12 am", "18h", "24:00")]
    [450, 450, 1260, 0, 1080, 1440]
    >>> [clock_minutes(text) for text in ("18", "25:00", "13pm", "half past")]
    [None, None, None, None]
    """
    text = text.strip()
    if not re.fullmatch(CLOCK, text, re.IGNORECASE):
        return None
    found = _PARTS.fullmatch(text)
    if found is None:
        return None
    hour, minute = int(found["hour"]), int(found["minute"] or 0)
    half = (found["half"] or "")[:1].lower()
    if half in ("a", "p"):
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if half == "p" else 0)
    minutes = hour * 60 + minute
    return minutes if minute < 60 and minutes <= 24 * 60 else None


def plain_clock(text: str) -> str:
    """Return a clock time as "HH:MM"; any other text as it is.

    Examples
    --------
    >>> plain_clock("9pm"), plain_clock("7.30"), plain_clock("half past")
    ('21:00', '07:30', 'half past')
    """
    minutes = clock_minutes(text)
    return text if minutes is None else f"{minutes // 60:02}:{minutes % 60:02}"


def plain_moment(text: str) -> str:
    """Return a moment as "HH:MM" or "YYYY-MM-DDTHH:MM", with its offset if it has one; any other text as it is.

    Examples
    --------
    >>> plain_moment(" 9pm "), plain_moment("2026-03-02 7.30"), plain_moment("2026-03-02T21:00Z")
    ('21:00', '2026-03-02T07:30', '2026-03-02T21:00Z')
    """
    text = text.strip()
    day, clock = (text[:10], text[10:]) if _DAY.match(text) else ("", text)
    return f"{day}T{plain_clock(clock[1:].strip())}" if day and clock[:1] in ("T", " ") else day + plain_clock(clock)
