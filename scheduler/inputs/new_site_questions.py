"""The questions of `overnight new`: each answer is checked at once, by the rules of the site and offer files."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, create_model

from models.site.charger import DischargeTo
from scheduler.inputs.control_mode import WAKING_HOURS
from scheduler.inputs.find_place import find_zone
from scheduler.inputs.offer_schema import price_problem
from scheduler.inputs.site_schema import SiteTable, least_power_problem
from scheduler.inputs.usual_trip_text import EXPECTED as USUAL_TRIPS_EXPECTED
from scheduler.inputs.usual_trip_text import parse_usual_trips
from scheduler.textio.bounds import (
    BATTERY_KWH,
    CONNECTION_KW,
    CONSUMPTION,
    EXPORT_KW,
    FEE,
    MONEY,
    POWER_KW,
    POWER_OVER_0_KW,
    PRICE_PER_KWH,
    SETTING_MONEY,
    SOC_PERCENT,
    VOLTS,
    Bound,
)
from scheduler.textio.errors import Fault, InputFaults, shown
from scheduler.textio.parse_clock import clock_minutes, plain_clock
from scheduler.textio.parse_number import parse_number
from scheduler.textio.toml_tables import Table, TomlDocument, check_table, expected_text
from scheduler.textio.toml_values import Currency, Name, Phases, clock_of_minutes

Answers = dict[str, Any]
NONE = "none"
USUAL = "usual"
BANDS = ("night", "feed_in")


def _band_hours(text: object) -> tuple[str, str]:
    """Parse hours such as "23:00-07:00" into two clock times; raise ValueError for any other text."""
    parts = re.split(r"\s*(?:[-–—]|\bto\b|\buntil\b)\s*", text.strip()) if isinstance(text, str) else []
    minutes = tuple(clock_minutes(part) for part in parts)
    if len(minutes) != 2 or None in minutes or minutes[0] == minutes[1] or minutes == (24 * 60, 0):
        raise ValueError(f"found {shown(text)}")
    return plain_clock(parts[0]), plain_clock(parts[1])


def _yes_or_no(text: object) -> bool:
    """Parse yes or no; raise ValueError for any other text."""
    known = {"yes": True, "y": True, "no": False, "n": False}
    if str(text).lower() not in known:
        raise ValueError(f"found {shown(text)}")
    return known[str(text).lower()]


def _calendar(name: str) -> str:
    table = SiteTable(name="-", timezone="UTC", holiday_calendar=name)
    _refuse_contradictions(table)
    return str(table.holiday_calendar)


def _target(text: object) -> object:
    """Return what is discharged to, in small letters and with hyphens."""
    return "-".join(text.lower().split()) if isinstance(text, str) else text


def _currency(text: object) -> object:
    """Return three letters as capitals; any other text as it is."""
    return text.upper() if isinstance(text, str) and len(text) == 3 else text


def _set_by(text: object) -> str:
    """Parse how the charger is set; raise ValueError for any other text."""
    known = {
        **dict.fromkeys(("myself", "i", "me", "i do", "by hand", "hand"), "myself"),
        **dict.fromkeys(("timer", "a timer", "it has a timer"), "timer"),
        **dict.fromkeys(("itself", "something", "something else", "automatic", "schedule"), "itself"),
    }
    if str(text).lower() not in known:
        raise ValueError(f"found {shown(text)}")
    return known[str(text).lower()]


def _refuse_contradictions(table: Table) -> None:
    """Raise the first contradiction of a table as ValueError, without what is expected."""
    for _, message in table.contradictions():
        raise ValueError(message.partition(";")[0])


Zone = Annotated[
    str,
    AfterValidator(find_zone),
    Field(description="an IANA time zone such as Europe/Dublin, its city, or a country with one clock"),
]
Calendar = Annotated[
    str, AfterValidator(_calendar), Field(description='an ISO 3166 country or subdivision such as "IE", or none')
]
Hours = Annotated[
    tuple[str, str],
    BeforeValidator(_band_hours),
    Field(description='two clock times that differ, such as "23:00-07:00"'),
]
YesOrNoAnswer = Annotated[bool, BeforeValidator(_yes_or_no), Field(description="yes or no")]
Target = Annotated[DischargeTo, BeforeValidator(_target), Field(description='"building" or "building-and-grid"')]


SetByAnswer = Annotated[str, BeforeValidator(_set_by), Field(description="myself, timer or itself")]
PowerIn = Annotated[Literal["kw", "amps"], BeforeValidator(_target), Field(description="kw or amps")]
OwnCurrency = Annotated[Currency, BeforeValidator(_currency)]
UsualTrips = Annotated[Any, BeforeValidator(parse_usual_trips), Field(description=USUAL_TRIPS_EXPECTED)]


def number(bound: Bound) -> Any:
    """Return the kind of a number inside a bound."""
    return Annotated[float, bound]


@dataclass(frozen=True, slots=True)
class Question:
    """One question.

    Attributes
    ----------
    key : of the answer; the option that gives it is named after it.
    text : the question as it is asked.
    kind : type of the answer, as in the site and offer files.
    default : answer if none is given; None where an answer is required, as for everything that concerns safety.
    unasked : answer where nobody can be asked; None for the default.
    none : what is typed for no answer of one's own.
    can_be_none : whether "none" is an answer, or what stands for it.
    asked_if : whether to ask it, given the other answers; otherwise the default is used.
    """

    key: str
    text: str
    kind: Any
    default: str | None = None
    can_be_none: bool = False
    asked_if: Callable[[Mapping[str, Any]], bool] = lambda answers: True
    unasked: str | None = None
    none: str = NONE

    @property
    def option(self) -> str:
        """Return the name of the option that answers it."""
        return "--" + self.key.replace("_", "-")

    @property
    def allowed(self) -> str:
        """Return what is expected, as messages say it."""
        return expected_text(self._schema(), self.key)

    def read(self, text: str, others: Mapping[str, Any]) -> tuple[Any, str | None]:
        """Parse an answer.

        Parameters
        ----------
        others : the other answers so far.

        Returns
        -------
        The answer and None; or None and what is wrong with it, by itself or given the other answers.
        """
        text = text.strip()
        if self.can_be_none and text.lower() == self.none:
            return None, None
        faults: list[Fault] = []
        values = {self.key: _number_if_any(text, self.kind)}
        table = check_table(TomlDocument(Path(self.option), values, {}), (), self._schema(), faults)
        if table is None:
            return None, faults[0].message
        value = getattr(table, self.key)
        return value, contradiction(self.key, value, others)

    def _schema(self) -> type[Table]:
        fields: dict[str, Any] = {self.key: (self.kind, ...)}
        return create_model("Answer", __base__=Table, **fields)


def _number_if_any(text: str, kind: Any) -> object:
    """Return the text as a number where the kind is one and the text can be parsed; otherwise the text itself."""
    if kind.__origin__ not in (float, int):
        return text
    bound = next((each for each in kind.__metadata__ if isinstance(each, Bound)), Bound(0, 0))
    try:
        value = parse_number(text, bound.unit, bound.money)
    except ValueError:
        return text
    return int(value) if kind.__origin__ is int and value.is_integer() else value


def contradiction(key: str, value: Any, others: Mapping[str, Any]) -> str | None:
    """Return what is wrong with an answer given the others, or None."""
    direction, _, end = key.partition("_")
    if end == "min_kw" and (most := others.get(f"{direction}_max_kw")) is not None:
        return least_power_problem(value, most, f"--{direction}-max-kw", ALLOW in others, ALLOW_OPTION)
    if end == "max_kw" and (least := others.get(f"{direction}_min_kw")) is not None:
        if value < least:
            return f"{value:g} is under --{direction}-min-kw; expected {least:g} or more"
        if least_power_problem(least, value, "", ALLOW in others) is not None:
            return f"{value:g} is under twice --{direction}-min-kw, {least:g}; expected {2 * least:g} or more"
    if key in PRICES and value is not None and "currency" in others and ALLOW not in others:
        return price_problem(value, others["currency"], ALLOW_OPTION)
    return None


def _may_export(answers: Mapping[str, Any]) -> bool:
    return bool(answers["export_limit_kw"] > 0)


ALLOW = "allow_unusual"
"""Among the answers where prices and least powers that are most likely a slip are taken as they are."""
ALLOW_OPTION = "--allow-unusual"
PRICES = ("day_price", "night_price", "export_price", "feed_in_price")


def span_of_minutes(between: tuple[int, int]) -> str:
    """Return two clock times as they are typed, from minutes since midnight.

    Examples
    --------
    >>> span_of_minutes((390, 1380))
    '06:30-23:00'
    """
    return "-".join(clock_of_minutes(minute) for minute in between)


def _sets_it(answers: Mapping[str, Any]) -> bool:
    return bool(answers["set_by"] != "itself")


QUESTIONS = (
    Question("name", "What is the place called", Name, "Home"),
    Question("timezone", "Time zone: its city, such as Dublin, or a country with one clock", Zone),
    Question(
        "holiday_calendar",
        "Whose public holidays count, such as IE or Ireland, or none",
        Calendar,
        NONE,
        can_be_none=True,
    ),
    Question(
        "import_limit_kw",
        "Approved by the network operator: highest power from the grid [kW], such as 14",
        Annotated[float, CONNECTION_KW],
    ),
    Question(
        "export_limit_kw",
        "Approved: highest power to the grid [kW], such as 5; 0 if nothing may be exported",
        Annotated[float, EXPORT_KW],
    ),
    Question("battery_kwh", "Car: usable battery [kWh], such as 58", number(BATTERY_KWH)),
    Question(
        "consumption_kwh_per_100km", "Car: consumption, best that of winter [kWh per 100 km]", number(CONSUMPTION), "18"
    ),
    Question(
        "battery_price",
        "Car: price of a replacement battery, fitted, in the offer's currency, such as 7000",
        number(MONEY),
    ),
    Question("charge_max_kw", "Charger: highest charging power [kW], such as 7.4", number(POWER_OVER_0_KW)),
    Question("charge_min_kw", "Charger: lowest charging power [kW], such as 1.4", number(POWER_KW)),
    Question("discharge_max_kw", "Charger: highest discharging power [kW], such as 7.4", number(POWER_OVER_0_KW)),
    Question("discharge_min_kw", "Charger: lowest discharging power [kW], such as 1.4", number(POWER_KW)),
    Question("discharge_to", "Charger: discharge to the building, or building-and-grid", Target),
    Question(
        "set_by",
        "Charger: do you set it yourself, has it a timer, or does something set it for you (myself, timer, itself)",
        SetByAnswer,
        "myself",
        unasked="itself",
    ),
    Question("power_in", "Charger: is its power set in kw, or in amps", PowerIn, "kw", asked_if=_sets_it),
    Question(
        "setting_worth",
        "What is it worth to you to be spared one walk to the charger, in the offer's currency, such as 0.10; 0 if "
        "nothing, usual for what 0.2 kWh cost at the highest price",
        number(SETTING_MONEY),
        USUAL,
        can_be_none=True,
        asked_if=_sets_it,
        none=USUAL,
    ),
    Question(
        "settings_between",
        "Between which times can you set the charger, such as 07:00-22:30",
        Hours,
        span_of_minutes(WAKING_HOURS),
        asked_if=lambda answers: bool(answers["set_by"] == "myself"),
    ),
    Question("volts", "Charger: volts between phase and neutral [V]", number(VOLTS), "230"),
    Question("phases", "Charger: phases, 1, 2 or 3", Phases, "1"),
    Question("solar", "Are there solar panels, yes or no", YesOrNoAnswer, "no"),
    Question("currency", "Offer: currency, such as EUR", OwnCurrency),
    Question("offer_name", "Offer: name", Name, "My offer"),
    Question("daily_fee", "Offer: standing charge per day, such as 0.40", number(FEE), "0"),
    Question("day_price", "Offer: price per kWh bought, such as 0.34", number(PRICE_PER_KWH)),
    Question(
        "night_price",
        "Offer: price per kWh bought at night, such as 0.12, or none",
        number(PRICE_PER_KWH),
        NONE,
        can_be_none=True,
    ),
    Question(
        "night_hours",
        "Offer: hours of the night price, such as 23:00-07:00",
        Hours,
        "23:00-07:00",
        asked_if=lambda answers: answers["night_price"] is not None,
    ),
    Question(
        "export_price",
        "Offer: price per kWh sent to the grid, such as 0.05",
        Annotated[float, PRICE_PER_KWH],
        "0",
        asked_if=_may_export,
    ),
    Question(
        "feed_in_price",
        "Offer: price per kWh sent in the evening, such as 0.20, or none",
        number(PRICE_PER_KWH),
        NONE,
        can_be_none=True,
        asked_if=_may_export,
    ),
    Question(
        "feed_in_hours",
        "Offer: hours of the evening price, such as 18:00-21:00",
        Hours,
        "18:00-21:00",
        asked_if=lambda answers: answers["feed_in_price"] is not None,
    ),
    Question(
        "usual_trips",
        'Usual trips, such as "mon-fri 07:30-17:30 30km; sat 10:00-12:00 8km", or none',
        UsualTrips,
        NONE,
        can_be_none=True,
    ),
    Question(
        "soc",
        "For a first plan: how full is the car now [%], or none",
        number(SOC_PERCENT),
        "60",
        can_be_none=True,
        unasked=NONE,
    ),
)

AskOwner = Callable[[Question, Mapping[str, Any], str | None], str | None]
"""Asks a question until its answer is valid, given the other answers and the default; returns the text, or None to go
back to the question before."""
KeepTexts = Callable[[Mapping[str, str]], None]


def find_answers(
    given: Mapping[str, str | None],
    ask: AskOwner | None,
    before: Mapping[str, str] | None = None,
    keep: KeepTexts = lambda texts: None,
) -> Answers:
    """Collect every answer: from the options, then from the owner.

    Parameters
    ----------
    given : options as typed, by key; None where one was not given.
    ask : asks the owner a question; None where nobody can be asked.
    before : texts of answers that were asked for earlier; those questions are not asked again.
    keep : told the texts of all answers so far after each.

    Raises
    ------
    InputFaults : every option that is at fault or, where nobody can be asked, missing; before anything is asked.
    """
    chosen = _from_options(given, can_ask=ask is not None)
    answers, asked, at = dict(chosen), list[int](), 0
    texts, again = dict(before or {}), False
    while at < len(QUESTIONS):
        question = QUESTIONS[at]
        others = {key: answers[key] for key in [*chosen, *(each.key for each in QUESTIONS[:at])]}
        if question.key in chosen:
            at += 1
        elif ask is None or not question.asked_if(others):
            text = question.unasked if ask is None and question.unasked is not None else question.default
            answers[question.key] = question.read(text or NONE, others)[0]
            at += 1
        else:
            text = texts.get(question.key)
            if again or text is None or question.read(text, others)[1] is not None:
                text = ask(question, others, question.default if text is None else text)
            if text is None:
                at, again = (asked.pop() if asked else at), True
                continue
            again = False
            answers[question.key] = question.read(text, others)[0]
            texts[question.key] = text
            keep(texts)
            asked.append(at)
            at += 1
    return answers


def _from_options(given: Mapping[str, str | None], can_ask: bool) -> Answers:
    """Return the answers that options give; raise InputFaults for every option at fault, or missing if none can ask."""
    answers: Answers = {} if given.get(ALLOW) is None else {ALLOW: True}
    faults: list[Fault] = []
    for question in QUESTIONS:
        text = given.get(question.key)
        if text is not None:
            value, problem = question.read(text, answers)
            answers[question.key] = value
            if problem is not None:
                faults.append(Fault(question.option, None, None, problem))
        elif not can_ask and question.default is None and question.unasked is None:
            faults.append(Fault(question.option, None, None, f"missing; expected {question.allowed}"))
    faults += [
        Fault(f"--{band.replace('_', '-')}-hours", None, None, f"needs --{band.replace('_', '-')}-price as well")
        for band in BANDS
        if given.get(f"{band}_hours") is not None
        and answers.get(f"{band}_price") is None
        and (not can_ask or f"{band}_price" in answers)
    ]
    if faults:
        raise InputFaults(faults)
    return answers
