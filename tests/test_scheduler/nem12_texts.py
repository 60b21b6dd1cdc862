"""NEM12 files for tests, with invented connection points; values in kWh unless a test says otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

HEADER = "100,NEM12,202602010000,INVENTMDP,INVENTRET"
END = "900"
NMI = "NAAA000001"


def channel(suffix: str = "E1", length: int = 30, unit: str = "KWH", nmi: str = NMI) -> str:
    """A 200 record."""
    return f"200,{nmi},E1B1,{suffix},{suffix},N1,M0001,{unit},{length},20260301"


def day(
    on: date, values: Sequence[float | str], quality: str = "A", updated: str = "20260201120000", reason: str = ""
) -> str:
    """A 300 record."""
    return ",".join([f"300,{on:%Y%m%d}", *(str(value) for value in values), quality, reason, "", updated, ""])


def event(first: int, last: int, quality: str) -> str:
    """A 400 record."""
    return f"400,{first},{last},{quality},,"


def nem12(*records: str) -> str:
    """A whole file."""
    return "\n".join([HEADER, *records, END, ""])
