"""A block: a run of one action, the thing a person sets."""

from __future__ import annotations

from dataclasses import dataclass

from scheduler.inputs.control_mode import Action, SetBy
from scheduler.textio.format import number_text, power_text


@dataclass(frozen=True, slots=True)
class Block:
    """A run of one action: what to set.

    Attributes
    ----------
    first, last : the intervals first to last - 1.
    action : "charge" or "discharge" at `kw`; "cover": discharge what the building draws, up to `kw`.
    kw : power at the AC side, positive [kW].
    amps : current per phase, positive [A].
    """

    first: int
    last: int
    action: Action
    kw: float
    amps: float

    @property
    def intervals(self) -> slice:
        """Return its intervals, to index arrays of shape (n,) with."""
        return slice(self.first, self.last)


def setting_text(block: Block, set_by: SetBy) -> str:
    """Return what to set for a block: "discharge at 4.1 kW (5.9 A)"; the current first where that is what is set."""
    action = {"charge": "charge at", "discharge": "discharge at", "cover": "cover the building up to"}[block.action]
    if set_by == "current":
        return f"{action} {block.amps:.0f} A ({power_text(block.kw)})"
    return f"{action} {power_text(block.kw)} ({number_text(block.amps, 1)} A)"
