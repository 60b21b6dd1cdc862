"""A block: a run of one action, the thing a person sets."""

from __future__ import annotations

from dataclasses import dataclass

from scheduler.inputs.control_mode import Action, SetBy
from scheduler.textio.format import number_text, percent_text, power_text

ACTION_TEXT: dict[Action, str] = {
    "charge": "charge at",
    "discharge": "discharge at",
    "cover": "cover the building up to",
    "surplus": "take the surplus up to",
    "balance": "take the surplus and cover the building up to",
}


@dataclass(frozen=True, slots=True)
class Block:
    """A run of one action: what to set.

    Attributes
    ----------
    first, last : the intervals first to last - 1.
    action : "charge" or "discharge" at `kw`; "cover": discharge what the building draws, up to `kw`; "surplus": charge
        with what the roof gives beyond the building's draw, up to `kw`; "balance": both, as it comes.
    kw : power at the AC side, positive [kW].
    amps : current per phase, positive [A].
    stop_percent : state of charge at which discharging ends before `last` [%]; None: the floor.
    until_percent : state of charge at which charging ends before `last` [%]; None: the ceiling.
    from_kw : draw of the building, under the charger's least power, from which on a covering block discharges at that
        least power and exports the rest [kW]; None: it pauses under the least power.
    surplus_from_kw : surplus, under the charger's least power, from which on a block that takes it charges at that
        least power and buys the rest [kW]; None: it pauses under the least power.
    """

    first: int
    last: int
    action: Action
    kw: float
    amps: float
    stop_percent: float | None = None
    until_percent: float | None = None
    from_kw: float | None = None
    surplus_from_kw: float | None = None

    @property
    def intervals(self) -> slice:
        """Return its intervals, to index arrays of shape (n,) with."""
        return slice(self.first, self.last)


def setting_text(block: Block, set_by: SetBy) -> str:
    """Return what to set for a block: "discharge at 4.1 kW (5.9 A)"; the current first where that is what is set."""
    action, begins = ACTION_TEXT[block.action], from_text(block.from_kw, block.surplus_from_kw)
    if set_by == "current":
        return f"{action} {block.amps:.0f} A ({power_text(block.kw)}){begins}"
    return f"{action} {power_text(block.kw)} ({number_text(block.amps, 1)} A){begins}"


def from_text(from_kw: float | None, surplus_from_kw: float | None) -> str:
    """Return from which draw and which surplus on a block follows them [kW]; "" from the least power on.

    Examples
    --------
    >>> from_text(0.3, None), from_text(None, None)
    (' from a draw of 0.3 kW', '')
    >>> from_text(0.3, 1.0)
    ' from a draw of 0.3 kW or a surplus of 1.0 kW'
    """
    found = [
        f"a {what} of {power_text(kw)}"
        for what, kw in (("draw", from_kw), ("surplus", surplus_from_kw))
        if kw is not None
    ]
    return f" from {' or '.join(found)}" if found else ""


def end_text(stop_percent: float | None, until_percent: float | None) -> str:
    """Return at which state of charge [%] a block ends, to follow what is set; "" where floor or ceiling end it.

    Examples
    --------
    >>> end_text(46.0, None), end_text(None, 72.5), end_text(None, None)
    (' until 46 % is left', ' until 72.5 %', '')
    >>> end_text(46.0, 72.5)
    ' until 46 % is left, charging until 72.5 %'
    """
    if stop_percent is not None:
        charging = "" if until_percent is None else f", charging until {percent_text(until_percent)}"
        return f" until {percent_text(stop_percent)} is left{charging}"
    return "" if until_percent is None else f" until {percent_text(until_percent)}"
