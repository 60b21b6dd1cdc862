"""One table, shown and written: the same rows on a terminal, on a page, in CSV and in JSON."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.render.table import Column, Table, csv_text, json_rows, text_table
from scheduler.render.terminal import table_text

COLUMNS = (
    Column("offer", "Offer"),
    Column("bill", "Bill", "EUR", "money"),
    Column("share", "Share", "", "percent", 1),
    Column("energy_kwh", "Given", "kWh", "number", 1),
    Column("sha256"),
    Column(heading="Remark"),
)


def made(*rows: tuple[str | float | None, ...]) -> Table:
    """A table of all kinds of column."""
    return Table(COLUMNS, rows)


def printed(table: Table, width: int) -> list[str]:
    """Lines on a terminal of this width."""
    return table_text(table, width).splitlines()


def test_each_kind_is_written_for_a_reader() -> None:
    """Money to the minor unit, a true minus sign, units in the heading, nothing as a dash; keys alone are not shown."""
    table = made(("Flat", -3.456, 12.34, 0.04, "ab", "x"), ("Tiered", None, float("nan"), 2, "cd", ""))
    assert table.headings == ("Offer", "Bill", "Share", "Given, kWh", "Remark")
    assert table.texts == (("Flat", "−3.46", "12.3 %", "0.0", "x"), ("Tiered", "–", "–", "2.0", ""))


def test_files_keep_keys_and_digits() -> None:
    """In CSV nine decimals, money as printed, nothing for nothing, a plain zero; in JSON the values themselves."""
    table = made(('Flat, "new"', 3.456, -1e-12, 1 / 3, "ab", "x"), ("Tiered", None, float("nan"), 2, "cd", ""))
    assert csv_text(table) == (
        'offer,bill,share,energy_kwh,sha256\n"Flat, ""new""",3.46,0.000000000,0.333333333,ab\nTiered,,,2.000000000,cd\n'
    )
    assert json_rows(table)[0] == {
        "offer": 'Flat, "new"',
        "bill": 3.456,
        "share": -1e-12,
        "energy_kwh": 1 / 3,
        "sha256": "ab",
    }


def test_columns_can_be_picked_by_their_keys() -> None:
    """In the order that is asked for."""
    picked = made(("Flat", 3.456, 1.0, 2.0, "ab", "x")).only(("sha256", "offer"))
    assert csv_text(picked) == "sha256,offer\nab,Flat\n"


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=20))
def test_csv_reads_back_to_its_last_decimal(values: list[float]) -> None:
    """Whatever the number, Python's own reader finds it again within half of the ninth decimal."""
    text = csv_text(Table((Column("kw", kind="number"),), tuple((value,) for value in values)))
    read = [float(row["kw"]) for row in csv.DictReader(io.StringIO(text))]
    assert read == pytest.approx(values, rel=1e-14, abs=5.1e-10)


def test_a_wide_table_is_printed_in_parts_that_keep_every_number_whole() -> None:
    """Ten offers on 80 columns become several tables, each with the first column; on 300 they stay one."""
    content = text_table(("Total", *(f"Offer {n}" for n in range(10))), [("Charged", *["1234.56"] * 10)])
    parts = content.split(80)
    assert len(parts) > 1
    assert all(part.headings[0] == "Total" for part in parts)
    assert sum(len(part.headings) - 1 for part in parts) == 10
    assert content.split(300) == [content]
    lines = printed(content, 80)
    assert max(len(line) for line in lines) <= 80
    assert sum(line.count("1234.56") for line in lines) == 10


words = st.text("abcdefg0123456789", min_size=1, max_size=18)
cells = st.lists(words, min_size=1, max_size=5).map(" ".join)


@given(st.data(), st.integers(41, 120))
def test_no_table_loses_a_word_at_any_width(data: st.DataObject, width: int) -> None:
    """Every word of every heading and cell is printed whole, as often as it is there, and no line is too long."""
    columns = data.draw(st.integers(1, 7))
    rows = data.draw(st.lists(st.tuples(*[cells] * columns), min_size=1, max_size=4))
    content = text_table(data.draw(st.tuples(*[cells] * columns)), rows)
    lines = printed(content, width)
    assert max(len(line) for line in lines) <= width
    shown = " ".join(lines).split()
    parts = content.split(width)
    wanted = [word for part in parts for row in (part.headings, *part.texts) for cell in row for word in cell.split()]
    assert sorted(word for word in shown if not word.startswith("─")) == sorted(wanted)
    assert [name for part in parts for name in part.headings[1:]] == list(content.headings[1:])


def test_a_number_keeps_its_unit_and_a_name_its_value() -> None:
    """Text breaks at blanks: not between 0.30 and %, nor at the no-break space of a name."""
    content = text_table(("Group", "Lost"), [("law nmc, least_kw\N{NO-BREAK SPACE}2", "2: 418.78 for 0.30 %")])
    lines = [line.split("  ") for line in printed(content, 30)]
    assert any("least_kw 2" in line[0] for line in lines)
    assert any("0.30 %" in line[-1] for line in lines)


def test_the_total_stands_apart() -> None:
    """An empty line sets a total apart from the rows that it sums."""
    table = Table(
        (Column(heading="What"), Column(heading="Amount", unit="EUR", kind="money")),
        (("Bought", 2.0), ("Sold", -0.5), ("Total", 1.5)),
        "Money, EUR",
        {2: "total"},
    )
    lines = [line.strip() for line in printed(table, 40)]
    assert lines[0] == "Money, EUR"
    assert [each.split() for each in lines[-3:]] == [["Sold", "−0.50"], [], ["Total", "1.50"]]
