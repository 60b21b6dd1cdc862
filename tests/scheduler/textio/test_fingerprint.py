"""The hash that results are kept by: the same content, the same hash; anything else, another."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from models.site.car import Car
from scheduler.textio.fingerprint import fingerprint, program_fingerprint

CAR = Car(
    battery_kwh=50.0,
    floor_percent=20.0,
    ceiling_percent=80.0,
    consumption_kwh_per_100km=16.0,
    trip_margin_percent=10.0,
    return_reserve_percent=20.0,
    ready_minutes_before=30,
    on_the_way_price_per_kwh=0.5,
    outside_window_factor=0.1,
    discharge_limit_kwh=None,
)
"""An ordinary car."""


def test_the_same_content_has_the_same_hash_in_another_process() -> None:
    """Records, arrays, instants, mappings in any order; another process hashes alike."""
    instants = pd.date_range("2026-01-01", periods=3, freq="h", tz="UTC")
    here = fingerprint({"b": 1.5, "a": None}, np.arange(3.0), instants, {3, 1, 2})
    again = fingerprint({"a": None, "b": 1.5}, np.arange(3.0), instants.as_unit("s"), {2, 3, 1})
    assert here == again
    code = (
        "from scheduler.textio.fingerprint import *\n"
        "print(fingerprint({'a': 1, 'b': (2.5, 'x')}, program_fingerprint()))"
    )
    other = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip()
    assert other == fingerprint({"b": (2.5, "x"), "a": 1}, program_fingerprint())


@pytest.mark.parametrize(
    "other",
    [
        (1.0, "a", None),
        (1, "a", 0),
        (1, ("a", None)),
        ("1", "a", None),
        (True, "a", None),
        (1, "b", None),
    ],
)
def test_other_content_has_another_hash(other: tuple[object, ...]) -> None:
    """A number of another kind, another grouping, another word: nothing is taken for something else."""
    assert fingerprint(*other) != fingerprint(1, "a", None)


def test_one_number_of_a_record_or_an_array_decides() -> None:
    """The last digit counts; a path does not."""
    assert fingerprint(CAR) == fingerprint(replace(CAR))
    assert fingerprint(CAR) != fingerprint(replace(CAR, battery_kwh=np.nextafter(50.0, 51.0)))
    assert fingerprint(np.array([1.0, 2.0])) != fingerprint(np.array([[1.0, 2.0]]))
    assert fingerprint(Path("here")) == fingerprint(Path("there"))


def test_what_cannot_be_hashed_is_refused() -> None:
    """A kind without a meaning here is an error, not a silent sameness."""
    with pytest.raises(TypeError, match="no fingerprint of object"):
        fingerprint(object())
