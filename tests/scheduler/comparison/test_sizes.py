"""Other sizes of battery, charger and roof: each is the comparison of a site with that size, run by itself."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.cli.app import app
from scheduler.comparison.compare import compare
from scheduler.comparison.results import Comparison
from scheduler.comparison.sizes_text import sizes_table
from scheduler.comparison.tables import SIZE_COLUMNS, comparison_json
from scheduler.inputs.sizes_file import MOST_SIZES, Size, read_sizes
from scheduler.rolling.period import CompareOptions, parse_period
from scheduler.textio.errors import InputFaults
from tests.builders.plans import DEMO, demo_copy

OFFERS = (Path("offers/day-and-night.toml"), Path("offers/evening-feed-in.toml"))
DAYS = ("2026-03-03", "2026-03-04")
RUNNER = CliRunner()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("sizes")


@pytest.fixture(scope="module")
def compared(folder: Path) -> Comparison:
    """The site's own size, and one with a smaller battery that costs less, a stronger charger and a larger roof."""
    file = folder / "sizes.toml"
    file.write_text("format = 1\nbattery_kwh = [58, 40]\ncharger_kw = [7.4]\nsolar_scale = [1, 2.5]\n")
    options = CompareOptions(DEMO, OFFERS, *DAYS, hardware=DEMO / "hardware.toml", sizes=file)
    return compare(options, folder / "out", jobs=1)


def test_each_size_is_a_run_of_its_own(compared: Comparison, folder: Path) -> None:
    """The saving of each size, to the last digit, is that of a site whose files say so."""
    assert [each.size for each in compared.sizes] == [
        Size(58, 7.4, 1.0),
        Size(58, 7.4, 2.5),
        Size(40, 7.4, 1.0),
        Size(40, 7.4, 2.5),
    ]
    own, other = compared.sizes[0].compared, compared.sizes[3].compared
    assert own.yearly_saving == compared.yearly_saving
    site = demo_copy(folder / "site")
    text = (site / "site.toml").read_text(encoding="utf-8")
    text = text.replace("battery_kwh = 58.0", "battery_kwh = 40")
    text = text.replace('solar = "solar.csv"', 'solar = "solar.csv"\nsolar_scale = 2.5')
    (site / "site.toml").write_text(text, encoding="utf-8")
    single = compare(CompareOptions(site, OFFERS, *DAYS), folder / "single", jobs=1)
    assert other.yearly_saving == pytest.approx(single.yearly_saving, abs=1e-9)
    assert other.best.money["plan"].total == pytest.approx(single.best.money["plan"].total, abs=1e-9)
    assert other.yearly_saving != pytest.approx(compared.yearly_saving, abs=0.01)


def test_the_table_of_sizes(compared: Comparison, folder: Path) -> None:
    """A row a size in CSV, JSON and on screens; a comparison without sizes takes an earlier table away."""
    rows = list(csv.DictReader((folder / "out" / "sizes.csv").read_text("utf-8").splitlines()))
    assert tuple(rows[0]) == SIZE_COLUMNS
    assert [(float(row["battery_kwh"]), float(row["solar_scale"])) for row in rows] == [
        (58, 1),
        (58, 2.5),
        (40, 1),
        (40, 2.5),
    ]
    for row, each in zip(rows, compared.sizes, strict=True):
        assert float(row["total_plain"]) - float(row["total_bidirectional"]) == pytest.approx(
            float(row["saving_a_year"]) * 2 / 365.25, abs=1e-6
        )
        assert float(row["saving_a_year"]) == pytest.approx(each.compared.yearly_saving, abs=1e-6)
    assert len(json.loads(comparison_json(compared))["sizes"]) == 4
    assert sizes_table(compared).texts[3][0] == "40 kWh, 7.4 kW, roof × 2.5"
    compare(CompareOptions(DEMO, OFFERS, *DAYS), folder / "out", jobs=1)
    assert not (folder / "out" / "sizes.csv").exists()


def test_the_site_s_own_size_is_not_run_twice(folder: Path, compared: Comparison) -> None:
    """Of four sizes one is the site's; two runs under each of two offers are left for the others."""
    options = CompareOptions(DEMO, OFFERS, *DAYS, sizes=folder / "sizes.toml")
    names = parse_period(options).size_runs()
    assert len(names) == 3 * 2 * 2
    assert not any(name.startswith("size_battery58_charger7.4_solar1.") for name in names)


def test_sizes_as_csv(tmp_path: Path) -> None:
    """Columns of unequal length; every combination."""
    file = tmp_path / "sizes.csv"
    file.write_text("battery_price,battery_kwh\n5000,40\n,58\n,77\n")
    assert read_sizes(file) == tuple(Size(battery_kwh=kwh, battery_price=5000.0) for kwh in (40.0, 58.0, 77.0))


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        (
            "a.toml",
            "format = 1\nbattery_kwh = [40, 40]\n",
            "found [40.0, 40.0]; expected a list of numbers",
        ),
        ("a.toml", "format = 1\nbattery_kwh = [0.5]\n", "0.5 is under 1"),
        ("a.toml", "format = 1\nbatery_kwh = [40]\n", "did you mean battery_kwh?"),
        ("a.toml", "format = 1\n", "it has no values; expected some of battery_kwh"),
        ("a.csv", "battery_kwh\n40\nforty\n", 'line 3, battery_kwh: "forty" is not a number'),
        ("a.csv", "battery_kwh\n40\n40\n", "expected each value once"),
        ("a.csv", "battery_kwh,charger\n40,7\n", "the header is"),
        ("a.csv", "battery_kwh,charger_kw\n", "it has no values"),
    ],
)
def test_a_file_of_sizes_at_fault(tmp_path: Path, name: str, text: str, said: str) -> None:
    """One line that says where and what is expected."""
    (tmp_path / name).write_text(text)
    with pytest.raises(InputFaults) as refused:
        read_sizes(tmp_path / name)
    assert said in str(refused.value)


def test_many_combinations_are_refused(tmp_path: Path) -> None:
    file = tmp_path / "sizes.toml"
    numbers = ", ".join(map(str, range(1, 1001)))
    file.write_text(f"format = 1\nbattery_kwh = [{numbers}]\nbattery_price = [{numbers}]\nsolar_scale = [1, 2]\n")
    with pytest.raises(InputFaults, match=f"2000000 combinations; expected up to {MOST_SIZES}"):
        read_sizes(file)


def test_a_size_that_the_site_cannot_have(tmp_path: Path) -> None:
    """A charger that is weaker than its own least power: exit 2, with the size and the key; nothing begun."""
    file = tmp_path / "sizes.toml"
    file.write_text("format = 1\ncharger_kw = [1.3, 7.4]\n")
    command = ["compare", str(DEMO), "offers/day-and-night.toml", "--sizes", str(file), "--out", str(tmp_path / "out")]
    result = RUNNER.invoke(app, command)
    assert result.exit_code == 2
    assert "size charger1.3: charger.charge_min_kw: 1.4 is over charge_max_kw" in result.stderr
    assert not (tmp_path / "out").exists()
