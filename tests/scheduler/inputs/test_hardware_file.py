"""A hardware file is read strictly: every key, good and bad."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.tariff.investment import HardwareCase, hardware_worth
from scheduler.inputs.hardware_file import Hardware, read_hardware
from scheduler.textio.errors import InputFaults
from tests.builders.places import SCENARIOS
from tests.builders.sites import changed, faults_of

DEMO = SCENARIOS / "bookbindery"

HARDWARE = """\
format = 1
currency = "EUR"
price = 5200.50
installation = 900
plain_charger_price = 1100
grant = 600
life_years = 12
discount_rate_percent = 4
yearly_upkeep = 35
price_drift_percent = 1.5
discount_rates_percent = [0, 4, 8.5]
price_drifts_percent = [-2, 1.5]
"""
NEEDED = (
    'format = 1\ncurrency = "EUR"\nprice = 5000\ninstallation = 0\nplain_charger_price = 0\nlife_years = 10\n'
    "discount_rate_percent = 3\n"
)


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("hardware") / "hardware.toml"


def read(path: Path, text: str) -> Hardware:
    path.write_text(text, encoding="utf-8")
    return read_hardware(path)


def faults(path: Path, changes: Mapping[str, str]) -> list[str]:
    path.write_text(changed(HARDWARE, changes), encoding="utf-8")
    return [line.removeprefix(f"{path.parent}/") for line in faults_of(lambda: read_hardware(path))]


def test_a_file_with_every_key(path: Path) -> None:
    """Each key reaches its place in the record."""
    assert read(path, HARDWARE) == Hardware(
        case=HardwareCase(
            price=5200.5,
            installation=900,
            plain_charger_price=1100,
            grant=600,
            life_years=12,
            discount_rate_percent=4,
            yearly_upkeep=35,
            price_drift_percent=1.5,
        ),
        currency="EUR",
        discount_rates_percent=(0, 4, 8.5),
        price_drifts_percent=(-2, 1.5),
    )


def test_what_may_be_left_out(path: Path) -> None:
    """Without them there is no grant, upkeep or drift, and the table lies around the file's own rates."""
    hardware = read(path, NEEDED)
    assert hardware.case == HardwareCase(5000, 0, 0, 0, 10, 3, 0, 0)
    assert hardware.discount_rates_percent == (1, 3, 5, 7)
    assert hardware.price_drifts_percent == (-4, -2, 0, 2, 4)


@pytest.mark.parametrize(
    ("rate", "rates"),
    [
        ("0", (0, 2, 4)),
        ("7.1", (3.1, 5.1, 7.1, 9.1, 11.1)),
        ("-1", (-1, 1, 3)),
        ("-99", (-99, -97, -95)),
        ("99", (95, 97, 99)),
        ("100", (96, 98, 100)),
    ],
)
def test_rates_around_the_files_own(path: Path, rate: str, rates: tuple[float, ...]) -> None:
    """Those left out are 2 points apart, within what is allowed, and below 0 only for a rate below 0."""
    hardware = read(path, NEEDED.replace("rate_percent = 3", f"rate_percent = {rate}"))
    assert hardware.discount_rates_percent == rates


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("format = 1", "", "hardware.toml, format: missing, and required: 1, the format"),
        ("format = 1", "format = 2", "hardware.toml line 1, format: 2 is over 1; expected 1, the format"),
        ('"EUR"', '"euro"', 'line 2, currency: found "euro"; expected three capital letters, such as "EUR"'),
        ('currency = "EUR"', "", "currency: missing, and required: three capital letters"),
        ("5200.50", "-1", "line 3, price: -1 is under 0; expected 0 to 100000000000"),
        ("5200.50", "2e11", "price: 200000000000 is over 100000000000"),
        ("5200.50", "nan", "price: nan is not finite"),
        ("5200.50", "inf", "price: inf is not finite"),
        ("5200.50", '"5200"', 'price: found "5200"; expected 0 to'),
        ("price = 5200.50", "", "price: missing, and required: 0 to"),
        ("= 900", "= true", "line 4, installation: found true; expected 0 to"),
        ("installation = 900", "", "installation: missing"),
        ("1100", "-0.01", "line 5, plain_charger_price: -0.01 is under 0"),
        ("plain_charger_price = 1100", "", "plain_charger_price: missing"),
        ("plain_charger_price", "plain_charger", "plain_charger: unknown key; did you mean plain_charger_price?"),
        ("= 600", "= -600", "line 6, grant: -600 is under 0"),
        (
            "= 600",
            "= 6100.51",
            "line 6, grant: 6100.51 is over price and installation together; expected 0 to 6100.5",
        ),
        ("= 12", "= 0", "line 7, life_years: 0 is under 1; expected a whole number of years from 1 to 100"),
        ("= 12", "= 101", "life_years: 101 is over 100"),
        ("= 12", "= 12.5", "life_years: found 12.5; expected a whole number"),
        ("= 12", "= 12.0", "life_years: found 12.0; expected a whole number"),
        ("= 12", "= true", "life_years: found true"),
        ("life_years = 12", "", "life_years: missing"),
        ("= 4\n", "= -99.5\n", "line 8, discount_rate_percent: -99.5 is under -99; expected -99 to 100 % a year"),
        ("= 4\n", "= 100.5\n", "discount_rate_percent: 100.5 is over 100"),
        ("discount_rate_percent = 4", "", "discount_rate_percent: missing, and required: -99 to 100 % a year"),
        ("= 35", "= -35", "line 9, yearly_upkeep: -35 is under 0"),
        ("t = 1.5", "t = -100", "line 10, price_drift_percent: -100 is under -99"),
        (
            "t = 1.5",
            "t = [1.5]",
            "price_drift_percent: found [1.5]; expected -99 to 100 % a year; did you mean 1.5, without brackets?",
        ),
        (
            "[0, 4, 8.5]",
            "[0, 4, 4]",
            "line 11, discount_rates_percent: found [0.0, 4.0, 4.0]; expected a list of 1 to 9 numbers, -99 to "
            "100 % a year, in rising order",
        ),
        ("[0, 4, 8.5]", "[]", "discount_rates_percent: found []; expected a list of 1 to 9"),
        ("[0, 4, 8.5]", "[0, 1, 2, 3, 4, 5, 6, 7, 8, 9]", "discount_rates_percent: found [0.0, 1.0"),
        ("[0, 4, 8.5]", "4", "discount_rates_percent: found 4; expected a list of 1 to 9"),
        ("[0, 4, 8.5]", '[0, "4"]', 'line 11, discount_rates_percent[2]: found "4"; expected a list of 1 to 9'),
        ("[-2, 1.5]", "[-120, 1.5]", "line 12, price_drifts_percent[1]: -120 is under -99; expected a list"),
        ("[-2, 1.5]", "[1.5, -2]", "line 12, price_drifts_percent: found [1.5, -2.0]"),
        ("grant = 600", "grant = 600\ngrant = 500", "line 7: this is not TOML"),
        ("grant = 600", "grant 600", "line 6: this is not TOML"),
        ("grant = 600", "[hardware]\ngrant = 600", "line 6, hardware: unknown key; known are format, currency, price"),
    ],
)
def test_an_impossible_value_names_key_found_and_allowed(path: Path, old: str, new: str, message: str) -> None:
    """One bad value, one message that says where it stands, what was found and what is allowed."""
    assert any(message in fault for fault in faults(path, {old: new}))


def test_every_fault_is_told_at_once_in_the_order_of_the_file(path: Path) -> None:
    """Three bad values give three messages, by line."""
    found = faults(path, {"= 900": "= -1", "= 12": "= 0", "= 35": "= nan"})
    assert [fault.split(",")[0] for fault in found] == [f"hardware.toml line {line}" for line in (4, 7, 9)]


def test_a_grant_for_all_of_it_is_allowed(path: Path) -> None:
    """A grant may pay for price and installation, the last cent included."""
    assert read(path, changed(HARDWARE, {"= 600": "= 6100.50"})).case.extra_outlay == -1100.0


def test_a_file_that_is_not_there(path: Path) -> None:
    """The message names the file."""
    missing = path.parent / "nowhere.toml"
    (fault,) = faults_of(lambda: read_hardware(missing))
    assert fault.startswith(str(missing))


@settings(max_examples=60, deadline=None)
@given(
    key=st.sampled_from([line.split(" =")[0] for line in HARDWARE.splitlines()]),
    value=st.sampled_from(["1979-05-27", "07:32:00", "{}", "[[]]", "''", "1e400", "-0.0", "9" * 400, "[1, [2]]"]),
)
def test_strange_values_never_end_in_a_traceback(path: Path, key: str, value: str) -> None:
    """Dates, tables, nested lists and numbers of 400 digits are told with their line, or read."""
    lines = [f"{key} = {value}" if line.split(" =")[0] == key else line for line in HARDWARE.splitlines()]
    path.write_text("\n".join(lines), encoding="utf-8")
    if value == "-0.0" and key not in ("format", "currency", "life_years") and not key.endswith("s_percent"):
        read_hardware(path)
        return
    with pytest.raises(InputFaults) as caught:
        read_hardware(path)
    assert f" line {1 + lines.index(f'{key} = {value}')}, {key}" in str(caught.value)


def test_the_demo_is_read_and_comes_to_numbers() -> None:
    """The bookbindery's file has an outlay, its own rates stand in its table, and it can be worked out."""
    hardware = read_hardware(DEMO / "hardware.toml")
    assert hardware.case.extra_outlay > 0
    assert hardware.case.discount_rate_percent in hardware.discount_rates_percent
    assert hardware.case.price_drift_percent in hardware.price_drifts_percent
    assert f'currency = "{hardware.currency}"' in (DEMO / "offers" / "evening-feed-in.toml").read_text(encoding="utf-8")
    worth = hardware_worth(hardware.case, 500.0)
    assert worth.cash_flow.shape == (hardware.case.life_years + 1,)
    assert worth.simple_payback_years is not None
