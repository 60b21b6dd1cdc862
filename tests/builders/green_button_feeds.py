"""Green Button files for tests: invented ids and values, element names and codes of the published ESPI schema.

The schema is espi.xsd of NAESB REQ.21, version 4.0 of December 2023; the pattern of the Atom links is from memory of
published examples of the standard.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

BASE = "https://meter.example/espi/1_1/resource"
NOON = 1_772_712_000
"""2026-03-05T12:00:00Z."""


@dataclass(frozen=True)
class Reading:
    start: object
    value: object
    seconds: object = 3600
    qualities: tuple[object, ...] = ()


@dataclass(frozen=True)
class Register:
    """One MeterReading with its ReadingType and IntervalBlocks; a code of None is not written."""

    readings: Sequence[Reading]
    number: int = 1
    point: int = 1
    title: str = "Whole house"
    block_size: int = 24
    codes: dict[str, object] = field(
        default_factory=lambda: {
            "accumulationBehaviour": 4,
            "commodity": 1,
            "dataQualifier": 12,
            "flowDirection": 1,
            "intervalLength": 3600,
            "kind": 12,
            "powerOfTenMultiplier": 0,
            "uom": 72,
        }
    )

    def coded(self, **codes: object) -> "Register":
        return replace(self, codes={**self.codes, **codes})

    @property
    def address(self) -> str:
        return f"{BASE}/UsagePoint/{self.point}/MeterReading/{self.number}"


def hourly(values: Iterable[object], start: int = NOON, seconds: int = 3600) -> list[Reading]:
    return [Reading(start + index * seconds, value, seconds) for index, value in enumerate(values)]


def entry(own: str, up: str, related: Sequence[str], title: str, content: str) -> str:
    links = f'<link rel="self" href="{own}"/>\n<link rel="up" href="{up}"/>\n'
    links += "".join(f'<link rel="related" href="{link}"/>\n' for link in related)
    return f"<entry>\n<id>urn:uuid:0</id>\n{links}<title>{title}</title>\n<content>\n{content}</content>\n</entry>\n"


def usage_point(number: int = 1, kind: int = 0, title: str = "Mill Lane 4") -> str:
    own = f"{BASE}/UsagePoint/{number}"
    content = f"<e:UsagePoint>\n<e:ServiceCategory><e:kind>{kind}</e:kind></e:ServiceCategory>\n</e:UsagePoint>\n"
    return entry(own, f"{BASE}/UsagePoint", [f"{own}/MeterReading", f"{BASE}/LocalTimeParameters/1"], title, content)


def local_time() -> str:
    content = "<e:LocalTimeParameters>\n<e:dstOffset>3600</e:dstOffset>\n<e:tzOffset>-18000</e:tzOffset>\n"
    content += "</e:LocalTimeParameters>\n"
    return entry(f"{BASE}/LocalTimeParameters/1", f"{BASE}/LocalTimeParameters", [], "Clock", content)


def meter_reading(register: Register) -> str:
    related = [f"{register.address}/IntervalBlock", f"{BASE}/ReadingType/{register.number}"]
    up = f"{BASE}/UsagePoint/{register.point}/MeterReading"
    return entry(register.address, up, related, register.title, "<e:MeterReading/>\n")


def reading_type(register: Register) -> str:
    codes = "".join(f"<e:{name}>{code}</e:{name}>\n" for name, code in register.codes.items() if code is not None)
    content = f"<e:ReadingType>\n{codes}</e:ReadingType>\n"
    return entry(f"{BASE}/ReadingType/{register.number}", f"{BASE}/ReadingType", [], "", content)


def interval_reading(reading: Reading) -> str:
    qualities = "".join(f"<e:ReadingQuality><e:quality>{q}</e:quality></e:ReadingQuality>\n" for q in reading.qualities)
    period = f"<e:timePeriod>\n<e:duration>{reading.seconds}</e:duration>\n<e:start>{reading.start}</e:start>\n"
    period = "" if reading.start is None else f"{period}</e:timePeriod>\n"
    value = "" if reading.value is None else f"<e:value>{reading.value}</e:value>\n"
    return f"<e:IntervalReading>\n<e:cost>7</e:cost>\n{qualities}{period}{value}</e:IntervalReading>\n"


def interval_blocks(register: Register) -> list[str]:
    up = f"{register.address}/IntervalBlock"
    entries = []
    for number, first in enumerate(range(0, len(register.readings), register.block_size), start=1):
        readings = register.readings[first : first + register.block_size]
        begin = readings[0].start if readings[0].start is not None else NOON
        interval = f"<e:interval>\n<e:duration>86400</e:duration>\n<e:start>{begin}</e:start>\n</e:interval>\n"
        content = f"<e:IntervalBlock>\n{interval}{''.join(map(interval_reading, readings))}</e:IntervalBlock>\n"
        entries.append(entry(f"{up}/{number}", up, [], "", content))
    return entries


def entries_of(*registers: Register) -> list[str]:
    """All entries of a file in the usual order, with one usage point of electricity for each number."""
    entries = [usage_point(point, title=f"Mill Lane {point}") for point in sorted({r.point for r in registers})]
    entries.append(local_time())
    for register in registers:
        entries += [meter_reading(register), reading_type(register), *interval_blocks(register)]
    return entries


def feed(entries: Iterable[str], prefixed: bool = True) -> str:
    """A whole file: ESPI with a prefix and Atom by default, or Atom with a prefix and ESPI by default."""
    body = f'<feed xmlns="http://www.w3.org/2005/Atom" xmlns:e="http://naesb.org/espi">\n{"".join(entries)}</feed>\n'
    if not prefixed:
        atom = ("feed", "entry", "id", "link", "title", "content")
        for name in atom:
            body = body.replace(f"<{name}", f"<a:{name}").replace(f"</{name}", f"</a:{name}")
        body = (
            body.replace("<e:", "<")
            .replace("</e:", "</")
            .replace("xmlns:e=", "xmlns=")
            .replace('xmlns="http://www.w3.org/2005/Atom"', 'xmlns:a="http://www.w3.org/2005/Atom"')
        )
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}'


def file_of(*registers: Register, prefixed: bool = True) -> str:
    return feed(entries_of(*registers), prefixed)
