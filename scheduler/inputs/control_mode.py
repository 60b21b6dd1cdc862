"""How a plan is put into effect: as a schedule, as a few blocks set by hand, or as whole amps set by hand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

SetBy = Literal["schedule", "blocks", "current"]
WAKING_HOURS = (6 * 60 + 30, 23 * 60)
"""Between these clock times a person sets the charger, unless the site says otherwise [minutes since midnight]."""
USUAL_SETTING_KWH = 0.2
"""What a person would give to be spared one setting, unless the site says otherwise [kWh at the highest price]."""
Action = Literal["charge", "discharge", "cover", "surplus", "balance"]
"""What a block does; "cover": discharge as much as the building draws, up to the power of the block; "surplus": charge
with what the roof gives beyond the building's draw, up to the power of the block; "balance": both, whichever
there is."""
CHARGING: tuple[Action, ...] = ("charge", "surplus")
"""Actions that charge, and never discharge."""


@dataclass(frozen=True, slots=True)
class Setting:
    """How the charger is set.

    Attributes
    ----------
    set_by : "schedule": a power for every interval; "blocks": one power per block; "current": as blocks, each a whole
        number of amps at the charger's volts and phases.
    max_blocks : most blocks in a night. min_block_minutes : shortest block [min]. Both are unused for a schedule.
    worth : what a person would give to be spared one setting [money]; None: USUAL_SETTING_KWH at the night's highest
        import price.
    between : local clock times between which a person sets the charger [minutes since midnight], both included; the
        first may be the later one, past midnight. None: at any time.
    timer : whether the charger begins and ends blocks by its own clock, so that `between` does not bind.
    most_outside : settings that may lie outside `between`, because a departure needs them.
    """

    set_by: SetBy = "schedule"
    max_blocks: int = 0
    min_block_minutes: int = 0
    worth: float | None = 0.0
    between: tuple[int, int] | None = None
    timer: bool = False
    most_outside: int = 0

    @property
    def by_hand(self) -> bool:
        """Return whether a person sets the blocks."""
        return self.set_by != "schedule"

    @property
    def keeps_hours(self) -> bool:
        """Return whether a person sets the charger between two clock times alone."""
        return self.by_hand and self.between is not None and not self.timer

    def is_at(self, minute: int) -> bool:
        """Return whether a person may set the charger at a local clock time [minutes since midnight].

        Examples
        --------
        >>> late = Setting("blocks", 4, 60, between=(720, 60))
        >>> late.is_at(720), late.is_at(30), late.is_at(61)
        (True, True, False)
        """
        if not self.keeps_hours or self.between is None:
            return True
        begin, end = self.between
        return begin <= minute <= end if begin <= end else minute >= begin or minute <= end
