"""The wear laws by name. To add one, write a module for it and add a line here."""

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
    """Return the wear law of a given name.

    Parameters
    ----------
    name : "flat", "depth", "stress" or "nmc".
    settings : what the law may need to know about the battery.

    Raises
    ------
    ValueError : there is no such law.

    Examples
    --------
    >>> wear_law("stress", LawSettings()).source
    'Xu, Oudalov, Ulbig, Andersson and Kirschen, IEEE Trans. Smart Grid 9(2), 2018'
    """
    if name not in WEAR_LAWS:
        raise ValueError(f"{name} is not a wear law; expected one of {', '.join(WEAR_LAWS)}")
    return WEAR_LAWS[name](settings)


def calendar_law(name: str, settings: LawSettings) -> CalendarLaw:
    """Return the wear law of a given name, if it includes calendar ageing.

    Parameters
    ----------
    name : "stress" or "nmc".
    settings : what the law may need to know about the battery.

    Raises
    ------
    ValueError : there is no such law, or it has no calendar ageing.

    Examples
    --------
    >>> calendar_law("nmc", LawSettings()).name
    'nmc'
    """
    law = wear_law(name, settings)
    if not isinstance(law, CalendarLaw):
        raise ValueError(f"{name} has no calendar ageing; expected one of {', '.join(calendar_law_names())}")
    return law


def calendar_law_names() -> tuple[str, ...]:
    """Return the names of the laws that include calendar ageing.

    Examples
    --------
    >>> calendar_law_names()
    ('stress', 'nmc')
    """
    return tuple(name for name, make in WEAR_LAWS.items() if isinstance(make(LawSettings()), CalendarLaw))
