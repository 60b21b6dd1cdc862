"""What is wrong with a Green Button file is said in one clear message with its line, and nothing else happens."""

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduler.metering import green_button_xml
from scheduler.metering.green_button_file import read_green_button
from scheduler.textio.errors import InputFaults
from tests.builders.green_button_feeds import (
    BASE,
    NOON,
    Reading,
    Register,
    entries_of,
    feed,
    file_of,
    hourly,
    interval_blocks,
    meter_reading,
    reading_type,
    usage_point,
)
from tests.builders.sites import faults_of

GOOD = file_of(Register(hourly([5, 6, 7])))


@pytest.fixture(scope="module")
def xml_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("green_button") / "usage.xml"


def faults(path: Path, text: str | bytes) -> list[str]:
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return [line.removeprefix(f"{path.parent}/") for line in faults_of(lambda: read_green_button(path))]


def the_fault(path: Path, text: str | bytes) -> str:
    (fault,) = faults(path, text)
    return fault


def line_of(text: str, part: str) -> int:
    return text[: text.index(part)].count("\n") + 1


def with_document_type(document_type: str, value: str = "5") -> str:
    declared, rest = GOOD.split("\n", 1)
    return f"{declared}\n{document_type}\n{rest}".replace("<e:value>5<", f"<e:value>{value}<")


BOMB = "<!DOCTYPE feed [\n<!ENTITY a '5'>\n" + "".join(
    f"<!ENTITY {name} '{f'&{inner};' * 10}'>\n" for inner, name in zip("abcdefgh", "bcdefghi", strict=True)
)


@pytest.mark.parametrize(
    ("document_type", "value"),
    [
        (f"{BOMB}]>", "&i;"),
        ('<!DOCTYPE feed [<!ENTITY a SYSTEM "file:///etc/hostname">]>', "&a;"),
        ('<!DOCTYPE feed SYSTEM "http://127.0.0.1:9/feed.dtd">', "5"),
        ('<!DOCTYPE feed [<!ENTITY % a SYSTEM "file:///etc/hostname"> %a;]>', "5"),
        ("<!DOCTYPE feed>", "5"),
    ],
)
def test_entities_and_document_types_are_refused(xml_path: Path, document_type: str, value: str) -> None:
    """Entity expansion and external entities (XML 1.0, 4.2; CWE-776 and CWE-611) cannot begin without <!DOCTYPE."""
    fault = the_fault(xml_path, with_document_type(document_type, value))
    assert re.match(r'usage\.xml line [23]: a document type \("feed"\) may define entities; expected ', fault)


def test_an_undefined_entity_is_not_well_formed(xml_path: Path) -> None:
    fault = the_fault(xml_path, GOOD.replace("<e:value>5<", "<e:value>&five;<"))
    assert fault == f"usage.xml line {line_of(GOOD, '<e:value>5<')}: this is not well-formed XML: undefined entity"


@pytest.mark.parametrize(
    "page", ["<!DOCTYPE html>\n<html><body>Sign in</body></html>", "<html>\n<p>x</html>", "<HTML></HTML>"]
)
def test_an_html_page_is_called_one(xml_path: Path, page: str) -> None:
    assert "usage.xml line 1: this is an HTML page; expected Green Button XML" in the_fault(xml_path, page)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "the file is empty"),
        ("start,kw\n2026-03-02T00:00Z,1\n", "line 1: this is not well-formed XML"),
        ("<usage><e/></usage>", "line 1: the first element is <usage>; expected Green Button XML"),
        ("<feed><entry/></feed>", "the first element is <feed>; expected Green Button XML, an Atom <feed>"),
        ('<feed xmlns="http://www.w3.org/2005/Atom"><title>News</title></feed>', "holds no IntervalReading"),
        (feed([usage_point()]), "holds no IntervalReading"),
        (b"\xff\xfe\x00\x01", "line 1: this is not well-formed XML"),
        (b"\x00" * 40, "line 1: this is not well-formed XML"),
        (b"<?xml version='1.0' encoding='no-such'?><feed/>", "line 1: this"),
        (b"<?xml version='1.0' encoding='shift_jis'?><feed/>", "line 1: this"),
        (b"<?xml version='1.0' encoding='base64'?><feed/>", "line 1: this"),
    ],
)
def test_other_files_are_no_green_button(xml_path: Path, text: str | bytes, words: str) -> None:
    assert words in the_fault(xml_path, text)


def test_elements_nested_without_end_are_refused(xml_path: Path) -> None:
    """What a parser keeps open grows with the depth; a reading of the schema is under ten deep."""
    deep = GOOD.replace("<content>", "<content>\n" + "<a>\n" * 200, 1)
    fault = the_fault(xml_path, deep)
    assert "elements are nested over 100 deep" in fault
    assert fault.startswith(f"usage.xml line {line_of(deep, '<content>') + 98}: ")


def test_a_missing_file_a_folder_and_too_large_a_file(xml_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert faults_of(lambda: read_green_button(xml_path.parent / "no.xml"))[0].endswith("there is no such file")
    assert "a folder" in faults_of(lambda: read_green_button(xml_path.parent))[0]
    monkeypatch.setattr(green_button_xml, "MOST_MEGABYTES", 0)
    assert "MB is too large; expected up to 0 MB" in the_fault(xml_path, GOOD)


@pytest.mark.parametrize("part", ["<e:value>6", "<e:value>6</e:value>\n", '<link rel="up"', "</feed"])
def test_a_file_that_breaks_off_is_one_fault_at_its_end(xml_path: Path, part: str) -> None:
    cut = GOOD[: GOOD.index(part) + len(part)]
    fault = the_fault(xml_path, cut)
    assert fault.startswith(f"usage.xml line {cut.count(chr(10)) + 1}: the XML breaks off (")
    assert fault.endswith("; expected the whole file")


@pytest.mark.parametrize(
    ("element", "written", "allowed"),
    [
        ("value", "1.5", "a whole number"),
        ("value", "", "a whole number"),
        ("value", "1_000", "a whole number"),
        ("value", "٣", "a whole number"),
        ("value", "-", "a whole number"),
        ("value", "1e3", "a whole number"),
        ("value", str(2**47 + 1), "a whole number, -140737488355328 to 140737488355328"),
        ("value", "9" * 5000, "a whole number"),
        ("start", "2026-03-05T12:00Z", "whole seconds since 1970, up to the year 2199"),
        ("start", str(NOON * 1000), "whole seconds since 1970, up to the year 2199"),
        ("start", "-1", "whole seconds since 1970, up to the year 2199"),
        ("duration", "PT1H", "a whole number of seconds"),
        ("duration", "-3600", "a whole number of seconds"),
        ("quality", "valid", "a whole number"),
    ],
)
def test_what_is_no_whole_number_is_named_with_its_line(
    xml_path: Path, element: str, written: str, allowed: str
) -> None:
    """Int48 for values, TimeType and UInt32 for times, UInt16 for qualities (basic types of the schema)."""
    fields = {"value": 6, "start": NOON + 3600, "duration": 3600, "quality": 0, element: written}
    odd = Reading(fields["start"], fields["value"], fields["duration"], (fields["quality"],))
    text = file_of(Register([Reading(NOON, 5), odd, Reading(NOON + 7200, 7)]))
    part = f"<e:{element}>{written}</e:{element}>"
    assert text.count(part) == 1
    fault = the_fault(xml_path, text)
    assert fault.startswith(f'usage.xml line {line_of(text, part)}, {element}: found "{written[:20]}')
    assert f"; expected {allowed}" in fault


@pytest.mark.parametrize("element", ["start", "duration"])
def test_half_a_time_is_a_fault(xml_path: Path, element: str) -> None:
    text = re.sub(rf"<e:{element}>\d+</e:{element}>\n(?=(<e:start>\d+</e:start>\n)?</e:timePeriod>)", "", GOOD, count=1)
    fault = the_fault(xml_path, text)
    assert fault == f"usage.xml line {line_of(text, '<e:IntervalReading>')}, {element}: the timePeriod has no {element}"


def test_readings_without_times_need_a_length(xml_path: Path) -> None:
    text = file_of(Register([Reading(None, 1), Reading(None, 2)]).coded(intervalLength=None))
    assert "a reading without timePeriod; expected only with" in the_fault(xml_path, text)


@pytest.mark.parametrize(
    ("codes", "key", "words"),
    [
        ({"uom": 999}, "uom", "999 is not a unit of a meter; expected 72, which is Wh"),
        ({"uom": "Wh"}, "uom", 'found "Wh"; expected a whole number'),
        ({"powerOfTenMultiplier": 13}, "powerOfTenMultiplier", 'found "13"; expected a whole number, -12 to 12'),
        ({"powerOfTenMultiplier": "k"}, "powerOfTenMultiplier", 'found "k"; expected a whole number, -12 to 12'),
        ({"flowDirection": "forward"}, "flowDirection", 'found "forward"; expected a whole number'),
        ({"intervalLength": 900}, "intervalLength", "900 s, but the readings have a duration of 3600 s"),
    ],
)
def test_codes_of_a_reading_type_are_checked(xml_path: Path, codes: dict[str, object], key: str, words: str) -> None:
    """UnitSymbolKind, UnitMultiplierKind and FlowDirectionKind of the schema."""
    text = file_of(Register(hourly([5])).coded(**codes))
    fault = the_fault(xml_path, text)
    assert fault.startswith(f"usage.xml line {line_of(text, f'<e:{key}>')}, {key}: {words}")


def test_a_reading_type_without_unit_is_a_fault(xml_path: Path) -> None:
    text = file_of(Register(hourly([5])).coded(uom=None))
    fault = the_fault(xml_path, text)
    assert fault.startswith(f"usage.xml line {line_of(text, '<e:ReadingType>')}, uom: the ReadingType has no uom")


def test_one_instant_with_two_values_is_a_fault(xml_path: Path) -> None:
    text = file_of(Register([*hourly([5, 6]), Reading(NOON, 8)]))
    last = text.rindex("<e:IntervalReading>")
    assert the_fault(xml_path, text) == (
        f"usage.xml line {text[:last].count(chr(10)) + 1}, value: the reading of 2026-03-05T12:00:00Z has 8 here and 5 "
        f"in line {line_of(text, '<e:IntervalReading>')}; expected one value for an interval"
    )


def test_overlapping_readings_are_a_fault(xml_path: Path) -> None:
    text = file_of(Register([*hourly([5, 6, 7]), Reading(NOON + 5400, 8)]))
    last = text.rindex("<e:IntervalReading>")
    assert the_fault(xml_path, text) == (
        f"usage.xml line {text[:last].count(chr(10)) + 1}, start: the reading of 2026-03-05T13:30:00Z overlaps the "
        "reading of 2026-03-05T13:00:00Z; expected readings that follow one another"
    )


def test_a_reading_off_the_grid_of_the_others_is_a_fault(xml_path: Path) -> None:
    fault = the_fault(
        xml_path, file_of(Register([*hourly([5, 6, 7]), Reading(NOON + 90_000, 8), Reading(NOON + 30_600, 8)]))
    )
    assert "2026-03-05T20:30:00Z is not a whole number of intervals of 60 minutes" in fault


def test_mixed_durations_are_a_fault(xml_path: Path) -> None:
    text = file_of(Register([*hourly([5, 6, 7]), Reading(NOON + 10_800, 8, 900)]))
    last = text.rindex("<e:IntervalReading>")
    assert the_fault(xml_path, text) == (
        f"usage.xml line {text[:last].count(chr(10)) + 1}, duration: 900 s; "
        "expected one duration in a register, and most readings have 3600 s"
    )


@pytest.mark.parametrize("direction", [1, 19])
def test_a_value_under_0_in_one_direction_is_a_fault(xml_path: Path, direction: int) -> None:
    """FlowDirectionKind of the schema: reverse is always written as a positive value."""
    fault = the_fault(xml_path, file_of(Register(hourly([5, -6, None])).coded(flowDirection=direction)))
    assert (
        f"value: -6 is under 0; expected 0 or more where flowDirection is {direction} (a net register has 4)" in fault
    )


@pytest.mark.parametrize("codes", [{"uom": 38}, {"commodity": 7}, {"accumulationBehaviour": 1}, {"flowDirection": 20}])
def test_a_file_with_nothing_to_use_says_why(xml_path: Path, codes: dict[str, object]) -> None:
    fault = the_fault(xml_path, file_of(Register(hourly([5])).coded(**codes)))
    assert fault.startswith("usage.xml: no interval energy of electricity: Whole house ")
    assert fault.endswith("expected at least one register in Wh with readings of up to 60 minutes")


@pytest.mark.parametrize("seconds", [86_400, 0])
def test_daily_sums_alone_are_a_fault(xml_path: Path, seconds: int) -> None:
    text = file_of(Register([Reading(NOON, 5, seconds)]).coded(intervalLength=None))
    assert "no interval energy of electricity: Whole house has readings of" in the_fault(xml_path, text)


def test_faults_of_a_register_that_is_left_out_do_not_matter(xml_path: Path) -> None:
    gas = Register(hourly(["1.5"]), number=2, title="Gas").coded(commodity=7, uom=42)
    xml_path.write_text(file_of(Register(hourly([5])), gas))
    assert len(read_green_button(xml_path).channels) == 1


def test_ten_faults_are_listed_in_line_order_and_the_others_counted(xml_path: Path) -> None:
    registers = (Register(hourly(["x"] * 8)), Register(hourly(["y"] * 30), number=2).coded(flowDirection=19))
    found = faults(xml_path, file_of(*registers))
    lines = [int(fault.split()[2].rstrip(",")) for fault in found[:10]]
    assert lines == sorted(lines)
    assert [fault[fault.index('"') + 1] for fault in found[:10]] == ["x"] * 8 + ["y"] * 2
    assert found[10:] == ["usage.xml: and 28 more"]
    mixed = Register(hourly([*[-1] * 15, *[2] * 30]), number=2).coded(flowDirection=19)
    entries = [usage_point(), *interval_blocks(mixed), *interval_blocks(registers[0])]
    entries += [
        entry for register in (registers[0], mixed) for entry in (meter_reading(register), reading_type(register))
    ]
    found = faults(xml_path, feed(entries))
    assert ["-1 is under 0" in fault for fault in found] == [True] * 10 + [False]
    assert found[10:] == ["usage.xml: and 13 more"]


def test_a_meter_reading_without_its_reading_type_is_a_fault(xml_path: Path) -> None:
    """With more than one ReadingType in the file, or none, nothing says the unit."""
    one, two = Register(hourly([5])), Register(hourly([6]), number=2)
    entries = [usage_point(), *map(meter_reading, (one, two)), *interval_blocks(one), *interval_blocks(two)]
    assert [fault.split("; ")[0].split(": ")[1] for fault in faults(xml_path, feed(entries))] == [
        "the file has no ReadingType"
    ] * 2
    fault = the_fault(xml_path, feed([*entries, reading_type(one)]))
    assert "MeterReading: its links lead to none of the ReadingTypes in the file (1); expected" in fault
    both = [usage_point(), *map(reading_type, (one, two)), *interval_blocks(one), *interval_blocks(two)]
    link = f'<link rel="related" href="{BASE}/ReadingType/1"/>'
    elsewhere = meter_reading(one).replace(link, link.replace('/1"', '/9"'))
    fault = the_fault(xml_path, feed([*both, elsewhere, meter_reading(two)]))
    assert "its links lead to none of the ReadingTypes in the file (2)" in fault
    twice = meter_reading(one).replace(link, link + link.replace('/1"', '/2"'))
    assert "its links lead to 2 ReadingTypes" in the_fault(xml_path, feed([*both, twice, meter_reading(two)]))


def test_entries_that_lead_nowhere_are_faults(xml_path: Path) -> None:
    registers = (Register(hourly([5])), Register(hourly([6]), number=2, point=2))
    entries = entries_of(*registers)
    lost = [entry.replace(f"{registers[0].address}/IntervalBlock", "https://other.example/a") for entry in entries]
    lost[3] = entries[3]
    assert "IntervalBlock: its links lead to none of the 2 MeterReadings" in the_fault(xml_path, feed(lost))
    lost = [*entries]
    lost[3] = (
        entries[3]
        .replace("/UsagePoint/1/MeterReading", "/Elsewhere/MeterReading")
        .replace("/Elsewhere/MeterReading/1/IntervalBlock", "/UsagePoint/1/MeterReading/1/IntervalBlock")
    )
    assert "MeterReading: its links lead to none of the 2 UsagePoints" in the_fault(xml_path, feed(lost))


@settings(max_examples=150, deadline=None)
@given(cut=st.integers(0, len(GOOD)), junk=st.binary(max_size=12))
def test_a_damaged_file_is_read_or_refused_but_never_breaks(xml_path: Path, cut: int, junk: bytes) -> None:
    """Whatever bytes replace part of a file, the answer is a reading or faults that name the file."""
    content = GOOD.encode()
    xml_path.write_bytes(content[:cut] + junk + content[cut + len(junk) :])
    try:
        named = {str(xml_path)} if read_green_button(xml_path).channels else set()
    except InputFaults as error:
        named = {fault.file for fault in error.faults}
    assert named == {str(xml_path)}
