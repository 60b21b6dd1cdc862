"""Faults are one line each and short, whatever was found."""

import pickle
import subprocess
import sys
from datetime import date

import pytest

from scheduler.textio.errors import Fault, InputFaults, did_you_mean, listed, shown


@pytest.mark.parametrize(
    ("fault", "text"),
    [
        (
            Fault("site.toml", 14, "car.floor_percent", "120 is over 100; expected 0 to 100"),
            "site.toml line 14, car.floor_percent: 120 is over 100; expected 0 to 100",
        ),
        (Fault("load.csv", 3, None, "gap"), "load.csv line 3: gap"),
        (Fault("site.toml", None, "wear", "missing"), "site.toml, wear: missing"),
        (Fault("--trip", None, None, "found"), "--trip: found"),
        (Fault("a\nb", None, None, "c\u2028d"), "a b: c d"),
    ],
)
def test_a_fault_is_one_line_naming_file_line_key_and_message(fault: Fault, text: str) -> None:
    assert str(fault) == text


def test_input_faults_hold_at_least_one_and_show_one_line_each() -> None:
    faults = InputFaults([Fault("a", None, None, "x"), Fault("b", 2, None, "y")])
    assert str(faults) == "a: x\nb line 2: y"
    with pytest.raises(ValueError, match="at least one"):
        InputFaults([])


def test_input_faults_travel_between_processes() -> None:
    faults = InputFaults([Fault("a", 1, "k", "x")])
    assert pickle.loads(pickle.dumps(faults)).faults == faults.faults


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (True, "true"),
        ("a\nb", '"a?b"'),
        ("\x9b31m", '"?31m"'),
        (1.5, "1.5"),
        (10**50, "a whole number of over 40 digits"),
        ([1, "a", [2]], '[1, "a", a list]'),
        ({"a": 1}, "a table"),
        (date(2026, 3, 2), "2026-03-02"),
    ],
)
def test_a_found_value_is_shown_as_it_stands_in_the_file(value: object, text: str) -> None:
    assert shown(value) == text


def test_long_values_are_shortened_to_about_40_characters() -> None:
    assert len(shown("x" * 10_000_000)) < 45
    assert len(shown(["x" * 50] * 1000)) < 45
    assert len(shown(10**5000)) < 45


def test_only_the_first_ten_faults_are_listed_and_the_rest_counted() -> None:
    many = listed([Fault("a", line, None, "x") for line in range(25)])
    assert len(many) == 11
    assert many[-1].message == "and 15 more"


def test_the_nearest_known_word_is_suggested_and_none_if_none_is_near() -> None:
    assert did_you_mean("flor_percent", ["floor_percent", "volts"]) == "; did you mean floor_percent?"
    assert did_you_mean("qqq", ["floor_percent"]) == ""


def test_faults_import_neither_pandas_nor_pydantic() -> None:
    code = "import sys, scheduler.textio.errors; print({'pandas', 'pydantic', 'numpy'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"
