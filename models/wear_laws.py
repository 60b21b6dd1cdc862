"""The wear laws by name. A new one is its own file and one line here."""

from __future__ import annotations

from collections.abc import Callable

from models.depth_wear import depth_law
from models.flat_wear import flat_law
from models.nmc_wear import nmc_law
from models.stress_wear import stress_law
from models.wear_law import CalendarLaw, LawSettings, WearLaw

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
