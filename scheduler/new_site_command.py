"""`overnight new DIR`: asks for what no option gave, checks each answer at once, and writes a site."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

import typer

from scheduler.faults import Fault, InputFaults, single_fault

Answer = TypeVar("Answer")
CLOCK = re.compile(r"([01][0-9]|2[0-3]):[0-5][0-9]")


@dataclass(frozen=True, slots=True)
class Question:
    """What to ask: the option that answers it, the words, what is allowed, and a default where one is harmless."""

    key: str
    words: str
    check: Callable[[str], object | None]
    allowed: str
    default: str | None = None


def _text(answer: str) -> str | None:
    return answer if answer.strip() and answer.isprintable() else None


def _zone(answer: str) -> str | None:
    from zoneinfo import available_timezones

    return answer if answer in available_timezones() else None


def _currency(answer: str) -> str | None:
    return answer if re.fullmatch(r"[A-Z]{3}", answer) else None


def _between(least: float, most: float, over: bool = False) -> Callable[[str], float | None]:
    def check(answer: str) -> float | None:
        try:
            value = float(answer)
        except ValueError:
            return None
        return value if (least < value if over else least <= value) and value <= most else None

    return check


def _phases(answer: str) -> int | None:
    return int(answer) if answer in ("1", "2", "3") else None


def _target(answer: str) -> str | None:
    return answer if answer in ("building", "building-and-grid") else None


OVER_ZERO, ZERO_OR_MORE, PRICE = _between(0, 1e9, over=True), _between(0, 1e9), _between(-1e9, 1e9)
A_NUMBER, A_SIZE, AT_LEAST_ZERO = "a number", "a number over 0", "0 or more"

QUESTIONS = (
    Question("name", "What is the place called", _text, "text on one line", "Home"),
    Question("timezone", "Time zone (such as Europe/Dublin)", _zone, "an IANA time zone such as Europe/Dublin"),
    Question("currency", "Currency (three letters, such as EUR)", _currency, "three capital letters such as EUR"),
    Question("battery_kwh", "Car: usable battery [kWh]", OVER_ZERO, A_SIZE),
    Question("consumption_kwh_per_100km", "Car: consumption [kWh per 100 km]", OVER_ZERO, A_SIZE, "18"),
    Question("charge_min_kw", "Charger: least charging power [kW]", ZERO_OR_MORE, AT_LEAST_ZERO),
    Question("charge_max_kw", "Charger: most charging power [kW]", OVER_ZERO, A_SIZE),
    Question("discharge_min_kw", "Charger: least discharging power [kW]", ZERO_OR_MORE, AT_LEAST_ZERO),
    Question("discharge_max_kw", "Charger: most discharging power [kW]", OVER_ZERO, A_SIZE),
    Question("volts", "Charger: volts", OVER_ZERO, A_SIZE, "230"),
    Question("phases", "Charger: phases", _phases, "1, 2 or 3", "1"),
    Question(
        "discharge_to",
        'The operator approved discharging to: "building", or "building-and-grid"',
        _target,
        '"building" or "building-and-grid"',
    ),
    Question("import_limit_kw", "Approved: most power from the grid [kW]", OVER_ZERO, A_SIZE),
    Question("export_limit_kw", "Approved: most power to the grid [kW], 0 for none", ZERO_OR_MORE, AT_LEAST_ZERO),
    Question("battery_price", "Price of a replacement battery, fitted", ZERO_OR_MORE, AT_LEAST_ZERO),
    Question("day_price", "Offer: price per kWh bought", PRICE, A_NUMBER),
    Question("export_price", "Offer: price per kWh sold", PRICE, A_NUMBER, "0"),
)


def answered(given: Mapping[str, Any]) -> dict[str, Any]:
    """Every answer: from the options, or asked for on a terminal.

    Raises
    ------
    InputFaults : options at fault, or missing where nobody can be asked.
    """
    answers: dict[str, Any] = {}
    faults: list[Fault] = []
    for question in QUESTIONS:
        option = "--" + question.key.replace("_", "-")
        typed = given.get(question.key)
        if typed is None:
            continue
        answers[question.key] = question.check(str(typed))
        if answers[question.key] is None:
            faults += single_fault(option, f"found {str(typed)[:40]!r}; allowed is {question.allowed}").faults
    if not faults and not sys.stdin.isatty() and not given.get("ask"):
        faults = [
            fault
            for question in QUESTIONS
            if question.key not in answers and question.default is None
            for fault in single_fault(
                "--" + question.key.replace("_", "-"), f"missing; allowed is {question.allowed}"
            ).faults
        ]
    if faults:
        raise InputFaults(faults)
    for question in QUESTIONS:
        if question.key not in answers:
            asks = sys.stdin.isatty() or bool(given.get("ask"))
            answers[question.key] = _ask(question) if asks else question.check(question.default or "")
    return answers


def _ask(question: Question) -> object:
    """Ask until the answer is allowed."""
    while True:
        typed = str(typer.prompt(question.words, default=question.default))
        answer = question.check(typed.strip())
        if answer is not None:
            return answer
        typer.echo(f"  Allowed is {question.allowed}.")


def band_hours(option: str, typed: str | None, default: tuple[str, str]) -> tuple[str, str]:
    """Hours of a band, "23:00-07:00".

    Raises
    ------
    InputFaults : anything else.
    """
    if typed is None:
        return default
    begin, _, end = typed.partition("-")
    if not (CLOCK.fullmatch(begin) and CLOCK.fullmatch(end)) or begin == end:
        raise single_fault(option, f'found {typed[:40]!r}; allowed is two clock times such as "23:00-07:00"')
    return begin, end
