"""The questions of `overnight new`: each answer is checked at once, by the rules of the site and offer files."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, create_model

from models.site.charger import DischargeTo
from scheduler.inputs.site_schema import SiteTable
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
    VOLTS,
    Bound,
)
from scheduler.textio.errors import Fault, InputFaults, shown
from scheduler.textio.parse_clock import clock_minutes
from scheduler.textio.toml_tables import Table, TomlDocument, check_table, expected_text
from scheduler.textio.toml_values import Currency, Name, Phases

Answers = dict[str, Any]
NONE = "none"
BANDS = ("night", "feed_in")


def _band_hours(text: object) -> tuple[str, str]:
    """Parse hours such as "23:00-07:00" into two clock times; raise ValueError for any other text."""
    begin, _, end = text.replace(" ", "").partition("-") if isinstance(text, str) else ("", "", "")
    minutes = clock_minutes(begin), clock_minutes(end)
    if None in minutes or minutes[0] == minutes[1] or minutes == (24 * 60, 0):
        raise ValueError(f"found {shown(text)}")
    return begin, end


def _yes_or_no(text: object) -> bool:
    """Parse yes or no; raise ValueError for any other text."""
    known = {"yes": True, "y": True, "no": False, "n": False}
    if str(text).lower() not in known:
        raise ValueError(f"found {shown(text)}")
    return known[str(text).lower()]


def _zone(name: str) -> str:
    _refuse_contradictions(SiteTable(name="-", timezone=name))
    return name


def _calendar(name: str) -> str:
    _refuse_contradictions(SiteTable(name="-", timezone="UTC", holiday_calendar=name))
    return name


def _refuse_contradictions(table: Table) -> None:
    """Raise the first contradiction of a table as ValueError, without what is expected."""
    for _, message in table.contradictions():
        raise ValueError(message.partition(";")[0])


Zone = Annotated[str, AfterValidator(_zone), Field(description="an IANA time zone such as Europe/Dublin")]
Calendar = Annotated[
    str, AfterValidator(_calendar), Field(description='an ISO 3166 country or subdivision such as "IE", or none')
]
Hours = Annotated[
    tuple[str, str],
    BeforeValidator(_band_hours),
    Field(description='two clock times that differ, such as "23:00-07:00"'),
]
YesOrNoAnswer = Annotated[bool, BeforeValidator(_yes_or_no), Field(description="yes or no")]
Target = Annotated[DischargeTo, Field(description='"building" or "building-and-grid"')]


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
    can_be_none : whether "none" is an answer.
    asked_if : whether to ask it, given the other answers; otherwise the default is used.
    """

    key: str
    text: str
    kind: Any
    default: str | None = None
    can_be_none: bool = False
    asked_if: Callable[[Mapping[str, Any]], bool] = lambda answers: True

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
        if self.can_be_none and text.lower() == NONE:
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
    try:
        return int(text) if kind.__origin__ is int else float(text)
    except ValueError:
        return text


def contradiction(key: str, value: Any, others: Mapping[str, Any]) -> str | None:
    """Return what is wrong with an answer given the others, or None."""
    direction, _, end = key.partition("_")
    if end == "min_kw" and (most := others.get(f"{direction}_max_kw")) is not None and value > most:
        return f"{value:g} is over --{direction}-max-kw; expected 0 to {most:g}"
    if end == "max_kw" and (least := others.get(f"{direction}_min_kw")) is not None and value < least:
        return f"{value:g} is under --{direction}-min-kw; expected {least:g} or more"
    return None


def _may_export(answers: Mapping[str, Any]) -> bool:
    return bool(answers["export_limit_kw"] > 0)


QUESTIONS = (
    Question("name", "What is the place called", Name, "Home"),
    Question("timezone", "Time zone, such as Europe/Dublin", Zone),
    Question("holiday_calendar", "Public holidays of, such as IE, or none", Calendar, NONE, can_be_none=True),
    Question(
        "import_limit_kw",
        "Approved by the network operator: highest power from the grid [kW]",
        Annotated[float, CONNECTION_KW],
    ),
    Question(
        "export_limit_kw",
        "Approved: highest power to the grid [kW], 0 if nothing may be exported",
        Annotated[float, EXPORT_KW],
    ),
    Question("battery_kwh", "Car: usable battery [kWh]", number(BATTERY_KWH)),
    Question("consumption_kwh_per_100km", "Car: consumption [kWh per 100 km]", number(CONSUMPTION), "18"),
    Question("battery_price", "Car: price of a replacement battery, fitted", number(MONEY)),
    Question("charge_max_kw", "Charger: highest charging power [kW]", number(POWER_OVER_0_KW)),
    Question("charge_min_kw", "Charger: lowest charging power [kW]", number(POWER_KW)),
    Question("discharge_max_kw", "Charger: highest discharging power [kW]", number(POWER_OVER_0_KW)),
    Question("discharge_min_kw", "Charger: lowest discharging power [kW]", number(POWER_KW)),
    Question("discharge_to", "Charger: discharge to the building, or building-and-grid", Target),
    Question("volts", "Charger: volts between phase and neutral", number(VOLTS), "230"),
    Question("phases", "Charger: phases", Phases, "1"),
    Question("solar", "Are there solar panels", YesOrNoAnswer, "no"),
    Question("currency", "Offer: currency, such as EUR", Currency),
    Question("offer_name", "Offer: name", Name, "My offer"),
    Question("daily_fee", "Offer: standing charge per day", number(FEE), "0"),
    Question("day_price", "Offer: price per kWh bought", number(PRICE_PER_KWH)),
    Question(
        "night_price",
        "Offer: price per kWh bought at night, or none",
        number(PRICE_PER_KWH),
        NONE,
        can_be_none=True,
    ),
    Question(
        "night_hours",
        "Offer: hours of the night price",
        Hours,
        "23:00-07:00",
        asked_if=lambda answers: answers["night_price"] is not None,
    ),
    Question(
        "export_price",
        "Offer: price per kWh sent to the grid",
        Annotated[float, PRICE_PER_KWH],
        "0",
        asked_if=_may_export,
    ),
    Question(
        "feed_in_price",
        "Offer: price per kWh sent in the evening, or none",
        number(PRICE_PER_KWH),
        NONE,
        can_be_none=True,
        asked_if=_may_export,
    ),
    Question(
        "feed_in_hours",
        "Offer: hours of the evening price",
        Hours,
        "18:00-21:00",
        asked_if=lambda answers: answers["feed_in_price"] is not None,
    ),
)

AskOwner = Callable[[Question, Mapping[str, Any]], Any]


def find_answers(given: Mapping[str, str | None], ask: AskOwner | None) -> Answers:
    """Collect every answer: from the options, then from the owner.

    Parameters
    ----------
    given : options as typed, by key; None where one was not given.
    ask : asks the owner a question, given the answers so far; None where nobody can be asked.

    Raises
    ------
    InputFaults : every option that is at fault or, where nobody can be asked, missing; before anything is asked.
    """
    answers: Answers = {}
    faults: list[Fault] = []
    for question in QUESTIONS:
        text = given.get(question.key)
        if text is not None:
            value, problem = question.read(text, answers)
            answers[question.key] = value
            if problem is not None:
                faults.append(Fault(question.option, None, None, problem))
        elif ask is None and question.default is None:
            faults.append(Fault(question.option, None, None, f"missing; expected {question.allowed}"))
    faults += [
        Fault(f"--{band.replace('_', '-')}-hours", None, None, f"needs --{band.replace('_', '-')}-price as well")
        for band in BANDS
        if given.get(f"{band}_hours") is not None
        and answers.get(f"{band}_price") is None
        and (ask is None or f"{band}_price" in answers)
    ]
    if faults:
        raise InputFaults(faults)
    for question in QUESTIONS:
        if question.key not in answers:
            if ask is not None and question.asked_if(answers):
                answers[question.key] = ask(question, answers)
            else:
                answers[question.key] = question.read(question.default or NONE, answers)[0]
    return answers
