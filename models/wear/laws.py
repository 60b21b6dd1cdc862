"""The wear laws by name. A new one is its own file and one line here."""

from __future__ import annotations

from collections.abc import Callable

from models.wear.depth import depth_law
from models.wear.flat import flat_law
from models.wear.law import CalendarLaw, LawSettings, WearLaw
from models.wear.nmc import nmc_law
from models.wear.stress import stress_law

WEAR_LAWS: dict[str, Callable[[LawSettings], WearLaw]] = {
    "flat": flat_law,
    "depth": depth_law,
    "stress": stress_law,
    "nmc": nmc_law,
}


def wear_law(name: str, settings: LawSettings) -> WearLaw:
    """The law of this name.

    Raises
    ------
    ValueError : no such law.
    """
    if name not in WEAR_LAWS:
        raise ValueError(f"{name} is no wear law; known are {', '.join(WEAR_LAWS)}")
    return WEAR_LAWS[name](settings)


def calendar_law(name: str, settings: LawSettings) -> CalendarLaw:
    """The law of this name, where it knows of time.

    Raises
    ------
    ValueError : no such law, or one that knows of cycles alone.
    """
    law = wear_law(name, settings)
    if not isinstance(law, CalendarLaw):
        raise ValueError(f"{name} knows nothing of time; known are {', '.join(calendar_law_names())}")
    return law


def calendar_law_names() -> tuple[str, ...]:
    """Names of the laws that know of time."""
    return tuple(name for name, make in WEAR_LAWS.items() if isinstance(make(LawSettings()), CalendarLaw))
