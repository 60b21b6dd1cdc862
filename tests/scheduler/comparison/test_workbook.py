"""A comparison as a workbook, read back with openpyxl; a dictionary of every column; and no text that is a formula.

Source of the signs that begin a formula: OWASP, CSV injection (from memory).
"""

from __future__ import annotations

import csv
import io
import json
from datetime import date
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
import xlsxwriter
from typer.testing import CliRunner

from scheduler.cli.app import app
from scheduler.comparison.compare import compare
from scheduler.comparison.results import Comparison
from scheduler.render.table import Column, Table, csv_text
from scheduler.render.workbook import workbook
from scheduler.rolling.period import CompareOptions
from scheduler.textio.errors import NotWrittenError
from scheduler.textio.spreadsheet_text import as_text, text_of_cell
from tests.builders.plans import DEMO, demo_copy

assert xlsxwriter.__version__
FORMULA = '=HYPERLINK("http://example.invalid","bill")'
RUNNER = CliRunner()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("workbook")


@pytest.fixture(scope="module")
def compared(folder: Path) -> Comparison:
    """A day under an offer whose name is a formula, and under another."""
    site = demo_copy(folder / "site")
    offer = site / "offers" / "day-and-night.toml"
    text = offer.read_text(encoding="utf-8").replace('name = "Day and night"', f"name = '{FORMULA}'")
    offer.write_text(text, encoding="utf-8")
    options = CompareOptions(site, (offer, site / "offers" / "evening-feed-in.toml"), "2026-03-03", "2026-03-03")
    return compare(options, folder / "out", jobs=1, workbook=workbook)


def rows_of(file: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(file.read_text(encoding="utf-8"), newline="")))


def test_every_table_is_a_sheet_with_the_same_numbers(compared: Comparison, folder: Path) -> None:
    """By pandas and openpyxl: the heads with their units, numbers as numbers and as in the CSV, text as text."""
    sheets = pd.read_excel(
        folder / "out" / "comparison.xlsx", sheet_name=None, engine="openpyxl", keep_default_na=False
    )
    assert list(sheets) == ["comparison", "ranking", "verdict", "bills", "months", "nights", "dictionary"]
    for name, sheet in sheets.items():
        table = rows_of(folder / "out" / f"{name}.csv")
        if name == "dictionary":
            table = [row for row in table if row["table"] != "metered-NAME"]
        assert [head.split(" [")[0] for head in sheet.columns] == list(table[0])
        assert len(sheet) == len(table)
        for row, written in zip(sheet.itertuples(index=False), table, strict=True):
            for value, text in zip(row, written.values(), strict=True):
                if isinstance(value, str):
                    assert value == text.removeprefix("'") if text.startswith("'=") else value == text
                else:
                    assert value == pytest.approx(float(text), abs=1e-9)
    assert "bill [EUR]" in sheets["comparison"].columns
    assert "charge_kwh [kWh]" in sheets["months"].columns
    assert "saving_a_year [EUR a year]" in sheets["verdict"].columns


def test_text_of_users_is_no_formula(compared: Comparison, folder: Path) -> None:
    """In the workbook a cell of text and no formula; in CSV behind an apostrophe; in JSON as it is."""
    book = openpyxl.load_workbook(folder / "out" / "comparison.xlsx")
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert not [cell for cell in cells if cell.data_type == "f"]
    assert sum(cell.value == FORMULA and cell.data_type == "s" for cell in cells) > 4
    for file in (folder / "out").glob("*.csv"):
        for line in csv.reader(io.StringIO(file.read_text(encoding="utf-8"), newline="")):
            for cell in line:
                assert not cell.startswith(("=", "@", "\t", "\r", "+"))
                assert not cell.startswith("-") or cell == "-" or float(cell) <= 0
    assert f"'{FORMULA}" in {row["offer"] for row in rows_of(folder / "out" / "months.csv")}
    names = {each["offer"] for each in json.loads((folder / "out" / "comparison.json").read_text("utf-8"))["offers"]}
    assert FORMULA in names


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\r"])
def test_each_sign_that_begins_a_formula(sign: str) -> None:
    """Before text an apostrophe; a number in a column of numbers stays one."""
    assert as_text(f"{sign}cmd") == f"'{sign}cmd"
    assert text_of_cell(as_text(f"{sign}cmd")) == f"{sign}cmd"
    if sign != "\r":  # no name has one
        table = Table((Column("name"), Column("kw", kind="number")), ((f"{sign}cmd", -1.2),))
        assert list(csv.reader(csv_text(table).splitlines())) == [["name", "kw"], [f"'{sign}cmd", "-1.200000000"]]


def test_the_dictionary_names_every_column(compared: Comparison, folder: Path) -> None:
    """Every table's columns in their order, none twice, and each with a meaning."""
    rows = rows_of(folder / "out" / "dictionary.csv")
    for name in ("comparison", "ranking", "verdict", "bills", "months", "nights"):
        with (folder / "out" / f"{name}.csv").open(encoding="utf-8", newline="") as stream:
            assert [row["column"] for row in rows if row["table"] == name] == next(csv.reader(stream))
    metered = next((folder / "out").glob("metered-*.csv"))
    with metered.open(encoding="utf-8", newline="") as stream:
        assert [row["column"] for row in rows if row["table"] == "metered-NAME"] == next(csv.reader(stream))
    assert all(row["meaning"] and row["unit"] for row in rows)


def test_a_workbook_is_the_same_each_time_and_goes_where_it_is_not_asked_for(
    compared: Comparison, folder: Path
) -> None:
    """The same bytes again; without --xlsx an earlier one is taken away, for its numbers are not these."""
    first = (folder / "out" / "comparison.xlsx").read_bytes()
    site = folder / "site"
    command = ["compare", str(site), "offers/day-and-night.toml", "offers/evening-feed-in.toml"]
    command += ["--from", "2026-03-03", "--to", "2026-03-03", "--out", str(folder / "out")]
    result = RUNNER.invoke(app, [*command, "--xlsx"])
    assert result.exit_code == 0, result.output
    assert (folder / "out" / "comparison.xlsx").read_bytes() == first
    result = RUNNER.invoke(app, command)
    assert result.exit_code == 0, result.output
    assert not (folder / "out" / "comparison.xlsx").exists()


def test_without_the_extra_it_is_said_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Before anything is read."""
    monkeypatch.setattr("scheduler.cli.failures.find_spec", lambda name: None)
    result = RUNNER.invoke(
        app, ["compare", str(DEMO), "offers/day-and-night.toml", "--xlsx", "--out", str(tmp_path / "x")]
    )
    assert result.exit_code == 2
    assert "overnight-scheduler[xlsx]" in result.stderr


def test_more_rows_than_a_sheet_holds_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """In one line, before anything is written."""
    monkeypatch.setattr("scheduler.render.workbook.MOST_ROWS", 3)
    table = Table((Column("name"),), (("a",), ("b",), ("c",)))
    with pytest.raises(NotWrittenError, match="The table nights has 3 rows"):
        workbook({"nights": table}, {}, "EUR", date(2026, 3, 3))
