"""What is told of a record: a screenful whatever it holds, and what is not counted is said."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from scheduler.inputs.hardware_file import read_hardware
from scheduler.record.bills import BilledDays
from scheduler.record.payoff import pay_off
from scheduler.record.report import CameOf
from scheduler.record.settled import SettledNight
from scheduler.record.take_in import TakenIn
from scheduler.record.terminal import came_of_json, show_came_of
from scheduler.record.totals import totals
from scheduler.record.update import NotSettled, Settled
from tests.builders.plans import DEMO, demo_inputs
from tests.builders.settled import settled_night

MOST_LINES = 35


def came_of(*nights: SettledNight, **more: Any) -> CameOf:
    """What came of some nights of the demo site."""
    plain = CameOf(
        inputs=demo_inputs(),
        nights=nights,
        other_currency=0,
        plans=len(nights),
        taken_in=TakenIn(),
        settled=Settled(),
        billed=(),
        layouts={},
        hardware=None,
        paid=None,
    )
    return replace(plain, **more)


def shown(found: CameOf, width: int = 80) -> str:
    console = Console(file=io.StringIO(), width=width, color_system=None)
    show_came_of(found, console)
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def test_a_long_record_with_all_there_is_to_say_fits_a_screen() -> None:
    why = "The building drew 13.4 kWh more than forecast in the hours of the highest price; the night earned 12.34 EUR."
    nights = [settled_night(5 * number, why=why, cost=3 + number % 3, was_set=number != 9) for number in range(70)]
    hardware = read_hardware(DEMO / "hardware.toml")
    left = [
        NotSettled(datetime(2027, 3, day, tzinfo=UTC), "the meter's values end before it does") for day in (1, 2, 3)
    ]
    found = came_of(
        *nights,
        hardware=hardware,
        paid=pay_off(totals(nights), hardware, "Europe/Helsinki"),
        billed=(BilledDays(date(2026, 3, 3), date(2026, 3, 9), 31.4, 30.9),),
        settled=Settled(3, left, 2),
        taken_in=TakenIn(4, (Path("2026-03-02T1820"),)),
    )
    text = shown(found)
    assert len(text.splitlines()) <= MOST_LINES, text
    assert "before" in text
    assert "2027-02" in text
    assert "(the meter's values end before it does): 1 Mar 2027, 2 Mar 2027, 3 Mar 2027." in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 80


def test_nights_that_were_not_set_are_told_apart() -> None:
    some = shown(came_of(settled_night(), settled_night(1, was_set=False)))
    assert "1 more night, whose plan is not marked as set, counts in no sum." in " ".join(some.split())
    none = shown(came_of(settled_night(was_set=False)))
    assert "every night is settled as if its plan was." in " ".join(none.split())


def test_nothing_settled_is_said() -> None:
    text = shown(came_of(plans=2))
    assert "what came of 2 plans" in text
    assert "No night is settled yet." in text


def test_money_lost_is_said() -> None:
    assert "Lost 1.50 EUR against charging on return" in shown(came_of(settled_night(cost=6.5)))


@pytest.mark.parametrize("width", [40, 60, 120])
def test_narrow_and_wide_screens_break_no_number(width: int) -> None:
    text = shown(came_of(*(settled_night(number, cost=1234.56) for number in range(3))), width)
    assert "3703.68" in text or "3,703.68" in text
    assert max(map(len, text.splitlines())) <= width


def test_json_holds_every_night_and_strict_numbers() -> None:
    found = came_of(settled_night(), settled_night(1, chance_short=None))
    made = json.loads(came_of_json(found))
    assert [night["chance_short"] for night in made["nights"]] == [0.05, None]
    assert made["nights"][0]["begin"] == "2026-03-02T18:20:00+02:00"
    assert made["total"]["nights_short_expected"] == pytest.approx(0.05)
    assert made["pay_off"] is None
